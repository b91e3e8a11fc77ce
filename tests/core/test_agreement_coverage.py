"""Intervals hold the truth as often as they say, and the naive ones visibly do not.

A small seeded version of ``benchmarks/coverage.py``, whose full table is in ``docs/intervals.md``. Oracle of the first
design (12 persons, 5 pairs, variances 0.8 and 0.2, 20,000 studies, recomputed): t over persons covers the bias in
0.951, Zou's 2013 interval the upper limit in 0.955; pairs taken as independent 0.643 and 0.674.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from wearbench.core.resample import ratio_interval


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    path = Path(__file__).parents[2] / "benchmarks/coverage.py"
    spec = importlib.util.spec_from_file_location("benchmark_coverage", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def oracle(bench: ModuleType) -> tuple[dict[str, float], np.ndarray]:
    design = bench.Design(
        effect="normal",
        participants=12,
        sessions=1,
        readings=5,
        constant=0.6,
        person_sd=np.sqrt(0.8),
        session_sd=0.0,
        reading_sd=np.sqrt(0.2),
    )
    return bench.coverage(design, studies=1000)


# 1,000 studies: the standard error of a share of 0.95 is 0.007


@pytest.mark.parametrize("name", ["bias", "limit_low", "limit_high"])
def test_bias_and_limits_of_twelve_persons_hold_in_93_to_97_of_100(oracle: tuple, name: str) -> None:
    assert 0.93 <= oracle[0][name] <= 0.97


def test_pairs_taken_as_independent_visibly_fail(oracle: tuple) -> None:
    assert oracle[1] == pytest.approx([0.643, 0.674], abs=0.05)


def test_error_sizes_of_twelve_persons(oracle: tuple) -> None:
    for name in ("mae", "mape", "rmse"):
        assert oracle[0][name] >= 0.90, name


@pytest.mark.parametrize(
    ("effect", "shape", "floor"),
    [
        ("normal", (1, 6), 0.92),
        ("normal", (8, 3), 0.92),
        ("serial", (8, 1), 0.92),
        ("unequal", (8, 1), 0.92),
        ("heavy", (20, 1), 0.82),  # as low as the published table says
        ("mixture", (20, 1), 0.87),
    ],
)
def test_bias_and_limits_of_other_designs(bench: ModuleType, effect: str, shape: tuple[int, int], floor: float) -> None:
    found, _ = bench.coverage(bench.Design(effect=effect, participants=shape[0], sessions=shape[1]), studies=300)
    for name in ("bias", "limit_low", "limit_high", "within_tolerance"):
        assert found[name] >= floor, name


def test_blocks_of_one_session(bench: ModuleType) -> None:
    found, simple = bench.block_coverage(0.9, minutes=20, studies=200)
    for name in ("bias", "limit_low", "limit_high"):
        assert found[name] >= 0.90, name
    assert simple[0] < 0.6


def test_share_of_time_with_a_few_bad_sessions() -> None:
    generator = np.random.Generator(np.random.PCG64(3))
    true, hits = 0.75 * 0.97 + 0.25 * 0.6, []
    for _ in range(600):
        bad = generator.random(16) < 0.25
        share = np.where(bad, generator.uniform(0.3, 0.9, 16), generator.uniform(0.95, 0.99, 16))
        found = ratio_interval(1800 * share, np.full(16, 1800.0), participant=np.zeros(16, dtype=int))
        hits.append(found.low <= true <= found.high)
    assert np.mean(hits) >= 0.90
