"""Signals and beats cut, joined and merged piece by piece; a few samples, all countable by hand."""

from __future__ import annotations

import pickle
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from recorded import study

from wearbench.formats import Intervals, Readings, Segment, Signal
from wearbench.recipe.joining import Notes, fill_from_copies, merge_two
from wearbench.recipe.pieces import Piece, concatenated, cut, span_ms
from wearbench.recipe.reading import read_session
from wearbench.study import load_study


def signal(*segments: tuple[int, list[float]]) -> Signal:
    made = tuple(
        Segment(start_ms=start, rate_hz=10.0, values=np.array(values, dtype=np.float32)) for start, values in segments
    )
    return Signal(quantity="ecg", unit="mV", segments=made)


def shown(recording: object) -> list[tuple[int, list[float]]]:
    assert isinstance(recording, Signal)
    return [(s.start_ms, s.values.tolist()) for s in recording.segments]


def test_a_signal_is_cut_to_the_sample():
    whole = signal((0, [0, 1, 2, 3, 4, 5, 6, 7, 8, 9]), (5000, [50, 51]))
    assert span_ms(whole) == (0, 5200)
    assert shown(cut(whole, 300, 700)) == [(300, [3, 4, 5, 6])]
    assert shown(cut(whole, 950, 5100)) == [(5000, [50])]
    assert shown(cut(whole, 0, 6000)) == shown(whole)


def test_a_copy_of_a_signal_fills_the_hole_and_nothing_else():
    first = signal((0, [0, 1, 2]), (600, [6, 7]))
    merged = merge_two(first, signal((0, [0, 1, 2, 3, 4, 5, 6, 7, 8])), one_clock=False)
    assert merged is not None
    recording, outcome = merged
    assert shown(recording) == [(0, [0, 1, 2]), (300, [3, 4, 5]), (600, [6, 7]), (800, [8])]
    assert outcome.n_filled == 4


def test_samples_of_the_same_segments_are_compared():
    merged = merge_two(signal((0, [0, 1, 2])), signal((0, [0, 1, 5])), one_clock=False)
    assert merged is not None
    assert (merged[1].n_both, merged[1].n_identical, merged[1].most) == (3, 2, 3.0)


def readings(time_ms: list[int], value: list[float], *, unit: str = "bpm") -> Readings:
    time = np.array(time_ms, dtype=np.int64)
    return Readings(
        quantity="heart_rate",
        unit=unit,
        time_ms=time,
        value=np.array(value),
        source_row=np.arange(1, time.size + 1),
        start_ms=time - 500,
        end_ms=time,
    )


def test_readings_keep_their_own_windows_when_joined_and_cut():
    joined = concatenated(readings([3000, 4000], [3, 4]), readings([1000, 2000], [1, 2]))
    assert isinstance(joined, Readings)
    assert joined.value.tolist() == [1, 2, 3, 4]
    assert joined.start_ms is not None
    assert joined.start_ms.tolist() == [500, 1500, 2500, 3500]
    part = cut(joined, 2000, 4000)
    assert isinstance(part, Readings)
    assert part.source_row.tolist() == [2, 1]
    assert part.end_ms is not None
    assert part.end_ms.tolist() == [2000, 3000]


def test_other_units_are_never_laid_over_one_another():
    held = fill_from_copies(
        [
            [Piece(recording=readings([0, 1000], [70, 71]), shown="a")],
            [Piece(recording=readings([0, 1000], [1.1, 1.2], unit="Hz"), shown="b")],
        ],
        device="band",
        session="S01",
        notes=(notes := Notes()),
    )
    assert [p.recording.unit for p in held if isinstance(p.recording, Readings)] == ["bpm"]
    assert [n.slug for n in notes.warnings] == ["copy-kept-aside"]


def test_stamps_cut_to_the_second_stay_so_when_filled():
    rng = np.random.default_rng(4)
    interval = np.rint(700 + rng.normal(0, 25, 400))
    ends = np.rint(np.cumsum(interval)).astype(np.int64)
    kept = np.delete(np.arange(400), np.arange(200, 220))
    first = Intervals(
        quantity="rr", interval_ms=interval[kept], source_row=kept + 1, stamp_ms=ends[kept] // 1000 * 1000
    )
    second = Intervals(quantity="rr", interval_ms=interval, source_row=np.arange(400) + 1, stamp_ms=ends + 123)
    merged = merge_two(first, second, one_clock=False)
    assert merged is not None
    recording = merged[0]
    assert isinstance(recording, Intervals)
    np.testing.assert_array_equal(recording.interval_ms, interval)
    assert recording.stamp_ms is not None
    assert np.all(recording.stamp_ms % 1000 == 0)
    assert np.abs(recording.stamp_ms - ends).max() <= 2000


def test_beats_that_came_without_stamps_are_counted_on_from_the_beat_before():
    rng = np.random.default_rng(4)
    interval = np.rint(700 + rng.normal(0, 25, 400))
    ends = np.cumsum(interval).astype(np.int64)
    kept = np.delete(np.arange(400), np.arange(200, 220))
    first = Intervals(quantity="rr", interval_ms=interval[kept], source_row=kept + 1, stamp_ms=ends[kept])
    second = Intervals(quantity="rr", interval_ms=interval, source_row=np.arange(400) + 1, start_known=False)
    merged = merge_two(first, second, one_clock=False)
    assert merged is not None
    assert isinstance(merged[0], Intervals)
    np.testing.assert_array_equal(merged[0].stamp_ms, ends)


@pytest.mark.parametrize("shift_s", [0, 5])
def test_beats_of_overlapping_exports_are_laid_together_and_cut_to_the_session(tmp_path: Path, shift_s: int):
    """The strap's export of Tuesday ends at noon, that of Wednesday begins an hour earlier; 10 beats differ."""
    folder = study(tmp_path / "study")
    start = datetime(2031, 3, 4, 9, tzinfo=UTC)
    rng = np.random.default_rng(8)
    interval = np.rint(900 + 40 * np.sin(np.arange(20_000) / 300) + rng.normal(0, 20, 20_000))
    ends = np.cumsum(interval) / 1000.0
    told = interval.copy()
    told[9000:9100:10] += 30

    def rows(chosen: slice, values: np.ndarray, away_s: int) -> str:
        lines = [
            f"{(start + timedelta(seconds=float(t) + away_s)).isoformat(timespec='milliseconds')},{rr:.0f}"
            for t, rr in zip(ends[chosen], values[chosen], strict=True)
        ]
        return "\n".join(["time,rr_ms", *lines]) + "\n"

    place = folder / "raw/_all"
    place.mkdir(parents=True)
    (place / "patch.csv").write_text(rows(slice(8000, 20_000), interval, 0), encoding="utf-8")
    (place / "patch@phone2.csv").write_text(rows(slice(0, 12_000), told, shift_s), encoding="utf-8")
    low, high = float(ends[7000]), float(ends[13_000])
    begin, end = start + timedelta(seconds=low), start + timedelta(seconds=high)
    (folder / "sessions.csv").write_text(
        f"session,start,end\nS01,{begin.isoformat()},{end.isoformat()}\n", encoding="utf-8"
    )
    loaded = load_study(folder)
    material = read_session(loaded, loaded.sessions[0])
    reference = material.references[0]
    assert reference.counts["beats"] == pytest.approx(6001, abs=2)
    assert reference.running.covered_s[-1] == pytest.approx(high - low, abs=1.5)
    (warning,) = material.warnings
    assert (warning.slug, warning.said) == (
        "exports-differ",
        "10 of 4,000 beats differ between the exports raw/_all/patch@phone2.csv (to 4 March 2031) and "
        "raw/_all/patch.csv (to 4 March 2031), by up to 30 ms; those of the second are used; 8,000 beats only in the "
        "first",
    )
    assert pickle.loads(pickle.dumps(material)).compared == material.compared
