"""Intervals hold the truth as often as they say, and the naive ones visibly do not.

A small seeded version of ``benchmarks/coverage``, whose full table stands beside it. Oracle of the first
design (12 persons, 5 pairs, variances 0.8 and 0.2, 20,000 studies, recomputed): t over persons covers the bias in
0.951, Zou's 2013 interval the upper limit in 0.955; pairs taken as independent 0.643 and 0.674.
"""

from __future__ import annotations

import json
import math
from importlib import resources

import numpy as np
import pytest

from benchmarks.coverage.studies import EFFECTS, SHOWN, Design, Measured, measure, simulate, summed
from benchmarks.coverage.table import PAGE, as_json, designs, row
from wearbench.core.agreement.coverage import EFFECTS as NAMES
from wearbench.core.agreement.coverage import (
    MEASURED,
    Texture,
    choose_effect,
    nearest_coverage,
    texture_of,
)
from wearbench.core.resample import ratio_interval
from wearbench.errors import DataError


@pytest.fixture(scope="module")
def oracle() -> Measured:
    design = Design(
        effect="normal",
        participants=12,
        sessions=1,
        readings=5,
        constant=0.6,
        person_sd=np.sqrt(0.8),
        session_sd=0.0,
        reading_sd=np.sqrt(0.2),
    )
    return measure(design, studies=1000)


# 1,000 studies: the standard error of a share of 0.95 is 0.007


@pytest.mark.parametrize("name", ["bias", "limit_low", "limit_high"])
def test_bias_and_limits_of_twelve_persons_hold_in_93_to_97_of_100(oracle: Measured, name: str) -> None:
    assert 0.93 <= oracle.held[name] <= 0.97


def test_pairs_taken_as_independent_visibly_fail(oracle: Measured) -> None:
    assert list(oracle.naive.values()) == pytest.approx([0.643, 0.674], abs=0.05)


def test_error_sizes_of_twelve_persons(oracle: Measured) -> None:
    for name in ("mae", "mape", "rmse"):
        assert oracle.held[name] >= 0.90, name


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
def test_bias_and_limits_of_other_designs(effect: str, shape: tuple[int, int], floor: float) -> None:
    found = measure(Design(effect=effect, participants=shape[0], sessions=shape[1]), studies=300).held
    for name in ("bias", "limit_low", "limit_high", "within_tolerance"):
        assert found[name] >= floor, name


def test_blocks_of_one_session() -> None:
    found = measure(Design(effect="serial", participants=1, sessions=1), studies=150)
    for name in ("bias", "limit_low", "limit_high"):
        assert found.held[name] >= 0.86, name
    assert found.naive["bias"] < 0.6


@pytest.mark.parametrize(("interval", "floor"), [("percentile", 0.88), ("bca", 0.86), ("studentised", 0.91)])
def test_resampled_intervals_of_the_bias_of_twenty_persons(interval: str, floor: float) -> None:
    design = Design(effect="normal", participants=20, sessions=1)
    assert measure(design, studies=200, interval=interval, resamples=400).held["bias"] >= floor


def test_share_of_time_with_a_few_bad_sessions() -> None:
    generator = np.random.Generator(np.random.PCG64(3))
    true, hits = 0.75 * 0.97 + 0.25 * 0.6, []
    for _ in range(600):
        bad = generator.random(16) < 0.25
        share = np.where(bad, generator.uniform(0.3, 0.9, 16), generator.uniform(0.95, 0.99, 16))
        found = ratio_interval(1800 * share, np.full(16, 1800.0), participant=np.zeros(16, dtype=int))
        hits.append(found.low <= true <= found.high)
    assert np.mean(hits) >= 0.90


def packaged() -> dict:
    path = resources.files("wearbench.core.agreement").joinpath("coverage.json")
    return json.loads(path.read_text(encoding="utf-8"))


def test_the_packaged_table_holds_every_design_and_statistic() -> None:
    table = packaged()
    assert table["statistics"] == list(SHOWN)
    assert set(table["statistics"]) | {"within_greater"} == set(MEASURED)
    assert table["effects"] == EFFECTS
    assert tuple(EFFECTS) == NAMES
    keys = [(r["effect"], r["participants"], r["sessions"]) for r in table["designs"]]
    assert keys == [(d.effect, d.participants, d.sessions) for d in designs()]
    assert all(r["studies"] >= 1000 for r in table["designs"])


def test_the_page_and_the_packaged_table_say_the_same() -> None:
    table, made, rows = packaged(), [], []
    for r in table["designs"]:
        design = Design(effect=r["effect"], participants=r["participants"], sessions=r["sessions"])
        held = {s: math.nan if x is None else x for s, x in zip(SHOWN, r["held"], strict=True)}
        given = dict(zip(SHOWN, r["given"], strict=True))
        naive = {"bias": r["naive"][0], "limit_high": r["naive"][1]}
        made.append(Measured(design=design, studies=r["studies"], held=held, given=given, naive=naive))
        rows.append(row(EFFECTS[r["effect"]], made[-1]))
    assert json.loads(as_json(made)) == table
    page = PAGE.read_text(encoding="utf-8").splitlines()
    assert [line for line in page if line.startswith(tuple(f"| {e} |" for e in EFFECTS.values()))] == rows


def test_bias_and_limits_hold_in_93_to_97_of_100_with_normal_effects_and_eight_participants_or_more() -> None:
    for r in packaged()["designs"]:
        if r["effect"] == "normal" and r["participants"] >= 8:
            held = dict(zip(SHOWN, r["held"], strict=True))
            for name in ("bias", "limit_low", "limit_high"):
                assert 0.93 <= held[name] <= 0.97, (r["participants"], r["sessions"], name)


def test_naive_intervals_fail_wherever_people_or_sessions_differ() -> None:
    for r in packaged()["designs"]:
        if (r["participants"], r["sessions"]) != (1, 1):
            assert r["naive"][0] < 0.9, r


def test_nearest_design_by_the_ratio_of_participants_then_of_sessions() -> None:
    found = nearest_coverage("bias", participants=12, sessions=2.4)
    assert (found.participants, found.sessions, found.effect) == (8, 2, "normal")  # 12/8 is less than 20/12
    assert found.design == "8 participants x 2 sessions, normal"
    assert nearest_coverage("bias", participants=300, sessions=40, effect="heavy").design == (
        "20 participants x 6 sessions, heavy tails (t with 3 df)"
    )
    assert nearest_coverage("mae", participants=2, sessions=1).participants == 4
    alone = nearest_coverage("mae", participants=1, sessions=2)
    assert (alone.participants, alone.sessions) == (1, 2)
    assert nearest_coverage("mae", participants=1, sessions=1).design == "1 participant x 1 session, normal"


def test_effects_that_one_participant_cannot_show_are_those_of_the_nearest_kind() -> None:
    assert nearest_coverage("mae", participants=1, sessions=3, effect="odd").effect == "mixture"
    assert nearest_coverage("mae", participants=1, sessions=1, effect="unequal").effect == "normal"


def test_the_greater_of_two_tolerances_is_ten_per_cent_in_the_simulation() -> None:
    first = nearest_coverage("within_greater", participants=8, sessions=3)
    second = nearest_coverage("within_10_percent", participants=8, sessions=3)
    assert (first.held, first.given) == (second.held, second.given)


def test_odd_persons_and_few_of_them_are_called_low() -> None:
    assert nearest_coverage("bias", participants=8, sessions=3, effect="odd").low
    assert not nearest_coverage("bias", participants=8, sessions=3).low


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (
            {"statistic": "median", "participants": 8, "sessions": 3},
            f"expected one of {', '.join(MEASURED)}, got median",
        ),
        (
            {"statistic": "bias", "participants": 8, "sessions": 3, "effect": "wild"},
            "expected one of normal, heavy, mixture, odd, serial, unequal, got wild",
        ),
        (
            {"statistic": "bias", "participants": 0, "sessions": 3},
            "expected at least one participant and session, got 0 and 3",
        ),
        (
            {"statistic": "bias", "participants": 2, "sessions": math.nan},
            "expected at least one participant and session, got 2 and nan",
        ),
    ],
)
def test_coverage_of_what_was_not_measured_is_refused(ask: dict, said: str) -> None:
    with pytest.raises(DataError) as caught:
        nearest_coverage(ask.pop("statistic"), **ask)
    assert str(caught.value) == said


def seen(effect: str, *, participants: int, sessions: int, number: int) -> str:
    study = simulate(Design(effect=effect, participants=participants, sessions=sessions), _generator(number))
    d = study.tested - study.reference
    parts = [d[study.session == k] for k in range(study.participant_of_session.size)]
    session = np.arange(len(parts))
    who = study.participant_of_session
    return choose_effect(summed(study), session=session, participant=who, texture=texture_of(parts)).name


def _generator(seed: int) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64(seed))


@pytest.mark.parametrize("effect", ["normal", "heavy", "mixture", "serial", "unequal"])
def test_effects_are_recognised_in_most_simulated_studies(effect: str) -> None:
    found = [seen(effect, participants=8, sessions=4, number=k) for k in range(40)]
    assert found.count(effect) >= 32, {name: found.count(name) for name in set(found)}


def test_persons_who_fail_throughout_are_odd_and_single_sessions_are_a_mixture() -> None:
    def rows(fails: list[int]) -> np.ndarray:
        study = simulate(Design(effect="normal", participants=6, sessions=2), _generator(4))
        tested = np.where(np.isin(study.session, fails), study.reference / 2, study.tested)
        return summed(type(study)(tested, study.reference, study.session, study.participant_of_session))

    who, which = np.repeat(np.arange(6), 2), np.arange(12)
    assert choose_effect(rows([4, 5]), session=which, participant=who).name == "odd"
    found = choose_effect(rows([5]), session=which, participant=who)
    assert (found.name, found.why) == ("mixture", "1 of 12 sessions are far off")


def test_texture_of_nothing_constants_and_what_is_not_finite() -> None:
    none = Texture(kurtosis=None, correlation=None)
    assert texture_of([]) == none
    assert texture_of([np.full(200, 3.0)]) == none
    assert texture_of([np.arange(30.0)]) == none
    with pytest.raises(DataError, match=r"^expected finite differences, got NaN or infinity; leave them out before$"):
        texture_of([np.array([1.0, np.nan])])
    normal = texture_of([_generator(1).normal(5, 2, 20_000), _generator(2).normal(-9, 2, 20_000)])
    assert normal.kurtosis == pytest.approx(3, abs=0.1)  # of a normal distribution; about each session's own mean
    assert normal.correlation == pytest.approx(0, abs=0.02)
    moved = texture_of([4 * _generator(1).normal(5, 2, 20_000) + 7, 4 * _generator(2).normal(-9, 2, 20_000)])
    assert moved.kurtosis == pytest.approx(normal.kurtosis)


def test_effects_without_pairs_or_with_rows_that_do_not_fit() -> None:
    assert choose_effect(np.zeros((0, 14)), session=[], participant=[]).why == "there are no pairs"
    with pytest.raises(DataError) as caught:
        choose_effect(np.zeros((2, 3)), session=[0, 1], participant=[0, 0])
    assert str(caught.value) == (
        "expected rows of 14 sums with a session and a participant each, got shapes (2, 3), (2,) and (2,)"
    )
