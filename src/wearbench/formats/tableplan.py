"""Which columns of a table are its time and which its values, from the headings, a layout, or the file's name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wearbench.errors import FormatError
from wearbench.formats.headings import read_heading, read_time_heading, unit_factor, unit_of
from wearbench.formats.recording import ReadContext
from wearbench.formats.timeplan import TimePlan, heading_key, listed, plan_time, required_place

__all__ = ["WINDOW", "TablePlan", "ValueColumn", "is_heading_row", "plan_table"]

WINDOW: Final = "window_ms"
"""Name of the column that carries the length of each reading's own window, where there is one."""


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

    ``others`` are headings that were not understood.
    """

    time: TimePlan
    values: tuple[ValueColumn, ...]
    others: tuple[str, ...]


def is_heading_row(cells: Sequence[str], context: ReadContext) -> bool:
    """Whether a row of cells reads as headings: at least one is understood and none is a number."""
    if any(_is_number(cell) for cell in cells):
        return False
    layout = context.layout
    if layout is not None:
        named = [*layout.time, *layout.columns]
        if any(heading_key(name) in {heading_key(cell) for cell in cells} for name in named):
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
    time = plan_time(headings, context, line=line)
    taken = {*time.places} if time.start is None else {*time.places, time.start}
    values = _value_columns(headings, context, taken=taken, line=line)
    used = {*taken, *(value.index for value in values)}
    others = tuple(h for i, h in enumerate(headings) if i not in used and read_time_heading(h) is None and h)
    if not values and context.quantity is not None:
        free = [i for i, h in enumerate(headings) if i not in used and read_time_heading(h) is None]
        if len(free) == 1:
            values = (_column(free[0], headings[free[0]], context.quantity, None, (), context, line=line),)
            others = ()
    if not values:
        raise FormatError(
            f"expected a column such as heart_rate, rr, cadence or ecg, got the headings {listed(headings)}; name the "
            "column in a layout ([layouts.<name>.columns] in study.toml) or the quantity in the file's name",
            slug="no-values",
            file=context.shown,
            line=line,
            value=listed(headings),
        )
    return TablePlan(time=time, values=values, others=others)


def _value_columns(
    headings: Sequence[str], context: ReadContext, *, taken: set[int], line: int | None
) -> tuple[ValueColumn, ...]:
    layout = context.layout
    if layout is not None and layout.columns:
        return tuple(
            _column(
                required_place(name, headings, context, what="value", line=line),
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
