"""York 1966, Can J Phys 44:1079-1086; 1969, Earth Planet Sci Lett 5:320-324: Pearson's points with York's weights.

Data and printed results from memory (the data reproduce the prints); further digits recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.agreement import deming, york

X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
WY = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def test_unweighted_orthogonal_line() -> None:
    found = deming(Y, X)
    assert (found.slope.value, found.intercept.value) == pytest.approx((-0.546, 5.784), abs=5e-4)  # from memory
    assert found.slope.value == pytest.approx(-0.5455611975, abs=5e-11)  # recomputed
    assert found.intercept.value == pytest.approx(5.7840437745, abs=5e-11)  # recomputed


def test_weighted_line() -> None:
    found = york(Y, X, tested_weight=WY, reference_weight=WX)
    assert found.slope.value == pytest.approx(-0.480533, abs=5e-7)  # published, from memory
    assert found.intercept.value == pytest.approx(5.47991, abs=5e-6)  # published, from memory
    assert found.slope.value == pytest.approx(-0.48053340745, abs=5e-12)  # recomputed
    assert found.intercept.value == pytest.approx(5.47991022403, abs=5e-12)  # recomputed
    assert found.slope_se == pytest.approx(0.05798501, abs=5e-9)  # recomputed
    assert found.intercept_se == pytest.approx(0.29497074, abs=5e-9)  # recomputed
    assert found.misfit == pytest.approx(1.4832941, abs=5e-8)  # recomputed


def test_equal_weights_are_deming() -> None:
    ones = np.ones(10)
    assert york(Y, X, tested_weight=ones, reference_weight=ones).slope.value == pytest.approx(
        deming(Y, X).slope.value, rel=1e-10
    )
    ratio = york(Y, X, tested_weight=ones, reference_weight=4 * ones).slope.value
    assert ratio == pytest.approx(deming(Y, X, var_ratio_y_over_x=4).slope.value, rel=1e-10)
