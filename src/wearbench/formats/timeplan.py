"""Which columns of a table are its time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta, timezone

from wearbench.errors import FormatError
from wearbench.formats.headings import (
    TimeHeading,
    read_edge_heading,
    read_loose_time_heading,
    read_time_heading,
)
from wearbench.formats.recording import Layout, ReadContext

__all__ = ["TimePlan", "heading_key", "listed", "no_time_column", "on_heading_clock", "plan_time", "required_place"]


@dataclass(frozen=True, kw_only=True, slots=True)
class TimePlan:
    """Time columns of a table.

    ``places`` are in order, the date before the time of day, and empty when there are none. ``kind``, ``scale_ms`` and
    ``offset_ms`` are those of :class:`~wearbench.formats.headings.TimeHeading`. ``start`` is the column of the windows'
    starts where each reading has a window of its own; ``places`` then holds their ends.
    """

    places: tuple[int, ...] = ()
    kind: str = "none"
    scale_ms: float | None = None
    offset_ms: int | None = None
    start: int | None = None


def heading_key(heading: str) -> str:
    """Heading as layouts name it: capitals and runs of blanks do not matter."""
    return " ".join(heading.strip().strip('"').casefold().split())


def _layout_place(name: str, headings: Sequence[str]) -> int | None:
    keys = [heading_key(heading) for heading in headings]
    if heading_key(name) in keys:
        return keys.index(heading_key(name))
    if name.isdigit() and 1 <= int(name) <= len(headings):
        return int(name) - 1
    return None


def listed(headings: Sequence[str]) -> str:
    """Headings for a message."""
    shown = [f"'{heading}'" for heading in headings[:12]]
    return ", ".join(shown) + (f" and {len(headings) - 12} more" if len(headings) > 12 else "")


def no_time_column(headings: Sequence[str], context: ReadContext, *, line: int | None = None) -> FormatError:
    """Error for a table whose readings nothing places in time."""
    return FormatError(
        "expected a time column (time, timestamp, datetime, date and time, elapsed_s), got the headings "
        f"{listed(headings)}; name the time column in a layout",
        slug="no-time",
        file=context.shown,
        line=line,
        value=listed(headings),
    )


def plan_time(headings: Sequence[str], context: ReadContext, *, line: int | None) -> TimePlan:
    """Find the time columns of a table.

    Parameters
    ----------
    headings : sequence of str
    context : ReadContext
    line : int or None
        Line of the headings, for messages.

    Returns
    -------
    TimePlan
        Without places if the table has no time column.

    Raises
    ------
    FormatError
        If several columns could be the time, or one of the layout's is not there.
    """
    layout = context.layout
    if layout is not None and layout.time:
        places = tuple(required_place(name, headings, context, what="time", line=line) for name in layout.time)
        return _planned(places, read_time_heading(headings[places[0]]), layout)
    found = [(i, t) for i, h in enumerate(headings) if (t := read_time_heading(h)) is not None]
    if any(t.offset_ms is not None for _, t in found):
        found = [(i, t) for i, t in found if t.offset_ms is not None or t.kind in ("date", "elapsed")]
    chosen: list[tuple[int, TimeHeading]] = []
    for kinds in (("stamp",), ("date", "clock"), ("elapsed",)):
        for kind in kinds:
            chosen += _one_of([(i, t) for i, t in found if t.kind == kind], headings, context, line=line)
        if chosen:
            break
    if not chosen:
        edges = {read_edge_heading(heading): i for i, heading in enumerate(headings)}
        if "start" in edges and "end" in edges:
            loose = read_loose_time_heading(headings[edges["end"]])
            heading = TimeHeading(kind="stamp", scale_ms=None, offset_ms=loose.offset_ms if loose else None)
            return _planned((edges["end"],), heading, layout, start=edges["start"])
        loosely = [(i, t) for i, h in enumerate(headings) if (t := read_loose_time_heading(h)) is not None]
        chosen = _one_of(loosely, headings, context, line=line)
    if not chosen and len(headings) > 1 and not headings[0].strip():
        # data frames write their index first, without a name
        chosen = [(0, TimeHeading(kind="stamp", scale_ms=None))]
    if not chosen:
        return TimePlan()
    return _planned(tuple(i for i, _ in chosen), chosen[-1][1], layout)


def on_heading_clock(plan: TimePlan, context: ReadContext) -> ReadContext:
    """Context whose zone is the offset that the time's heading names, where it names one."""
    if plan.offset_ms is None:
        return context
    return replace(context, zone=timezone(timedelta(milliseconds=plan.offset_ms)))


def _one_of(
    found: list[tuple[int, TimeHeading]], headings: Sequence[str], context: ReadContext, *, line: int | None
) -> list[tuple[int, TimeHeading]]:
    """The one column of a kind, or the one of several that names its offset from UTC."""
    if len(found) < 2:
        return found
    sure = [(i, t) for i, t in found if t.offset_ms is not None]
    if len(sure) == 1:
        return sure
    names = listed([headings[i] for i, _ in found])
    raise FormatError(
        f"expected one time column, got {len(found)}: {names}; choose with time = [...] in a layout",
        slug="two-time-columns",
        file=context.shown,
        line=line,
        value=names,
    )


def _planned(
    places: tuple[int, ...], heading: TimeHeading | None, layout: Layout | None, *, start: int | None = None
) -> TimePlan:
    kind, scale = (heading.kind, heading.scale_ms) if heading is not None else ("clock", None)
    if layout is not None:
        kind, scale = _declared(layout, heading)
    offset = None if heading is None else heading.offset_ms
    return TimePlan(places=places, kind=kind, scale_ms=scale, offset_ms=offset, start=start)


def _declared(layout: Layout, heading: TimeHeading | None) -> tuple[str, float | None]:
    match layout.time_format:
        case "unix_s":
            return "stamp", 1000.0
        case "unix_ms":
            return "stamp", 1.0
        case "elapsed_s":
            return "elapsed", 1000.0
        case "auto" if heading is not None:
            return heading.kind, heading.scale_ms
        case _:
            return "clock", None


def required_place(name: str, headings: Sequence[str], context: ReadContext, *, what: str, line: int | None) -> int:
    """Place of a column that the layout names; FormatError if it is not there."""
    place = _layout_place(name, headings)
    if place is None:
        raise FormatError(
            f"expected the {what} column '{name}' that the layout names, got the headings {listed(headings)}; "
            "correct the layout in study.toml",
            slug="layout-column",
            file=context.shown,
            line=line,
            value=name,
        )
    return place
