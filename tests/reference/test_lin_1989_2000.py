"""Lin 1989, Biometrics 45:255-268 and the corrected variance, Lin 2000, Biometrics 56:324-325.

Peak-flow data from memory (Bland & Altman 1986); figures recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_peak_flow import peak_flow

from wearbench.core.agreement import ccc

L1, _, S1, _ = peak_flow().T


def test_concordance_with_divisor_n() -> None:
    found = ccc(L1, S1)
    assert found.value == pytest.approx(0.942742, abs=5e-7)
    assert found.correlation == pytest.approx(0.943279, abs=5e-7)
    assert found.bias_correction == pytest.approx(0.999431, abs=5e-7)
    assert found.location_shift == pytest.approx(-0.019030, abs=5e-7)
    assert found.value == pytest.approx(found.correlation * found.bias_correction, rel=1e-13)


def test_interval_with_the_corrected_variance() -> None:
    found = ccc(L1, S1)
    assert found.se_z == pytest.approx(0.257260, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((0.850492, 0.978726), abs=5e-7)


def test_concordance_with_divisor_n_less_1() -> None:
    found = ccc(L1, S1, divisor="n-1")
    assert found.value == pytest.approx(0.942752, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((0.850516, 0.978730), abs=5e-7)


def test_properties_of_the_coefficient() -> None:
    assert ccc(L1, L1).value == pytest.approx(1.0, abs=1e-15)
    assert ccc(L1, S1).value == pytest.approx(ccc(S1, L1).value, rel=1e-14)
    shifted = [ccc(L1 + c, L1) for c in (0.0, 10.0, 50.0, 200.0)]
    assert [found.correlation for found in shifted] == pytest.approx([1.0] * 4, abs=1e-12)
    assert np.all(np.diff([found.value for found in shifted]) < 0)
    assert abs(ccc(L1, S1).value) <= abs(ccc(L1, S1).correlation)
