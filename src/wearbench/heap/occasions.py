"""Occasions on which devices were worn together, from when the reference and the others were switched on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.heap.files import HeapFile
from wearbench.heap.imprint import BIN_MS, Stretch, Track
from wearbench.heap.likeness import Likeness, likeness, overlap_ms
from wearbench.heap.recorders import Recorder

__all__ = ["Occasion", "Timeline", "extent", "find_occasions", "runs_of", "settle_clocks", "spans_more"]

F64 = NDArray[np.float64]

PAUSE_MS: Final = 900_000
"""A reference that was off for longer than this was switched on for something else."""
BRIDGED_MS: Final = 2_700_000
"""A longer hole is still one occasion if another device recorded through it."""
LONGEST_MS: Final = 8 * 3_600_000
"""Longer runs of a tested device are all-day wear."""
SHORTEST_MS: Final = 300_000
_REACH_MS: Final = 3_600_000
_QUARTERS: Final = tuple(sorted(range(-56, 57), key=abs))
_FINE: Final = tuple(range(-8, 9))


@dataclass(kw_only=True, slots=True)
class Occasion:
    """One occasion; times in ms on the reference's clock where it recorded.

    ``files`` by device; ``name`` is set where the study has it already.
    """

    start_ms: int
    end_ms: int
    name: str | None = None
    files: dict[str, list[HeapFile]] = field(default_factory=dict)
    reference_ms: tuple[int, int] | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def span(self) -> tuple[int, int]:
        """Start and end, ms."""
        return self.start_ms, self.end_ms


def moved(stretch: Stretch, file: HeapFile) -> tuple[int, int]:
    """A stretch on the clock of the others."""
    return stretch.start_ms + file.shift_ms, stretch.end_ms + file.shift_ms


def extent(file: HeapFile) -> tuple[int, int] | None:
    """First and last instant of a file on the clock of the others; None without a place on the calendar."""
    if file.found_ms is not None:
        return file.found_ms, file.found_ms + max((t.end_ms or 0) - (t.start_ms or 0) for t in file.imprint.tracks)
    start, end = file.imprint.start_ms, file.imprint.end_ms
    return None if start is None or end is None else (start + file.shift_ms, end + file.shift_ms)


def find_occasions(
    reference: Sequence[Recorder], others: Sequence[Recorder], *, known: Sequence[Occasion] = ()
) -> list[Occasion]:
    """Find the occasions, in order of time, without assigning files.

    Parameters
    ----------
    reference, others : sequences of Recorder
    known : sequence of Occasion
        Those that the study has; they keep their times, and their names.

    Returns
    -------
    list of Occasion
    """
    runs = [span for r in reference for f in r.files if not _settled(f) for span in runs_of(f)]
    worn = [
        span
        for r in others
        for f in r.files
        if not _settled(f)
        for span in _switched_on(f)
        if SHORTEST_MS <= span[1] - span[0] <= LONGEST_MS
    ]
    found = [Occasion(start_ms=a, end_ms=b, reference_ms=(a, b)) for a, b in _merged(runs, PAUSE_MS)]
    found = _bridged(found, worn)
    _reached(found, worn)
    free = [span for span in worn if not any(overlap_ms(span, o.span) for o in found)]
    found += [Occasion(start_ms=a, end_ms=b) for a, b in _merged(free, PAUSE_MS)]
    out = [Occasion(start_ms=o.start_ms, end_ms=o.end_ms, name=o.name, reference_ms=o.reference_ms) for o in known]
    for occasion in found:
        held = [o for o in known if overlap_ms(o.span, (occasion.start_ms - PAUSE_MS, occasion.end_ms + PAUSE_MS)) > 0]
        if not held:
            out.append(occasion)
    return sorted(out, key=lambda o: o.start_ms)


def runs_of(file: HeapFile) -> list[tuple[int, int]]:
    """When a file has readings, on the clock of the others."""
    if file.found_ms is not None:
        return [span] if (span := extent(file)) is not None else []
    return [moved(s, file) for t in file.imprint.tracks if t.placed for s in t.stretches]


def _settled(file: HeapFile) -> bool:
    """Whether a file lies in a session of the study already."""
    return file.placed is not None and file.session is not None


def _switched_on(file: HeapFile) -> list[tuple[int, int]]:
    """Runs in quick succession; a slow recording that is short as a whole counts too."""
    quick = [moved(s, file) for t in file.imprint.tracks if t.placed for s in t.stretches if s.fast]
    span = extent(file)
    if not quick and span is not None and span[1] - span[0] <= LONGEST_MS:
        return [span]
    return quick


def _merged(spans: list[tuple[int, int]], pause_ms: int) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if out and start - out[-1][1] <= pause_ms:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return [span for span in out if span[1] - span[0] >= 30_000]


def _bridged(found: list[Occasion], worn: list[tuple[int, int]]) -> list[Occasion]:
    out: list[Occasion] = []
    for occasion in found:
        last = out[-1] if out else None
        hole = None if last is None else (last.end_ms, occasion.start_ms)
        through = hole is not None and any(a <= hole[0] + 60_000 and b >= hole[1] - 60_000 for a, b in worn)
        if last is not None and hole is not None and hole[1] - hole[0] <= BRIDGED_MS and through:
            last.end_ms = occasion.end_ms
            last.reference_ms = (last.start_ms, last.end_ms)
        else:
            out.append(occasion)
    return out


def _reached(found: list[Occasion], worn: list[tuple[int, int]]) -> None:
    """Let an occasion reach as far as a device that was on with the reference, but not into the next one."""
    plain = [o.span for o in found]
    for place, occasion in enumerate(found):
        low = plain[place - 1][1] if place else -(2**62)
        high = plain[place + 1][0] if place + 1 < len(plain) else 2**62
        for a, b in worn:
            if overlap_ms((a, b), plain[place]) > 60_000:
                occasion.start_ms = min(occasion.start_ms, max(a, low, plain[place][0] - _REACH_MS))
                occasion.end_ms = max(occasion.end_ms, min(b, high, plain[place][1] + _REACH_MS))


def spans_more(file: HeapFile, occasions: Sequence[Occasion]) -> bool:
    """Whether a file belongs to no single occasion: it touches several, or goes on far beyond the one it touches."""
    span = extent(file)
    if span is None:
        return False
    touched = [o for o in occasions if any(overlap_ms(run, o.span) > 0 for run in runs_of(file) or [span])]
    if len(touched) > 1:
        return True
    length = span[1] - span[0]
    if not touched:
        return length > LONGEST_MS
    (one,) = touched
    beyond = length - overlap_ms(span, one.span)
    return beyond > max(2 * PAUSE_MS + _REACH_MS, (one.end_ms - one.start_ms) // 2)


class Timeline:
    """The course of the rate over all files of some recorders, to hold others against."""

    def __init__(self, recorders: Sequence[Recorder]) -> None:
        tracks = [
            (t, f.shift_ms // BIN_MS) for r in recorders for f in r.files for t in f.imprint.tracks if _is_rate(t)
        ]
        tracks = [(t, s) for t, s in tracks if t.placed and t.curve]
        self.first = min((t.first_bin + s for t, s in tracks), default=0)
        last = max((t.first_bin + s + len(t.curve) // 4 for t, s in tracks), default=0)
        self.value: F64 = np.full(max(0, min(last - self.first, 6_000_000)), np.nan, dtype=np.float32)
        for track, shift in tracks:
            at = track.first_bin + shift - self.first
            values = track.values()[: max(0, self.value.size - at)]
            place = self.value[at : at + values.size]
            self.value[at : at + values.size] = np.where(np.isnan(place), values, place)

    def cut(self, first_bin: int, n: int) -> F64:
        """Bins from ``first_bin`` on, NaN outside."""
        out = np.full(n, np.nan)
        low, high = max(0, first_bin - self.first), min(self.value.size, first_bin - self.first + n)
        if high > low:
            out[low - (first_bin - self.first) : high - (first_bin - self.first)] = self.value[low:high]
        return out

    def best_lag(
        self, track: Track, span: tuple[int, int], *, quarters: Sequence[int] = _QUARTERS
    ) -> tuple[int, Likeness] | None:
        """Whole quarters of an hour that a stretch must be moved by to follow the same heart, if only one will do."""
        values, first = _piece(track, span)
        if values.size < 16:
            return None
        seen: list[tuple[int, Likeness]] = []
        for quarter in quarters:
            tried = [likeness(values, self.cut(first + 60 * quarter + fine, values.size)) for fine in _FINE]
            seen.append((quarter, max(tried, key=lambda one: (one.n >= 16, one.correlation - one.distance))))
        good = [(q, found) for q, found in seen if found.good and 2 * found.n >= np.count_nonzero(np.isfinite(values))]
        if not good:
            return None
        good.sort(key=lambda pair: pair[1].distance - pair[1].correlation)
        if (
            len(good) > 1
            and good[1][1].correlation > good[0][1].correlation - 0.05
            and abs(good[0][0] - good[1][0]) > 1
        ):
            return None
        return good[0]


def _is_rate(track: Track) -> bool:
    return track.quantity in ("heart_rate", "rr")


def _piece(track: Track, span: tuple[int, int]) -> tuple[F64, int]:
    first = span[0] // BIN_MS
    values = track.values()
    low = max(0, first - track.first_bin)
    high = max(low, min(values.size, span[1] // BIN_MS + 1 - track.first_bin))
    return values[low:high], track.first_bin + low


def settle_clocks(reference: Sequence[Recorder], others: Sequence[Recorder]) -> list[str]:
    """Find files whose clock is off by quarters of an hour, by the course of the rate; set their ``shift_ms``.

    Only files of one occasion are moved, and only where they lie beside the reference as they are stamped and one
    shift alone makes them follow it.

    Returns
    -------
    list of str
        Sentences to show.
    """
    line = Timeline(reference)
    said: list[str] = []
    if line.value.size == 0:
        return said
    spans = [span for r in reference for f in r.files for span in runs_of(f)]
    for recorder in others:
        off: dict[int, list[str]] = {}
        for file in recorder.files:
            span = extent(file)
            if span is None or span[1] - span[0] > LONGEST_MS or file.placed is not None:
                continue
            share = sum(overlap_ms(span, s) for s in spans) / max(1, span[1] - span[0])
            rate = next((t for t in file.imprint.tracks if _is_rate(t) and t.curve), None)
            if rate is None:
                continue
            if share > 0.5:
                here = line.best_lag(rate, span, quarters=(0,))
                if here is not None:
                    continue
            found = line.best_lag(rate, span)
            if found is not None and found[0] != 0:
                file.shift_ms = found[0] * 900_000
                off.setdefault(found[0], []).append(file.name)
        said += [_said(recorder.name, quarter, names) for quarter, names in off.items()]
    return said


def _said(name: str, quarter: int, names: list[str]) -> str:
    hours = abs(quarter) / 4
    which = names[0] if len(names) == 1 else f"{len(names)} files, the first {names[0]}"
    way = "early" if quarter > 0 else "late"
    size = f"{hours:g} hour{'' if hours == 1 else 's'}"
    return f"{name}: its clock reads {size} {way} in {which}, going by the course of the rate; placed by that"
