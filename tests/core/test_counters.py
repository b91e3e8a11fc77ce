"""Running counts: begun anew, set back, or no running count at all. Numbers by hand."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.counters import one_count


def test_count_begun_anew_goes_on():
    """7 to 10 by ones, anew at 2, 5, 6; anew at 1: 10 + 2, + 3, + 1, then 16 + 1."""
    found = one_count(np.array([7.0, 8, 9, 10, 2, 5, 6, 1, 3, 4, 5, 6, 7, 8]))
    assert found is not None
    np.testing.assert_array_equal(found.total, [7, 8, 9, 10, 12, 15, 16, 17, 19, 20, 21, 22, 23, 24])
    assert found.anew.tolist() == [4, 7]
    assert found.mended.size == 0


def test_correction_is_no_new_beginning():
    """1000 back to 990: held at 1000 until 1010."""
    found = one_count(np.array([970.0, 980, 990, 1000, 990, 995, 1010, 1020, 1030]))
    assert found is not None
    np.testing.assert_array_equal(found.total, [970, 980, 990, 1000, 1000, 1000, 1010, 1020, 1030])
    assert (found.anew.size, found.mended.tolist()) == (0, [4])


def test_missing_values_stay_missing():
    found = one_count(np.array([1.0, 2, np.nan, 3, 4, np.nan, 1, 5, 6, 7]))
    assert found is not None
    np.testing.assert_array_equal(found.total, [1, 2, np.nan, 3, 4, np.nan, 5, 9, 10, 11])
    assert found.anew.tolist() == [6]


@pytest.mark.parametrize("value", [[3.0, 0, 5, 0, 12, 4, 7, 0], [1.0, 2, 3], [], [5.0, 5, 5, 5, 5]])
def test_counts_by_the_minute_are_no_running_count(value):
    assert one_count(np.array(value)) is None


def test_total_never_falls_whatever_comes():
    rng = np.random.default_rng(1)
    for _ in range(50):
        value = np.cumsum(rng.integers(0, 9, 200)).astype(float)
        cut = int(rng.integers(20, 180))
        value[cut:] -= value[cut]
        found = one_count(value)
        assert found is not None
        assert (np.diff(found.total) >= 0).all()
        assert found.total[-1] - found.total[0] == value[cut - 1] - value[0] + value[-1]
