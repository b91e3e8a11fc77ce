"""Carrasco & Jover 2003, Biometrics 59:849-858; Carrasco, King & Chinchilli 2009, J Biopharm Stat 19:90-105.

Concordance by variance components. Peak-flow data from memory (Bland & Altman 1986); figures recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_peak_flow import peak_flow

from wearbench.core.agreement import repeated_ccc

LARGE, SMALL = peak_flow()[:, :2], peak_flow()[:, 2:]


def test_replicates_components_and_floor() -> None:
    found = repeated_ccc(LARGE, SMALL)
    assert found.subject == pytest.approx(12541.5827, abs=5e-5)  # recomputed
    assert found.subject_method == pytest.approx(393.5735, abs=5e-5)  # recomputed
    assert found.method == pytest.approx(-14.25, abs=5e-5)  # recomputed
    assert found.error == pytest.approx(315.3676, abs=5e-5)  # recomputed
    assert found.floored == ("method",)
    assert found.coefficient.value == pytest.approx(0.946497, abs=5e-7)  # recomputed
    assert repeated_ccc(LARGE, SMALL, floor=False).coefficient.value == pytest.approx(0.947516, abs=5e-7)  # recomputed
    assert found.coefficient.low < found.coefficient.value < found.coefficient.high < 1


def test_single_readings() -> None:
    found = repeated_ccc(LARGE[:, :1], SMALL[:, :1])
    assert found.coefficient.value == pytest.approx(0.942913, abs=5e-7)  # recomputed


def test_longitudinal_components_are_those_of_the_expected_mean_squares() -> None:
    # no published number with open data: a second way, from cross-covariances of devices and times
    generator = np.random.Generator(np.random.PCG64(2009))
    n, r = 30, 4
    subject = generator.normal(100, 15, (n, 1)) + generator.normal(0, 6, (n, r)) + np.arange(r) * 3
    tested = subject + generator.normal(2, 3, (n, 1)) + generator.normal(0, 2, (n, r)) + np.array([0, 1, 0, 2])
    reference = subject + generator.normal(0, 3, (n, 1)) + generator.normal(0, 2, (n, r))
    found = repeated_ccc(tested, reference, design="times")
    cross = np.array([[np.cov(tested[:, s], reference[:, t])[0, 1] for t in range(r)] for s in range(r)])
    own = (np.cov(tested.T) + np.cov(reference.T)) / 2
    off = ~np.eye(r, dtype=bool)
    assert found.subject == pytest.approx(cross[off].mean(), rel=1e-9)
    assert found.subject + found.subject_time == pytest.approx(np.trace(cross) / r, rel=1e-9)
    assert found.subject + found.subject_method == pytest.approx(own[off].mean(), rel=1e-9)
    assert found.subject + found.subject_time + found.subject_method + found.error == pytest.approx(
        np.trace(own) / r, rel=1e-9
    )
    d = (tested - reference).mean(axis=0)
    assert found.method == pytest.approx(np.mean(d**2) / 2 - (found.subject_method + found.error) / n, rel=1e-9)
    top = found.subject + found.subject_time
    assert found.coefficient.value == pytest.approx(
        top / (top + found.subject_method + found.method + found.error), rel=1e-12
    )
