"""Bland & Altman 2007, J Biopharm Stat 17:571-582: cardiac output, repeated pairs, true value varies.

Data from memory; printed figures (-1.34, 2.54, SD 0.99) from memory; the rest recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest
from data_cardiac import cardiac

from wearbench.core.agreement import grouped_sums, summarise


@pytest.fixture(scope="module")
def result():
    rv, ic, subject = cardiac()
    sums = grouped_sums(rv, ic, group=subject)
    codes = np.arange(len(sums))
    return summarise(sums, session=codes, participant=codes)


def test_true_value_varies_published_limits(result):
    assert round(result["sd_of_differences"].value, 2) == 0.99
    assert round(result["limit_low"].value, 2) == -1.34
    assert round(result["limit_high"].value, 2) == 2.54


def test_true_value_varies_recomputed(result):
    assert result["n_pairs"].value == 60
    assert result["bias"].value == pytest.approx(0.602167, abs=5e-7)
    assert result["sd_of_differences"].value == pytest.approx(0.990624, abs=5e-7)
    assert result["sd_between"].value ** 2 == pytest.approx(0.810622, abs=5e-7)
    assert result["sd_within"].value ** 2 == pytest.approx(0.170714, abs=5e-7)
    assert result["limit_low"].value == pytest.approx(-1.3395, abs=5e-5)
    assert result["limit_high"].value == pytest.approx(2.5438, abs=5e-5)
