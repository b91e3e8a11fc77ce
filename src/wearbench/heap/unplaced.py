"""Recordings without a date, placed by the course of the rate where only one occasion will do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from wearbench.heap.clocks import Timeline
from wearbench.heap.imprint import BIN_MS, Track
from wearbench.heap.likeness import Likeness, likeness, same_beats
from wearbench.heap.occasions import Occasion
from wearbench.heap.recorders import Recorder

__all__ = ["place_by_course"]

_EDGE_MS: Final = 1_800_000
_MARGIN: Final = 0.1


def place_by_course(devices: Sequence[Recorder], occasions: Sequence[Occasion]) -> None:
    """Give files without a date to the occasion whose rate took the same course; the others stay in doubt.

    Parameters
    ----------
    devices, occasions : sequences
        ``found_ms`` is set on files that could be placed.
    """
    files = [f for d in devices for f in d.files]
    lost = [f for f in files if f.imprint.start_ms is None and f.session is None and f.doubt is None]
    if not lost:
        return
    dated = [f for f in files if f.imprint.start_ms is not None]
    line = Timeline(devices)
    for file in lost:
        track = next((t for t in file.imprint.tracks if t.quantity in ("rr", "heart_rate") and t.curve), None)
        if track is None:
            continue
        twin = next(
            (
                f.imprint.start_ms + f.shift_at(f.imprint.start_ms)
                for f in dated
                if f.imprint.start_ms is not None
                and track.beats
                and any(t.beats and same_beats(track, t) >= 0.5 for t in f.imprint.tracks)
            ),
            None,
        )
        start = twin if twin is not None else _start(track, line, occasions)
        if start is not None:
            file.found_ms = start
            file.notes.append(
                "placed by the course of the rate; it has no date" if twin is None else "placed by its beats"
            )


def _start(track: Track, line: Timeline, occasions: Sequence[Occasion]) -> int | None:
    """Where it fits, if it fits one occasion well and no other nearly as well."""
    values = track.values()
    if values.size < 16:
        return None
    best: list[tuple[float, int]] = []
    for occasion in occasions:
        first = (occasion.start_ms - _EDGE_MS) // BIN_MS
        last = (occasion.end_ms + _EDGE_MS) // BIN_MS - values.size
        if last < first:
            last = first + 2 * _EDGE_MS // BIN_MS
        found: tuple[float, int] | None = None
        for at in range(first, last + 1):
            here: Likeness = likeness(values, line.cut(at, values.size))
            if here.good and here.sure and 3 * here.n >= 2 * np.count_nonzero(np.isfinite(values)):
                score = here.correlation - here.distance
                found = max(found, (score, at)) if found is not None else (score, at)
        if found is not None:
            best.append(found)
    best.sort(reverse=True)
    if not best or (len(best) > 1 and best[1][0] > best[0][0] - _MARGIN):
        return None
    return best[0][1] * BIN_MS
