"""Scales, thinning and paths: what is drawn is what is in the table."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from wearbench.figures.scales import Scale, clock_ticks, elapsed_ticks, nice_range, tick_words, ticks
from wearbench.figures.svg import Drawing, fmt, path_of
from wearbench.figures.thinning import column_extremes, thin

places = st.floats(-1e6, 1e6, allow_nan=False)


@given(low=places, length=st.floats(1e-3, 1e6), most=st.integers(2, 12))
def test_ticks_are_round_inside_and_few(low: float, length: float, most: int) -> None:
    found = ticks(low, low + length, most=most)
    assert all(low - 1e-6 * length <= t <= low + length * (1 + 1e-6) for t in found)
    assert len(found) <= most + 1
    assert found == sorted(set(found))


def test_tick_words_have_the_decimals_of_their_step() -> None:
    assert [w for _, w in tick_words([0.0, 0.5, 1.0])] == ["0.0", "0.5", "1.0"]
    assert [w for _, w in tick_words([-20.0, 0.0, 20.0], sign=True)] == ["−20", "0", "+20"]
    assert [w for _, w in tick_words([1000.0, 1500.0])] == ["1,000", "1,500"]


@pytest.mark.parametrize(
    ("length_s", "words"),
    [
        (45, ["0", "10 s", "20 s", "30 s", "40 s"]),
        (2700, ["0", "10 min", "20 min", "30 min", "40 min"]),
        (4 * 86400, ["0", "1 d", "2 d", "3 d", "4 d"]),
    ],
)
def test_elapsed_ticks(length_s: float, words: list[str]) -> None:
    assert [w for _, w in elapsed_ticks(length_s, most=5)] == words


def test_clock_ticks_are_round_in_the_studys_own_zone() -> None:
    start = datetime(2031, 1, 12, 8, 7, tzinfo=UTC)
    found = clock_ticks(start, start + timedelta(minutes=40), zone=ZoneInfo("Asia/Kathmandu"), most=5)
    assert [w for _, w in found] == ["14:00", "14:10", "14:20", "14:30"]  # five and three quarter hours ahead
    assert found[0][0] == datetime(2031, 1, 12, 8, 15, tzinfo=UTC)


def test_clock_ticks_say_the_day_over_several_days() -> None:
    start = datetime(2031, 1, 12, 6, tzinfo=UTC)
    words = [w for _, w in clock_ticks(start, start + timedelta(days=3), most=4)]
    assert words == ["13 Jan", "14 Jan", "15 Jan"]


def test_nice_range_of_nothing_and_of_one_value() -> None:
    assert nice_range(np.array([])) == (0.0, 1.0)
    low, high = nice_range(np.array([60.0, 60.0, np.nan]))
    assert low < 60 < high


def test_scale_keeps_values_on_its_axis() -> None:
    scale = Scale(low=0.0, high=10.0, start=100.0, stop=0.0)
    assert scale.all(np.array([-5.0, 0.0, 5.0, 20.0])).tolist() == [100.0, 100.0, 50.0, 0.0]


@settings(deadline=None, max_examples=40)
@given(
    value=hnp.arrays(np.float64, st.integers(1, 200), elements=st.floats(30, 220)),
    gap=st.integers(0, 200),
    column=st.sampled_from([1.0, 2.0, 7.0]),
)
def test_thinning_keeps_every_extreme_and_the_ends_of_each_piece(value: np.ndarray, gap: int, column: float) -> None:
    n = value.size
    x = np.arange(n) * 0.3
    piece = (np.arange(n) >= gap).astype(np.int64)
    keep = thin(x, value, column=column, piece=piece)
    assert np.all(np.diff(keep) > 0)
    for k in np.unique(piece):
        mine = np.flatnonzero(piece == k)
        assert {mine[0], mine[-1]} <= set(keep.tolist())
        kept = keep[piece[keep] == k]
        for cell in np.unique(np.floor(x[mine] / column)):
            inside = mine[np.floor(x[mine] / column) == cell]
            shown = kept[np.floor(x[kept] / column) == cell]
            assert value[shown].min() == value[inside].min()
            assert value[shown].max() == value[inside].max()
            assert shown.size <= 4 or n < 3


def test_thinning_ten_hours_leaves_four_points_a_column() -> None:
    n = 36_000
    keep = thin(np.linspace(0, 800, n), np.random.default_rng(0).normal(size=n), column=2.0)
    assert keep.size <= 4 * 401


def test_column_extremes_never_joins_two_pieces() -> None:
    x, value = np.array([0.0, 0.1, 0.2, 0.3]), np.array([1.0, 2.0, 50.0, 60.0])
    _, low, high, piece = column_extremes(x, value, column=10.0, piece=np.array([0, 0, 1, 1]))
    assert piece.tolist() == [0, 1]
    assert low.tolist() == [1.0, 50.0]
    assert high.tolist() == [2.0, 60.0]


@settings(deadline=None, max_examples=40)
@given(hnp.arrays(np.float64, st.tuples(st.integers(2, 60), st.just(2)), elements=st.floats(0, 1000)))
def test_path_of_leads_to_every_point_within_a_tenth_of_a_pixel(points: np.ndarray) -> None:
    data = path_of(points[:, 0], points[:, 1])
    at = np.array([float(v) for v in re.findall(r"-?[\d.]+(?:e-?\d+)?", data)]).reshape(-1, 2).cumsum(axis=0)
    assert np.abs(at - points).max() <= 0.0501


def test_fmt_is_short() -> None:
    assert [fmt(x) for x in (1.0, 1.25, -0.04, 100.06)] == ["1", "1.2", "0", "100.1"]


def test_fitted_text_is_cut_with_an_ellipsis_and_never_longer_than_its_room() -> None:
    drawing = Drawing(width=100, height=10, title="t", description="d", uid="u")
    cut = drawing.fitted("a very long name of a session", 60, 11)
    assert cut.endswith("…")
    assert drawing.text_width(cut, 11) <= 60
    assert drawing.fitted("S01", 60, 11) == "S01"


def test_text_is_escaped() -> None:
    drawing = Drawing(width=100, height=10, title="<b>", description='"&"', uid="u")
    drawing.text(0, 10, "<script>alert(1)</script>")
    svg = drawing.render()
    assert "<script" not in svg
    assert "&lt;b&gt;" in svg
