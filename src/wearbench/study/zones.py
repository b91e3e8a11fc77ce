"""Time zones by name or fixed offset, and local times that happen twice or never."""

from __future__ import annotations

import re
import zoneinfo
from datetime import UTC, datetime, timedelta, timezone, tzinfo

from wearbench.errors import StudyError
from wearbench.study.problem import near, shown

__all__ = ["to_utc_ms", "zone_named"]

_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def zone_named(name: str) -> tzinfo:
    """The zone called ``name``: an IANA name (``Europe/Oslo``) or a fixed offset (``+02:00``).

    Raises
    ------
    StudyError
        With slug ``unknown-zone``, naming zones that look like it.
    """
    fixed = _OFFSET.fullmatch(name)
    if fixed is not None:
        sign, hours, minutes = fixed.groups()
        size = timedelta(hours=int(hours), minutes=int(minutes))
        if size < timedelta(hours=15) and int(minutes) < 60:
            return timezone(size if sign == "+" else -size)
    else:
        try:
            return zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            pass
    said = f'expected a time zone such as "Europe/Oslo", "UTC" or "+02:00", got {shown(name)}.{_near_zone(name)}'
    raise StudyError(said.removesuffix("."), slug="unknown-zone", value=name)


def _near_zone(name: str) -> str:
    """Zones that look like ``name``, also when only the city was given."""
    zones = zoneinfo.available_timezones()
    city = name.rsplit("/", 1)[-1].replace(" ", "_").casefold()
    same_city = sorted(zone for zone in zones if zone.rsplit("/", 1)[-1].casefold() == city)
    return near(same_city[0], same_city[:1]) if same_city else near(name, sorted(zones))


def to_utc_ms(moment: datetime, zone: tzinfo | None, *, value: str) -> int:
    """Milliseconds since 1970 of an instant; a moment without an offset is read in ``zone``.

    Parameters
    ----------
    moment : datetime
        With or without an offset.
    zone : tzinfo or None
        For a moment without an offset.
    value : str
        The text it came from, for messages.

    Raises
    ------
    StudyError
        If it has no offset and there is no zone, or the clock change makes it happen twice or never.
    """
    if moment.tzinfo is None:
        if zone is None:
            raise StudyError(
                f"expected a time with its offset (2031-05-01T09:00:00+02:00), got {shown(value)} and no time zone to "
                'read it in. Add timezone = "..." to study.toml',
                slug="no-zone",
                value=value,
            )
        first, second = moment.replace(tzinfo=zone, fold=0), moment.replace(tzinfo=zone, fold=1)
        if first.utcoffset() != second.utcoffset():
            _refuse_clock_change(first, second, value)
        moment = first
    return round((moment - _EPOCH) / timedelta(milliseconds=1))


def _refuse_clock_change(first: datetime, second: datetime, value: str) -> None:
    back = first.astimezone(UTC).astimezone(first.tzinfo).replace(tzinfo=None)
    choices = f"{first.isoformat()} or {second.isoformat()}"
    if back == first.replace(tzinfo=None, fold=0):
        raise StudyError(
            f"expected one instant, got {shown(value)}, which happens twice when the clocks go back. Write {choices}",
            slug="repeated-hour",
            value=value,
        )
    raise StudyError(
        f"expected a time that exists, got {shown(value)}, which the clocks skip when they go forward. "
        "Write the time with its offset from UTC",
        slug="missing-hour",
        value=value,
    )
