"""Occasions on which devices were worn together, from when the reference and the others were switched on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Final

from wearbench.heap.files import HeapFile
from wearbench.heap.imprint import Stretch
from wearbench.heap.likeness import overlap_ms
from wearbench.heap.recorders import Recorder

__all__ = ["Occasion", "extent", "find_occasions", "runs_of", "spans_more"]

PAUSE_MS: Final = 900_000
"""A reference that was off for longer than this was switched on for something else."""
BRIDGED_MS: Final = 2_700_000
"""A longer hole is still one occasion if another device recorded through it."""
LONGEST_MS: Final = 8 * 3_600_000
"""Longer runs of a tested device are all-day wear."""
SHORTEST_MS: Final = 300_000
_REACH_MS: Final = 3_600_000


@dataclass(kw_only=True, slots=True)
class Occasion:
    """One occasion; times in ms on the reference's clock where it recorded.

    ``files`` by device; ``name`` is set where the study has it already, ``known`` where sessions.csv has a row of it,
    ``zone`` where that says one.
    """

    start_ms: int
    end_ms: int
    name: str | None = None
    known: bool = False
    zone: tzinfo | None = None
    files: dict[str, list[HeapFile]] = field(default_factory=dict)
    reference_ms: tuple[int, int] | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def span(self) -> tuple[int, int]:
        """Start and end, ms."""
        return self.start_ms, self.end_ms


def moved(stretch: Stretch, file: HeapFile) -> tuple[int, int]:
    """A stretch on the clock of the others."""
    shift = file.shift_at((stretch.start_ms + stretch.end_ms) // 2)
    return stretch.start_ms + shift, stretch.end_ms + shift


def extent(file: HeapFile) -> tuple[int, int] | None:
    """First and last instant of a file on the clock of the others; None without a place on the calendar."""
    if file.found_ms is not None:
        return file.found_ms, file.found_ms + max((t.end_ms or 0) - (t.start_ms or 0) for t in file.imprint.tracks)
    start, end = file.imprint.start_ms, file.imprint.end_ms
    if start is None or end is None:
        return None
    return start + file.shift_at(start), end + file.shift_at(end)


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
    out = [replace(o, files={}, notes=[]) for o in known]
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
