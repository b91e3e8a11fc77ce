"""Jan & Shieh 2018, Comput Biol Med 100:247-252: the range of agreement as one interval, and its sample sizes.

Figures recomputed; peak-flow data from memory (Bland & Altman 1986).
"""

from __future__ import annotations

import numpy as np
import pytest
from data_peak_flow import peak_flow
from scipy.special import ndtri

from wearbench.core.agreement import range_factor, range_of_agreement, size_for_range

L1, _, S1, _ = peak_flow().T
Z = float(ndtri(0.975))
FACTORS = {
    5: 5.58181,
    10: 3.70446,
    17: 3.10422,
    20: 2.97825,
    30: 2.73430,
    50: 2.52221,
    100: 2.33465,
    200: 2.21481,
}


@pytest.mark.parametrize("n", FACTORS)
def test_table_of_factors(n: int) -> None:
    assert range_factor(n, multiplier=Z) == pytest.approx(FACTORS[n], abs=5e-6)


def test_peak_flow_range() -> None:
    found = range_of_agreement(L1, S1, multiplier=Z)
    assert (found.low, found.high) == pytest.approx((-122.453, 118.218), abs=1e-3)
    assert found.value == pytest.approx(-2.117647, abs=5e-7)
    assert found.method == "range that holds both limits at once on 17 pairs taken as independent"


@pytest.mark.parametrize(("width", "expected", "assured"), [(2.25, 155, 354), (2.5, 52, 115), (3.0, 19, 39)])
def test_sample_sizes_by_expected_width_and_assurance_90(width: float, expected: int, assured: int) -> None:
    assert size_for_range(width, multiplier=Z) == expected
    assert size_for_range(width, assurance=0.9, multiplier=Z) == assured


def test_share_of_ranges_that_hold_both_limits() -> None:
    # oracle: .95004 of 400,000 draws with n = 17
    generator = np.random.Generator(np.random.PCG64(2018))
    mean = generator.normal(0, 1 / np.sqrt(17), 200_000)
    half = range_factor(17, multiplier=Z) * np.sqrt(generator.chisquare(16, 200_000) / 16)
    assert np.mean((mean - half < -Z) & (mean + half > Z)) == pytest.approx(0.95, abs=0.0015)
