"""Laps as recorders write them, put in order: each with an end, none over another, none without length."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from heapq import heapify, heappop, heappush
from itertools import pairwise
from typing import Final

from wearbench.formats.recording import Lap, ReadContext, Repair

__all__ = ["RawLap", "settle_laps"]

LONGEST_MS: Final = 31 * 86_400_000
"""A lap said to be longer than a month has no length that can be believed."""
ROUNDING_MS: Final = 1000
"""Starts are often cut to whole seconds while lengths are not; an overlap up to this is no fault of the file."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RawLap:
    """A lap as the file has it; ``last_ms`` is its own last reading, which pauses put after its stated end."""

    number: int
    start_ms: int | None
    end_ms: int | None
    last_ms: int | None = None
    label: str | None = None
    activity: str | None = None
    intensity: str | None = None
    trigger: str | None = None


def settle_laps(
    raw: Iterable[RawLap], *, last_ms: int | None, context: ReadContext, start_known: bool = True
) -> tuple[tuple[Lap, ...], list[Repair]]:
    """Put laps in order and mend what the file leaves out.

    Parameters
    ----------
    raw : iterable of RawLap
        In the order of the file.
    last_ms : int or None
        The file's last reading: where a last lap without an end ends.
    context : ReadContext
    start_known : bool

    Returns
    -------
    laps : tuple of Lap
        In order of time, without overlap; those outside ``context.keep_ms`` left out.
    repairs : list of Repair

    Notes
    -----
    A lap without a start begins where the one before it in the file ends. A lap without an end lasts to the next
    start, the last one to the last reading. Of two that overlap the later start counts; with the same start the shorter
    goes first. A lap without length is left out.
    """
    given = list(raw)
    repairs: list[Repair] = []
    started = _with_starts(given, context, repairs)
    if any(a.start_ms > b.start_ms for a, b in pairwise(started)):
        repairs.append(_said("lap-order", f"{len(started)} laps stand out of order; sorted by start", context))
        started.sort(key=lambda lap: lap.start_ms)
    ended = _with_ends(started, last_ms, context, repairs)
    found = _apart(_with_pauses(ended, context, repairs), context, repairs)
    if context.keep_ms is not None and start_known:
        low, high = context.keep_ms
        found = [lap for lap in found if lap.end_ms > low and lap.start_ms < high]
    return tuple(replace(lap, start_known=start_known) for lap in found), repairs


@dataclass(frozen=True, kw_only=True, slots=True)
class _Started:
    start_ms: int
    raw: RawLap


@dataclass(frozen=True, kw_only=True, slots=True)
class _Ended:
    lap: Lap
    last_ms: int | None


def _with_starts(given: list[RawLap], context: ReadContext, repairs: list[Repair]) -> list[_Started]:
    started: list[_Started] = []
    borrowed: list[int] = []
    lost: list[int] = []
    before: int | None = None
    for raw in given:
        start = raw.start_ms
        if start is None and before is not None and (raw.end_ms is None or raw.end_ms > before):
            start = before
            borrowed.append(raw.number)
        if start is None:
            lost.append(raw.number)
            continue
        started.append(_Started(start_ms=start, raw=raw))
        before = raw.end_ms
    for numbers, what in ((borrowed, "begun at the end of the one before"), (lost, "left out")):
        if numbers:
            said = f"{_which(numbers)} of {len(given)} {_has(numbers)} no start that can be read; {what}"
            repairs.append(_said("lap-no-start", said, context, count=len(numbers)))
    return started


def _with_ends(
    started: list[_Started], last_ms: int | None, context: ReadContext, repairs: list[Repair]
) -> list[_Ended]:
    ended: list[_Ended] = []
    mended: list[int] = []
    lost: list[int] = []
    for place, one in enumerate(started):
        raw, end = one.raw, one.raw.end_ms
        if end is None or end - one.start_ms > LONGEST_MS:
            following = next((s.start_ms for s in started[place + 1 :] if s.start_ms > one.start_ms), None)
            end = following if following is not None else max(last_ms or one.start_ms, raw.last_ms or one.start_ms)
            (mended if end > one.start_ms else lost).append(raw.number)
            if end <= one.start_ms:
                continue
        lap = Lap(
            start_ms=one.start_ms,
            end_ms=end,
            number=raw.number,
            label=raw.label,
            activity=raw.activity,
            intensity=raw.intensity,
            trigger=raw.trigger,
        )
        ended.append(_Ended(lap=lap, last_ms=raw.last_ms))
    for numbers, what in ((mended, "ended at the next start, or with the last reading"), (lost, "left out")):
        if numbers:
            said = f"{_which(numbers)} of {len(started)} {_has(numbers)} no length and no end to believe; {what}"
            repairs.append(_said("lap-no-end", said, context, count=len(numbers)))
    return ended


def _with_pauses(ended: list[_Ended], context: ReadContext, repairs: list[Repair]) -> list[Lap]:
    laps: list[Lap] = []
    by_ms: list[int] = []
    for one in ended:
        last_ms = one.lap.end_ms if one.last_ms is None or one.last_ms <= one.lap.start_ms else one.last_ms
        over = last_ms - one.lap.end_ms
        if over > ROUNDING_MS:
            by_ms.append(over)
        laps.append(replace(one.lap, end_ms=one.lap.end_ms + over) if over > ROUNDING_MS else one.lap)
    if by_ms:
        said = (
            f"{len(by_ms)} of {len(laps)} laps have readings after their stated length, by up to "
            f"{max(by_ms) / 1000:.0f} s, as when pauses are not counted; ended with their last reading"
        )
        repairs.append(_said("lap-paused", said, context, count=len(by_ms)))
    return laps


def _apart(laps: list[Lap], context: ReadContext, repairs: list[Repair]) -> list[Lap]:
    """The laps without overlap and without those of no length."""
    empty = [lap.number for lap in laps if lap.end_ms <= lap.start_ms]
    heap = [(lap.start_ms, lap.end_ms, at, lap) for at, lap in enumerate(laps) if lap.end_ms > lap.start_ms]
    heapify(heap)
    out: list[Lap] = []
    cut: list[int] = []
    worst: tuple[int, Lap, Lap] | None = None
    while heap:
        _, _, at, lap = heappop(heap)
        last = out[-1] if out else None
        if last is None or lap.start_ms >= last.end_ms:
            out.append(lap)
            continue
        shared = min(last.end_ms, lap.end_ms) - lap.start_ms
        if shared > ROUNDING_MS:
            cut.append(lap.number)
            if worst is None or shared > worst[0]:
                worst = (shared, last, lap)
        if lap.start_ms > last.start_ms:
            out[-1] = replace(last, end_ms=lap.start_ms)
            out.append(lap)
        elif lap.end_ms > last.end_ms:  # of the same start the shorter one goes first
            rest = replace(lap, start_ms=last.end_ms)
            heappush(heap, (rest.start_ms, rest.end_ms, at, rest))
    if worst is not None:
        shared, one, other = worst
        said = (
            f"{_which(cut)} of {len(laps)} {'begins' if len(cut) == 1 else 'begin'} before the one before ends, by up "
            f"to {shared / 1000:.0f} s (lap {one.number} ends at {_clock(one.end_ms)}, lap {other.number} begins at "
            f"{_clock(other.start_ms)}); each ends where the next begins"
        )
        repairs.append(_said("lap-overlap", said, context, count=len(cut)))
    if empty:
        said = f"{_which(empty)} of {len(laps)} {_has(empty)} no length; left out"
        repairs.append(_said("lap-empty", said, context, count=len(empty)))
    return out


def _which(numbers: list[int]) -> str:
    shown = ", ".join(str(n) for n in numbers[:5]) + (f" and {len(numbers) - 5} more" if len(numbers) > 5 else "")
    return f"lap{'' if len(numbers) == 1 else 's'} {shown}"


def _has(numbers: list[int]) -> str:
    return "has" if len(numbers) == 1 else "have"


def _clock(ms: int) -> str:
    return f"{datetime.fromtimestamp(ms // 1000, UTC):%Y-%m-%d %H:%M:%S}Z"


def _said(slug: str, said: str, context: ReadContext, *, count: int = 1) -> Repair:
    return Repair(slug=slug, said=said, file=context.shown, count=count)
