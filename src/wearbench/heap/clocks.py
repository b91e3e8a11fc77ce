"""Clocks that are off by quarters of an hour, found by the course of the rate; proposals, nothing is changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.heap.files import HeapFile
from wearbench.heap.imprint import BIN_MS, Track
from wearbench.heap.likeness import Likeness, beats_lag_ms, likeness, overlap_ms, same_beats, track_likeness
from wearbench.heap.occasions import LONGEST_MS, SHORTEST_MS, Occasion, extent, runs_of
from wearbench.heap.recorders import Recorder

__all__ = [
    "Off",
    "Timeline",
    "clock_sentences",
    "fit_by_ends",
    "follow_neighbours",
    "settle_clocks",
    "settle_copies",
    "unlike_hearts",
]

F64 = NDArray[np.float64]

QUARTER_MS: Final = 900_000
_QUARTERS: Final = tuple(sorted(range(-56, 57), key=abs))
_FINE: Final = tuple(range(-8, 9))
_MARGIN: Final = 0.2
_GAIN: Final = 0.1
"""A clock is moved only for so much more correlation than as stamped."""
_SUPPORT_MS: Final = 5 * 86_400_000
_MOSTLY: Final = 0.75
_ENDS_MS: Final = 180_000
_NEAR_MS: Final = 3 * 86_400_000
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True, slots=True)
class Off:
    """Stretches of a device whose clock is off by quarters of an hour: files, and where on their own clock."""

    device: str
    quarter: int
    seen: list[tuple[HeapFile, int]]

    @property
    def shift_ms(self) -> int:
        """What must be added to the stamps."""
        return self.quarter * QUARTER_MS


class Timeline:
    """The course of the rate over all files of some recorders, to hold others against."""

    def __init__(self, recorders: Sequence[Recorder]) -> None:
        tracks = [
            (t, f.shift_at(t.start_ms or 0) // BIN_MS)
            for r in recorders
            for f in r.files
            for t in f.imprint.tracks
            if _is_rate(t) and t.placed and t.curve
        ]
        self.first = min((t.first_bin + s for t, s in tracks), default=0)
        last = max((t.first_bin + s + len(t.curve) // 4 for t, s in tracks), default=0)
        self.value: F64 = np.full(max(0, min(last - self.first, 6_000_000)), np.nan)
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

    def close_at(self, track: Track, span: tuple[int, int], shift_ms: int) -> float:
        """Share of a track within 6 % of this course in a span, once moved by a shift and up to two minutes more.

        0 where less than half of the span, or fewer than eight bins, are in both.
        """
        if not _is_rate(track) or not track.curve:
            return 0.0
        values, first = _piece(track, (span[0] - shift_ms, span[1] - shift_ms))
        here = [likeness(values, self.cut(first + round(shift_ms / BIN_MS) + fine, values.size)) for fine in _FINE]
        held = int(np.count_nonzero(np.isfinite(values)))
        return max((one.close for one in here if one.n >= max(8, held // 2)), default=0.0)

    def best_quarter(
        self, track: Track, span: tuple[int, int], *, quarters: Sequence[int] = _QUARTERS
    ) -> tuple[int, Likeness] | None:
        """Quarters of an hour that a stretch must be moved by to follow the same heart, if only one will do."""
        values, first = _piece(track, span)
        held = int(np.count_nonzero(np.isfinite(values)))
        if held < 8:
            return None
        seen: list[tuple[int, Likeness]] = []
        for quarter in quarters:
            if np.isnan(self.cut(first + 60 * quarter + _FINE[0], values.size + 16)).all():
                continue
            tried = [likeness(values, self.cut(first + 60 * quarter + fine, values.size)) for fine in _FINE]
            seen.append((quarter, max(tried, key=lambda one: (2 * one.n >= held, one.score))))
        seen = [(quarter, one) for quarter, one in seen if 2 * one.n >= held]
        good = sorted((pair for pair in seen if pair[1].good), key=lambda pair: -pair[1].score)
        if good:
            best = good[0][1]
            stamped = next((one for q, one in seen if q == 0), None)
            if good[0][0] != 0 and stamped is not None and stamped.correlation > best.correlation - _GAIN:
                return None  # hardly worse as stamped: no reason to think the clock off
            near = [one for q, one in good[1:] if abs(q - good[0][0]) > 1 and (one.sure or not best.sure)]
            return None if near and near[0].correlation > best.correlation - 0.05 else good[0]
        close = sorted((pair for pair in seen if pair[1].mostly_close), key=lambda pair: -pair[1].close)
        if not close:
            return None
        rivals = [one.close for q, one in seen if abs(q - close[0][0]) > 1]
        return None if max(rivals, default=0.0) > close[0][1].close - _MARGIN else close[0]


def _is_rate(track: Track) -> bool:
    return track.quantity in ("heart_rate", "rr")


def _piece(track: Track, span: tuple[int, int]) -> tuple[F64, int]:
    first = span[0] // BIN_MS
    values = track.values()
    low = max(0, first - track.first_bin)
    high = max(low, min(values.size, span[1] // BIN_MS + 1 - track.first_bin))
    return values[low:high], track.first_bin + low


def settle_clocks(reference: Sequence[Recorder], others: Sequence[Recorder]) -> list[Off]:
    """Find stretches whose clock is off by quarters of an hour, by the course of the rate; set ``shifts``.

    A stretch is moved only where it does not follow the reference as it is stamped, and one shift alone makes it.
    Training by one plan looks much alike on two days, so it must follow closely, or another stretch of the device must
    need the same shift; a file that only comes near is left in doubt.

    Parameters
    ----------
    reference, others : sequences of Recorder

    Returns
    -------
    list of Off
        What was moved, for :func:`clock_sentences`.
    """
    line = Timeline(reference)
    found_off: list[Off] = []
    if line.value.size == 0:
        return found_off
    spans = [span for r in reference for f in r.files for span in runs_of(f)]
    for recorder in others:
        off: dict[int, list[tuple[HeapFile, int]]] = {}
        loose = [file for file in recorder.files if file.placed is None or file.session is None]
        found = [(file, *one) for file in loose for one in _quarters_of(file, line, spans)]
        for file, span, quarter, like in found:
            seen = [other for _, other, theirs, _ in found if theirs == quarter]
            if quarter == 0 or like.sure or _supported(span, seen):
                file.shifts.append(((span[0] + span[1]) // 2, quarter * QUARTER_MS))
                if quarter != 0:
                    off.setdefault(quarter, []).append((file, span[0]))
            elif file.placed is None and (file.imprint.end_ms or 0) - (file.imprint.start_ms or 0) <= LONGEST_MS:
                file.doubt = file.doubt or "clock"
        found_off += [Off(device=recorder.name, quarter=quarter, seen=seen) for quarter, seen in off.items()]
    return found_off


def settle_copies(devices: Sequence[Recorder]) -> None:
    """Bring copies of one list of beats onto one clock, where their stamps lie whole quarters of an hour apart.

    Stamps that carry an offset go before local ones; among equals the clock that most files share.
    """
    for device in devices:
        files = [f for f in device.files if any(t.beats and t.placed for t in f.imprint.tracks)]
        files.sort(key=lambda f: (f.placed is None, f.imprint.local, f.imprint.start_ms or 0))
        firm: list[tuple[HeapFile, Track]] = []
        for file in files:
            track = next(t for t in file.imprint.tracks if t.beats and t.placed)
            start = track.start_ms or 0
            for other, theirs in firm:
                apart = (theirs.start_ms or 0) - start
                if QUARTER_MS // 2 < abs(apart) < 15 * 3_600_000 and same_beats(theirs, track) >= 0.5:
                    lag = beats_lag_ms(theirs, track)
                    quarter = 0 if lag is None else round((lag + other.shift_at(theirs.start_ms or 0)) / QUARTER_MS)
                    if quarter != 0:
                        file.shifts.append((start, quarter * QUARTER_MS))
                    break
            firm.append((file, track))


def _supported(span: tuple[int, int], seen: list[tuple[int, int]]) -> bool:
    """Whether another stretch of those days, not the same one in another export, needs the same shift."""
    return any(overlap_ms(span, other) == 0 and abs(other[0] - span[0]) < _SUPPORT_MS for other in seen)


def _quarters_of(
    file: HeapFile, line: Timeline, spans: list[tuple[int, int]]
) -> list[tuple[tuple[int, int], int, Likeness]]:
    rate = next((t for t in file.imprint.tracks if _is_rate(t) and t.curve and t.placed), None)
    if rate is None or rate.start_ms is None or rate.end_ms is None:
        return []
    quick = [(s.start_ms, s.end_ms) for s in rate.stretches if s.fast]
    if not quick and rate.end_ms - rate.start_ms <= LONGEST_MS:
        quick = [(rate.start_ms, rate.end_ms)]
    out: list[tuple[tuple[int, int], int, Likeness]] = []
    for span in quick:
        length = span[1] - span[0]
        if not SHORTEST_MS <= length <= LONGEST_MS:
            continue
        here = None
        if sum(overlap_ms(span, s) for s in spans) > 0.5 * length:
            here = line.best_quarter(rate, span, quarters=(0,))
        found = here or line.best_quarter(rate, span)
        if found is not None:
            out.append((span, *found))
    return out


def follow_neighbours(devices: Sequence[Recorder], occasions: Sequence[Occasion], *, zone_known: bool) -> list[str]:
    """Move files of local time that have no rate to go by as the others of that time were moved.

    Only where that puts a file into an occasion and its own stamps do not; without a known zone the others go first.

    Returns
    -------
    list of str
        Sentences to show.
    """
    said: list[str] = []
    seen = sorted(
        place for d in devices for f in d.files if f.imprint.local and f.found_ms is None for place in f.shifts
    )
    for device, file in ((d, f) for d in devices for f in d.files if seen):
        span = extent(file)
        if span is None or file.shifts or file.placed is not None or not file.imprint.local:
            continue
        near = sorted((abs(at - span[0]), shift) for at, shift in seen if abs(at - span[0]) < _NEAR_MS)
        shifts = list(dict.fromkeys(shift for _, shift in near))
        for shift in [0, *shifts[:3]] if zone_known else [*shifts[:3], 0]:
            moved = (span[0] + shift, span[1] + shift)
            if any(overlap_ms(moved, o.span) >= 0.6 * (span[1] - span[0]) for o in occasions):
                if shift != 0:
                    file.shifts.append((span[0], shift))
                    file.guessed = True
                    said.append(f"{device.name}: {file.name} is placed as if its clock read what others read then")
                break
    return said


def unlike_hearts(devices: Sequence[Recorder]) -> list[tuple[HeapFile, HeapFile]]:
    """Pairs of lists of beats recorded at one time that cannot be of one heart.

    Parameters
    ----------
    devices : sequence of Recorder

    Returns
    -------
    list of pairs of HeapFile
        The file of the device named first comes first.
    """
    held = [
        (number, file, track, span)
        for number, device in enumerate(devices)
        for file in device.files
        for track in file.imprint.tracks
        if track.beats and track.placed and (span := extent(file)) is not None
    ]
    held.sort(key=lambda one: one[3])
    found: list[tuple[HeapFile, HeapFile]] = []
    for place, (number, file, track, span) in enumerate(held):
        for other_number, other, theirs, their_span in held[place + 1 :]:
            if their_span[0] > span[1]:
                break
            if other_number == number or (file.placed is not None and other.placed is not None):
                continue
            apart = (other.shift_at(theirs.start_ms or 0) - file.shift_at(track.start_ms or 0)) // BIN_MS
            like = track_likeness(track, theirs, lag_bins=apart)
            if like.n >= 40 and like.correlation < 0.5 and like.distance > 0.06:
                found.append((file, other) if number < other_number else (other, file))
    return found


def fit_by_ends(devices: Sequence[Recorder], occasions: Sequence[Occasion], *, tested: Sequence[str]) -> list[str]:
    """Look at files that lie in no occasion with the reference, yet begin and end as one does, quarters of an hour off.

    What only explains (a pod) is placed there and said. A tested device could as well have been worn alone, so its
    file is left out until someone says which it was.

    Returns
    -------
    list of str
        Sentences to show.
    """
    trusted = [o for o in occasions if o.reference_ms is not None]
    said: list[str] = []
    for device in devices:
        for file in device.files:
            span = extent(file)
            if span is None or file.placed is not None or file.session is not None or file.doubt is not None:
                continue
            if span[1] - span[0] > LONGEST_MS or any(overlap_ms(span, o.span) for o in trusted):
                continue
            homes = [(o, q) for o in trusted if (q := _quarter_by_ends(span, o)) and not _recorded(device, o)]
            if not homes:
                continue
            if device.name in tested:
                file.doubt = "clock"
            elif len(homes) == 1:
                quarter = homes[0][1]
                file.shifts.append((span[0], file.shift_at(span[0]) + quarter * QUARTER_MS))
                file.guessed = True
                hours, way = abs(quarter) / 4, "early" if quarter > 0 else "late"
                said.append(
                    f"{device.name}: {file.name} is placed by when it begins and ends, as if its clock read "
                    f"{hours:g} hour{'' if hours == 1 else 's'} {way}"
                )
    return said


def _quarter_by_ends(span: tuple[int, int], occasion: Occasion) -> int:
    """Quarters of an hour that bring both ends of a span to those of an occasion; 0 if none do."""
    quarter = round((occasion.start_ms - span[0]) / QUARTER_MS)
    ends = (span[0] + quarter * QUARTER_MS - occasion.start_ms, span[1] + quarter * QUARTER_MS - occasion.end_ms)
    return quarter if abs(quarter) <= 56 and max(map(abs, ends)) <= _ENDS_MS else 0


def _recorded(device: Recorder, occasion: Occasion) -> bool:
    return any(overlap_ms(run, occasion.span) for file in device.files for run in runs_of(file))


def clock_sentences(found: Sequence[Off], zone: tzinfo | None, at: Callable[[int], tzinfo | None]) -> list[str]:
    """Say which clocks are off.

    Parameters
    ----------
    found : sequence of Off
    zone : tzinfo or None
        Of the study.
    at : callable
        The zone where the person was at an instant in ms, for the guess that local time was stored as UTC.

    Returns
    -------
    list of str
    """
    said: list[str] = []
    for one in found:
        quarter, seen = one.quarter, one.seen
        files = list(dict.fromkeys(file.name for file, _ in seen))
        which = files[0] if len(files) == 1 else f"{len(files)} files, the first {files[0]}"
        if len(seen) > len(files):
            which += f" ({len(seen)} stretches, the first on {_moment(seen[0][1])})"
        hours = abs(quarter) / 4
        size = f"{hours:g} hour{'' if hours == 1 else 's'}"
        if all(file.imprint.local for file, _ in seen) and zone is None:
            sign = "+" if quarter <= 0 else "-"
            offset = f"{sign}{int(hours):02d}:{round(60 * (hours % 1)):02d}"
            said.append(f"{one.device}: the stamps of {which} fit {offset}, going by the course of the rate")
            continue
        guess = ""
        if not any(file.imprint.local for file, _ in seen) and zone is not None and quarter < 0:
            true = [stamp + one.shift_ms for _, stamp in seen]
            offsets = [(_EPOCH + timedelta(milliseconds=ms)).astimezone(at(ms) or zone).utcoffset() for ms in true]
            if offsets.count(timedelta(hours=hours)) >= _MOSTLY * len(offsets):
                guess = ": local time stored as UTC?"
        way = "early" if quarter > 0 else "late"
        said.append(
            f"{one.device}: its clock reads {size} {way} in {which}, going by the course of the rate; "
            f"placed by that{guess}"
        )
    return said


def _moment(ms: int) -> str:
    return (_EPOCH + timedelta(milliseconds=ms)).strftime("%Y-%m-%d %H:%M")
