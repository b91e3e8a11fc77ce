"""RR artefacts against Lipponen & Tarvainen 2019, J Med Eng Technol 43:173-181.

The series and its expected labels were recomputed from the paper's description (constants from memory) with an
independent script; the paper prints no series of its own.
"""

import numpy as np
import pytest

from wearbench.core.artefacts import (
    ECTOPIC,
    EXTRA,
    LABELS,
    MISSED,
    SHORT,
    classify,
    mend,
    rolling_median,
    rolling_quartile_deviation,
)
from wearbench.errors import DataError

I = np.arange(150)  # noqa: E741 - the index of the published formula
SERIES = 800 + 40 * np.sin(2 * np.pi * I / 9) + 15 * np.cos(2 * np.pi * I / 4)


def rmssd(x):
    return float(np.sqrt(np.mean(np.diff(x) ** 2)))


def flagged(x):
    labels = classify(x)
    return {int(i): LABELS[labels[i]] for i in np.flatnonzero(labels)}


def test_clean_series_is_normal_throughout():
    assert flagged(SERIES) == {}
    assert rmssd(SERIES) == pytest.approx(24.351302, abs=1e-6)
    assert float(np.std(SERIES, ddof=1)) == pytest.approx(30.100842, abs=1e-6)


def test_thresholds_at_beat_60():
    d = np.abs(np.diff(SERIES, prepend=SERIES[0]))
    median = rolling_median(SERIES, 11)
    m = SERIES - median
    m = np.where(m < 0, 2 * m, m)
    assert 5.2 * rolling_quartile_deviation(d, 91)[60] == pytest.approx(66.8499, abs=1e-4)
    assert 5.2 * rolling_quartile_deviation(np.abs(m), 91)[60] == pytest.approx(125.7801, abs=1e-4)
    assert median[60] == pytest.approx(800.0, abs=1e-9)


def test_missed_beat():
    x = np.concatenate([SERIES[:60], [SERIES[60] + SERIES[61]], SERIES[62:]])
    assert x[60] == pytest.approx(1540.967, abs=1e-3)
    assert flagged(x) == {60: "missed"}
    assert rmssd(x) == pytest.approx(92.577, abs=1e-3)
    after = mend(x)
    assert rmssd(after.interval_ms) == pytest.approx(24.344, abs=1e-3)
    assert flagged(after.interval_ms) == {}
    assert (after.n_missed, after.n_extra, after.n_ectopic, after.n_long, after.n_short) == (1, 0, 0, 0, 0)
    assert np.flatnonzero(after.mended).tolist() == [60, 61]


def test_extra_beat():
    x = np.concatenate([SERIES[:60], [0.45 * SERIES[60], 0.55 * SERIES[60]], SERIES[61:]])
    assert flagged(x) == {60: "extra", 61: "short"}
    assert rmssd(x) == pytest.approx(51.200, abs=1e-3)
    after = mend(x)
    assert rmssd(after.interval_ms) == pytest.approx(24.351, abs=1e-3)
    assert flagged(after.interval_ms) == {}
    assert (after.n_missed, after.n_extra) == (0, 1)


def test_premature_beat_with_compensatory_pause():
    x = SERIES.copy()
    x[60] -= 250
    x[61] += 250
    assert flagged(x) == {60: "short", 61: "ectopic"}
    assert rmssd(x) == pytest.approx(54.787, abs=1e-3)


def test_beat_displaced_by_60_ms():
    x = SERIES.copy()
    x[60] -= 60
    x[61] += 60
    assert flagged(x) == {61: "ectopic"}


@pytest.mark.parametrize("change", [{60: -250.0, 61: 250.0}, {60: -60.0, 61: 60.0}, {60: 250.0, 61: -250.0}])
def test_mending_a_displaced_beat_keeps_the_count_and_the_time(change):
    x = SERIES.copy()
    for at, by in change.items():
        x[at] += by
    after = mend(x)
    assert after.interval_ms.size == x.size
    assert after.interval_ms.sum() == pytest.approx(x.sum(), abs=1e-6)
    assert flagged(after.interval_ms) == {}


def test_three_beats_lost_in_a_row_come_back_as_three():
    x = np.concatenate([SERIES[:60], [SERIES[60:64].sum()], SERIES[64:]])
    after = mend(x)
    assert after.interval_ms.size == SERIES.size
    assert after.interval_ms.sum() == pytest.approx(SERIES.sum(), abs=1e-6)
    assert np.abs(after.interval_ms - SERIES).max() < 60


def test_constant_series_is_normal_and_one_artefact_in_it_is_found():
    x = np.full(100, 400.0)
    assert flagged(x) == {}
    x[50] = 800.0
    assert flagged(x) == {50: "missed"}


def test_few_intervals_use_the_local_median():
    x = np.full(12, 800.0)
    assert flagged(x) == {}
    x[6] = 1600.0
    assert flagged(x) == {6: "missed"}
    assert flagged(np.array([800.0, 790.0, 810.0, 795.0, 400.0, 395.0, 805.0, 800.0, 790.0])) == {4: "extra"}
    assert flagged(np.array([800.0])) == {}


def test_gaps_are_not_reached_across_and_short_ones_are_bridged():
    lost = np.concatenate([SERIES[:60], [SERIES[60:65].sum()], SERIES[65:]])
    known = np.ones(lost.size, dtype=bool)
    known[60] = False
    after = mend(lost, known=known)
    assert after.known.all()
    assert after.interval_ms.size == SERIES.size
    assert np.flatnonzero(after.mended).tolist() == [60, 61, 62, 63, 64]
    long = np.concatenate([SERIES[:60], [20_000.0], SERIES[60:]])
    known = np.ones(long.size, dtype=bool)
    known[60] = False
    after = mend(long, known=known)
    assert np.flatnonzero(~after.known).tolist() == [60]
    assert after.interval_ms.sum() == pytest.approx(long.sum())


def test_total_time_is_kept_whatever_comes():
    rng = np.random.default_rng(3)
    for _ in range(20):
        x = rng.uniform(250, 1500, rng.integers(1, 300))
        known = rng.random(x.size) > 0.05
        after = mend(x, known=known)
        assert after.interval_ms.sum() == pytest.approx(x.sum(), rel=1e-9)
        assert (after.interval_ms > 0).all()


def test_unusable_interval_is_refused_by_name():
    with pytest.raises(DataError) as caught:
        classify(np.array([800.0, 0.0, 810.0]))
    assert str(caught.value) == ("expected intervals above 0 ms, got 0 at place 1; take unusable intervals out first")


def test_label_codes_name_the_labels():
    assert [LABELS[code] for code in (ECTOPIC, MISSED, EXTRA, SHORT)] == ["ectopic", "missed", "extra", "short"]
