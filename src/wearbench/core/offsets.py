"""What a clock offset looks like: a zone, a summer hour, half a day, a day, another epoch; in words, as a question."""

from __future__ import annotations

import math
from typing import Final

__all__ = ["QUARTER_S", "explain_offset", "nearest_quarter", "offset_words", "utc_words"]

QUARTER_S: Final = 900
"""Zones lie a whole number of quarter hours from UTC (+05:45 is one of them)."""

_NEAR_S: Final = 90.0
_WEST_S: Final = -12 * 3600
_EAST_S: Final = 14 * 3600
_DAY_S: Final = 86_400
_EPOCHS: Final = {
    "1900-01-01": -2_208_988_800,
    "1904-01-01": -2_082_844_800,
    "1970-01-01": 0,
    "1980-01-06": 315_964_800,
    "1989-12-31": 631_065_600,
    "2000-01-01": 946_684_800,
    "2001-01-01": 978_307_200,
}


def offset_words(seconds: float) -> str:
    """Put the size of an offset in words: ``48 s``, ``5 min 3 s``, ``1 h 00 min``, ``2 d 3 h``.

    Parameters
    ----------
    seconds : float
        Of either sign.

    Returns
    -------
    str
    """
    whole = round(abs(seconds))
    if whole < 60:
        return f"{abs(seconds):.1f} s" if whole < 10 else f"{whole} s"
    if whole < 600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    if whole < 2 * _DAY_S:
        hours, minutes = divmod(round(whole / 60), 60)
        if hours == 0:
            return f"{minutes} min"
        return f"{hours} h {minutes:02d} min"
    days, hours = divmod(round(whole / 3600), 24)
    return f"{days:,} d {hours} h" if hours else f"{days:,} d"


def utc_words(zone_offset_s: float) -> str:
    """Name a zone by its offset: ``UTC+05:45``.

    Parameters
    ----------
    zone_offset_s : float
        East of Greenwich above 0.

    Returns
    -------
    str
    """
    hours, minutes = divmod(round(abs(zone_offset_s) / 60), 60)
    return f"UTC{'-' if zone_offset_s < 0 else '+'}{hours:02d}:{minutes:02d}"


def nearest_quarter(offset_s: float, *, near_s: float = _NEAR_S) -> int | None:
    """Find the whole number of quarter hours that an offset is close to.

    Parameters
    ----------
    offset_s : float
    near_s : float
        How close.

    Returns
    -------
    int or None
        Seconds; None where there is none, or where it is 0.
    """
    whole = QUARTER_S * round(offset_s / QUARTER_S)
    return whole if whole and abs(offset_s - whole) <= near_s else None


def explain_offset(offset_s: float, *, zone_offset_s: float, near_s: float = _NEAR_S) -> str | None:
    """Say what a fitted clock offset looks like.

    Parameters
    ----------
    offset_s : float
        What has to be added to the device's stamps: above 0 the device is behind. It may include a delay of up to a
        minute, which is why ``near_s`` is not smaller.
    zone_offset_s : float
        Offset from UTC of the zone the stamps were read in, at that time.
    near_s : float
        How far from the exact figure still counts.

    Returns
    -------
    str or None
        A sentence without its subject ("its clock is 1 h 00 min ahead: local time stored as UTC?"), always a
        question; None for an offset that is like nothing in particular.

    Notes
    -----
    Stamps that are the local time but are read as UTC are ahead by the zone's offset; stamps that are UTC but are read
    as local time are behind by it. Epochs: seconds between 1900 (NTP), 1904, 1970 (POSIX), 6 January 1980 (GPS),
    31 December 1989 (FIT), 2000 and 2001; an epoch mixed up may come with a zone mixed up.
    """
    if not math.isfinite(offset_s) or abs(offset_s) <= near_s:
        return None
    side = "behind" if offset_s > 0 else "ahead"
    start = f"its clock is {offset_words(offset_s)} {side}"

    def near(figure: float) -> bool:
        return figure != 0 and abs(offset_s - figure) <= near_s

    if near(-zone_offset_s):
        return f"{start}, which is the zone's own offset ({utc_words(zone_offset_s)}): local time stored as UTC?"
    if near(zone_offset_s):
        return f"{start}, which is the zone's own offset ({utc_words(zone_offset_s)}): UTC read as local time?"
    if near(3600.0) or near(-3600.0):
        return f"{start}: summer time {'missed' if offset_s > 0 else 'kept too long'}, or a neighbouring zone?"
    if near(43_200.0) or near(-43_200.0):
        return f"{start}: morning and afternoon mixed up?"
    days = round(offset_s / _DAY_S)
    if days and abs(days) <= 366 and near(days * _DAY_S):
        return f"{start}: the date is {abs(days)} day{'' if abs(days) == 1 else 's'} {'early' if days > 0 else 'late'}?"
    whole = nearest_quarter(offset_s, near_s=near_s)
    written = zone_offset_s - (whole or 0)
    if whole is not None and _WEST_S <= written <= _EAST_S:
        return f"{start}: stamps of another zone ({utc_words(written)} instead of {utc_words(zone_offset_s)})?"
    return _epoch_words(offset_s, start)


def _epoch_words(offset_s: float, start: str) -> str | None:
    """Whether an offset is the time between two epochs, give or take a zone."""
    for ours, ours_s in _EPOCHS.items():
        for theirs, theirs_s in _EPOCHS.items():
            if ours != theirs and abs(offset_s - (theirs_s - ours_s)) <= _EAST_S + _NEAR_S:
                return f"{start}: seconds since {theirs} read as since {ours}?"
    return None
