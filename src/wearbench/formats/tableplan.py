"""Which columns of a table are its time and which its values, from the headings, a layout, or the file's name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wearbench.errors import FormatError
from wearbench.formats.headings import (
    TimeHeading,
    read_heading,
    read_loose_time_heading,
    read_time_heading,
    unit_factor,
    unit_of,
)
from wearbench.formats.recording import Layout, ReadContext

__all__ = ["TablePlan", "ValueColumn", "is_heading_row", "no_time_column", "plan_table"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ValueColumn:
    """One column of values: its place, heading, quantity, kept unit and the factor to it (None: told by size)."""

    index: int
    heading: str
    quantity: str
    unit: str
    factor: float | None
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class TablePlan:
    """Columns of a table.

    ``time`` holds the places of the time columns in order (date before time of day), empty when there are none;
    ``time_kind`` and ``time_scale_ms`` are those of :class:`~wearbench.formats.headings.TimeHeading`; ``others`` are
    headings that were not understood.
    """

    time: tuple[int, ...]
    time_kind: str
    time_scale_ms: float | None
    values: tuple[ValueColumn, ...]
    others: tuple[str, ...]


def _key(heading: str) -> str:
    return " ".join(heading.strip().strip('"').casefold().split())


def _layout_place(name: str, headings: Sequence[str]) -> int | None:
    keys = [_key(heading) for heading in headings]
    if _key(name) in keys:
        return keys.index(_key(name))
    if name.isdigit() and 1 <= int(name) <= len(headings):
        return int(name) - 1
    return None


def is_heading_row(cells: Sequence[str], context: ReadContext) -> bool:
    """Whether a row of cells reads as headings: at least one is understood and none is a number."""
    if any(_is_number(cell) for cell in cells):
        return False
    layout = context.layout
    if layout is not None:
        named = [*layout.time, *layout.columns]
        if any(_key(name) in {_key(cell) for cell in cells} for name in named):
            return True
    return any(
        read_time_heading(cell) is not None or read_heading(cell, own_quantities=context.own_quantities) is not None
        for cell in cells
    )


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return text.strip().casefold() != "nan"


def plan_table(headings: Sequence[str], context: ReadContext, *, line: int | None = None) -> TablePlan:
    """Find the time and value columns of a table.

    Parameters
    ----------
    headings : sequence of str
    context : ReadContext
    line : int or None
        Line of the headings, for messages.

    Returns
    -------
    TablePlan

    Raises
    ------
    FormatError
        If a column of the layout is not there, a unit is not known, nothing is understood, or two columns claim to be
        the same thing.
    """
    time, kind, scale = _time_columns(headings, context, line=line)
    values = _value_columns(headings, context, taken=set(time), line=line)
    used = {*time, *(value.index for value in values)}
    others = tuple(h for i, h in enumerate(headings) if i not in used and read_time_heading(h) is None and h)
    if not values and context.quantity is not None:
        free = [i for i, h in enumerate(headings) if i not in used and read_time_heading(h) is None]
        if len(free) == 1:
            values = (_column(free[0], headings[free[0]], context.quantity, None, (), context, line=line),)
            others = ()
    if not values:
        raise FormatError(
            f"expected a column such as heart_rate, rr, cadence or ecg, got the headings {_listed(headings)}; name the "
            "column in a layout ([layouts.<name>.columns] in study.toml) or the quantity in the file's name",
            slug="no-values",
            file=context.shown,
            line=line,
            value=_listed(headings),
        )
    return TablePlan(time=time, time_kind=kind, time_scale_ms=scale, values=values, others=others)


def _listed(headings: Sequence[str]) -> str:
    shown = [f"'{heading}'" for heading in headings[:12]]
    return ", ".join(shown) + (f" and {len(headings) - 12} more" if len(headings) > 12 else "")


def no_time_column(headings: Sequence[str], context: ReadContext, *, line: int | None = None) -> FormatError:
    """Error for a table whose readings nothing places in time."""
    return FormatError(
        "expected a time column (time, timestamp, datetime, date and time, elapsed_s), got the headings "
        f"{_listed(headings)}; name the time column in a layout",
        slug="no-time",
        file=context.shown,
        line=line,
        value=_listed(headings),
    )


def _time_columns(
    headings: Sequence[str], context: ReadContext, *, line: int | None
) -> tuple[tuple[int, ...], str, float | None]:
    layout = context.layout
    if layout is not None and layout.time:
        places = tuple(_required(name, headings, context, what="time", line=line) for name in layout.time)
        return places, *_declared(layout, read_time_heading(headings[places[0]]))
    found = [(i, t) for i, h in enumerate(headings) if (t := read_time_heading(h)) is not None]
    by_kind = {kind: [(i, t) for i, t in found if t.kind == kind] for kind in ("stamp", "date", "clock", "elapsed")}
    for kind in ("stamp", "clock", "date", "elapsed"):
        if len(by_kind[kind]) > 1 and not (kind == "elapsed" and (by_kind["stamp"] or by_kind["clock"])):
            names = _listed([headings[i] for i, _ in by_kind[kind]])
            raise _two_time_columns(names, len(by_kind[kind]), context, line=line)
    chosen: list[tuple[int, TimeHeading]] = []
    if not found:
        chosen = _loose_time_column(headings, context, line=line)
    elif by_kind["stamp"]:
        chosen = by_kind["stamp"]
    elif by_kind["clock"] or by_kind["date"]:
        chosen = [*by_kind["date"], *by_kind["clock"]]
    elif by_kind["elapsed"]:
        chosen = by_kind["elapsed"]
    if not chosen:
        return (), "none", None
    kind, scale = chosen[-1][1].kind, chosen[-1][1].scale_ms
    if layout is not None:
        kind, scale = _declared(layout, chosen[-1][1])
    return tuple(i for i, _ in chosen), kind, scale


def _loose_time_column(
    headings: Sequence[str], context: ReadContext, *, line: int | None
) -> list[tuple[int, TimeHeading]]:
    found = [(i, t) for i, h in enumerate(headings) if (t := read_loose_time_heading(h)) is not None]
    if len(found) > 1:
        raise _two_time_columns(_listed([headings[i] for i, _ in found]), len(found), context, line=line)
    return found


def _two_time_columns(names: str, n: int, context: ReadContext, *, line: int | None) -> FormatError:
    return FormatError(
        f"expected one time column, got {n}: {names}; choose with time = [...] in a layout",
        slug="two-time-columns",
        file=context.shown,
        line=line,
        value=names,
    )


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


def _required(name: str, headings: Sequence[str], context: ReadContext, *, what: str, line: int | None) -> int:
    place = _layout_place(name, headings)
    if place is None:
        raise FormatError(
            f"expected the {what} column '{name}' that the layout names, got the headings {_listed(headings)}; "
            "correct the layout in study.toml",
            slug="layout-column",
            file=context.shown,
            line=line,
            value=name,
        )
    return place


def _value_columns(
    headings: Sequence[str], context: ReadContext, *, taken: set[int], line: int | None
) -> tuple[ValueColumn, ...]:
    layout = context.layout
    if layout is not None and layout.columns:
        return tuple(
            _column(
                _required(name, headings, context, what="value", line=line),
                name,
                said.quantity,
                said.unit,
                said.missing,
                context,
                line=line,
            )
            for name, said in layout.columns.items()
        )
    columns: dict[str, ValueColumn] = {}
    unknown: FormatError | None = None
    for index, heading in enumerate(headings):
        if index in taken:
            continue
        found = read_heading(heading, own_quantities=context.own_quantities)
        if found is None:
            continue
        if found.quantity in columns:
            both = f"'{columns[found.quantity].heading}' and '{heading}'"
            raise FormatError(
                f"expected one column of {found.quantity}, got two: {both}; choose one with a layout "
                "([layouts.<name>.columns] in study.toml)",
                slug="two-columns",
                file=context.shown,
                line=line,
                value=both,
            )
        try:
            columns[found.quantity] = _column(index, heading, found.quantity, found.unit, (), context, line=line)
        except FormatError as error:
            unknown = unknown or error
    if not columns and unknown is not None:
        raise unknown
    return tuple(columns.values())


def _column(
    index: int,
    heading: str,
    quantity: str,
    unit: str | None,
    missing: tuple[str, ...],
    context: ReadContext,
    *,
    line: int | None,
) -> ValueColumn:
    kept = unit_of(quantity, own_quantities=context.own_quantities)
    factor: float | None = 1.0
    if unit is not None and unit.casefold() != kept.casefold():
        factor = unit_factor(quantity, unit)
        if factor is None:
            raise FormatError(
                f"expected column '{heading}' of {quantity} in {kept or 'its declared unit'}, got the unit '{unit}', "
                "which is not known for it; give the unit in a layout",
                slug="unknown-unit",
                file=context.shown,
                line=line,
                value=unit,
            )
    elif unit is None and quantity == "rr":
        factor = None
    return ValueColumn(index=index, heading=heading, quantity=quantity, unit=kept, factor=factor, missing=missing)
