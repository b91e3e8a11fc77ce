"""From stamps as written to UTC: dates for times of day, zones for local stamps, starts for elapsed times."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.numbers import cells_of
from wearbench.formats.recording import ReadContext, Repair
from wearbench.formats.stamps import CLOCK, DATE, NAIVE, parse_stamps
from wearbench.formats.stamps import UTC as WITH_OFFSET
from wearbench.formats.zones import local_ms, offset_span_ms, to_utc

__all__ = ["Settled", "instant_ms", "no_zone", "settle", "wall_span", "written"]

I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]

_DAY_MS = 86_400_000
_HOUR_MS = 3_600_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Settled:
    """UTC milliseconds, shape (n,), or milliseconds from the file's own start when ``start_known`` is False."""

    time_ms: I64
    start_known: bool
    repairs: tuple[Repair, ...]


def written(ms: int) -> str:
    """Milliseconds since 1970 as text, to the second."""
    return (datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=ms)).strftime("%Y-%m-%dT%H:%M:%S")


def often(count: int) -> str:
    """Once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def no_zone(context: ReadContext, *, line: int | None, value: str) -> FormatError:
    """Error for a stamp without an offset where no time zone is known."""
    return FormatError(
        "expected stamps with an offset or a known time zone, got stamps without an offset and no time zone; "
        "say which clock they are on with timezone in study.toml (of the study, the device or the session)",
        slug="no-zone",
        file=context.shown,
        line=line,
        value=value,
    )


def instant_ms(text: str, context: ReadContext) -> int | None:
    """One written instant in UTC milliseconds; None if it is not an instant. Local ones need the context's zone."""
    stamps = parse_stamps(cells_of([text]))
    if stamps.state[0] == WITH_OFFSET:
        return int(stamps.ms[0])
    if stamps.state[0] not in (NAIVE, DATE):
        return None
    if context.zone is None:
        raise no_zone(context, line=None, value=text)
    return int(to_utc(stamps.ms, zone=context.zone).utc_ms[0])


def wall_span(context: ReadContext) -> tuple[int, int] | None:
    """Span of local stamps that may belong to what is to be kept, generous by the changes of the zone."""
    if context.keep_ms is None or context.zone is None:
        return None
    low, high = offset_span_ms(context.keep_ms[0], context.keep_ms[1], zone=context.zone)
    return context.keep_ms[0] + low, context.keep_ms[1] + high


def settle(ms: I64, state: U8, *, source_row: I64, context: ReadContext, word: str = "line") -> Settled:
    """Turn parsed stamps, in the order recorded, into UTC.

    Parameters
    ----------
    ms, state : arrays, shape (n,)
        As :func:`wearbench.formats.stamps.parse_stamps` gives them, without BAD rows.
    source_row : int64 array, shape (n,)
    context : ReadContext
    word : str
        What a row is called in messages.

    Returns
    -------
    Settled

    Raises
    ------
    FormatError
        If local stamps have no zone, or all lie in a repeated hour that nothing settles.
    """
    repairs: list[Repair] = []
    clock = state == CLOCK
    if clock.all() and ms.size:
        return _settle_clock(ms, source_row=source_row, context=context, word=word)
    local = (state == NAIVE) | (state == DATE)
    if (state == NAIVE).all() and ms.size:
        ms, slips = _without_half_days(ms)
        repairs.extend(_slips_said(slips, source_row, context, word))
    if not local.any():
        return Settled(time_ms=ms, start_known=True, repairs=())
    where = int(np.argmax(local))
    if context.zone is None:
        raise no_zone(context, line=int(source_row[where]), value=written(int(ms[where])))
    found = to_utc(ms[local], zone=context.zone, near_ms=context.start_ms)
    rows = source_row[local]
    if found.undecided is not None:
        stamp = int(ms[local][found.undecided])
        utc = int(found.utc_ms[found.undecided])
        raise FormatError(
            f"expected stamps that name one instant, got {written(stamp)}, which the clocks of {context.zone} showed "
            f"twice ({written(utc)}Z and {written(utc + _HOUR_MS)}Z) and no row outside that hour; give the session's "
            "start in sessions.csv, or stamps with an offset",
            slug="repeated-hour",
            file=context.shown,
            line=int(rows[found.undecided]),
            value=written(stamp),
        )
    time_ms = ms.copy()
    time_ms[local] = found.utc_ms
    for slug, count, text in (
        (
            "repeated-hour",
            found.n_repeated,
            "fall into an hour that the clocks showed twice; told apart by their order",
        ),
        (
            "missing-hour",
            found.n_missing,
            "fall into an hour that the clocks left out; read as if they had not changed",
        ),
    ):
        if count:
            repairs.append(
                Repair(slug=slug, said=f"{count} of {ms.size} stamps {text}", file=context.shown, count=count)
            )
    return Settled(time_ms=time_ms, start_known=True, repairs=tuple(repairs))


def _without_half_days(ms: I64, *, dated: bool = True) -> tuple[I64, NDArray[np.intp]]:
    """Local stamps of a 12-hour clock that does not say AM or PM, as a clock of 24 hours.

    Such a clock shows hours 1 to 12 only and starts again at noon. Returns the stamps and the rows at which it goes
    from 12 to 1; there are none where nothing says that the clock is one of 12 hours.
    """
    hour = ms // _HOUR_MS % 24
    none = np.empty(0, dtype=np.intp)
    if int(hour.min()) < 1 or int(hour.max()) > 12:
        return ms, none
    short = ms - np.where(hour == 12, _DAY_MS // 2, 0)
    step = np.diff(short)
    noon = np.abs(step + _DAY_MS // 2) < _HOUR_MS // 3
    if not dated:
        if not noon.any():
            return ms, none
        halves = np.append(0, np.cumsum(noon))
        return (short + halves * (_DAY_MS // 2)) % _DAY_MS, np.flatnonzero(np.diff(ms) < -_DAY_MS // 3) + 1
    night = (np.abs(step - _DAY_MS // 2) < _HOUR_MS // 3) & (np.diff(ms // _DAY_MS) == 1)
    halves = np.append(0, np.cumsum(noon.astype(np.int64) - night))
    halves -= halves.min()
    restarts = np.flatnonzero(np.abs(np.diff(ms) + _DAY_MS // 2) < _HOUR_MS // 3) + 1
    if not restarts.size or int(halves.max()) > 1:
        return ms, none
    return short + halves * (_DAY_MS // 2), restarts


def _slips_said(slips: NDArray[np.intp], source_row: I64, context: ReadContext, word: str) -> list[Repair]:
    if slips.size == 0:
        return []
    line = int(source_row[slips[0]])
    return [
        Repair(
            slug="twelve-hour-clock",
            said=f"the hours run from 1 to 12 and start again {often(slips.size)} without AM or PM, first at {word} "
            f"{line}; read as a 12-hour clock",
            file=context.shown,
            line=line,
            count=int(slips.size),
        )
    ]


def _settle_clock(ms: I64, *, source_row: I64, context: ReadContext, word: str) -> Settled:
    """Times of day: each step back by more than half a day is a midnight."""
    ms, slips = _without_half_days(ms, dated=False)
    repairs = _slips_said(slips, source_row, context, word)
    step = np.diff(ms)
    over = np.flatnonzero(step < -_DAY_MS // 2)
    day = np.zeros(ms.size, dtype=np.int64)
    day[over + 1] = 1
    undone = np.flatnonzero(step > _DAY_MS - _HOUR_MS)
    day[undone + 1] -= 1
    wall = ms + np.maximum(np.cumsum(day), 0) * _DAY_MS
    if over.size:
        line = int(source_row[over[0] + 1])
        repairs.append(
            Repair(
                slug="midnight",
                said=f"the time of day starts again {often(over.size)}, first at {word} {line}; read as the next day",
                file=context.shown,
                line=line,
                count=int(over.size),
            )
        )
    if context.start_ms is None or context.zone is None:
        repairs.append(
            Repair(
                slug="no-date",
                said=f"{ms.size} of {ms.size} stamps are times of day without a date; placed by the clock search "
                "unless sessions.csv gives the session's start",
                file=context.shown,
                count=int(ms.size),
            )
        )
        return Settled(time_ms=wall, start_known=False, repairs=tuple(repairs))
    start = local_ms(context.start_ms, zone=context.zone)
    period = _DAY_MS // 2 if slips.size else _DAY_MS
    date = round((start - int(wall[0])) / period) * period
    found = to_utc(wall + date, zone=context.zone, near_ms=context.start_ms)
    repairs.append(
        Repair(
            slug="date-from-session",
            said=f"{ms.size} of {ms.size} stamps are times of day without a date; the first is taken as "
            f"{written(int(wall[0]) + date)}, nearest to the session's start",
            file=context.shown,
            count=int(ms.size),
        )
    )
    return Settled(time_ms=found.utc_ms, start_known=True, repairs=tuple(repairs))
