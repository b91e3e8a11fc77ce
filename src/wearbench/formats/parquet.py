"""Parquet tables: columns known by their heading or by a layout, as in delimited text."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.errors import FormatError
from wearbench.formats.build import Column, settle_and_build, too_many
from wearbench.formats.numbers import cells_of
from wearbench.formats.recording import FileContent, ReadContext, Repair
from wearbench.formats.stamps import BAD, EARLIEST_MS, LATEST_MS, NAIVE, UTC
from wearbench.formats.tableplan import WINDOW, TablePlan, ValueColumn, plan_table
from wearbench.formats.timecolumn import TimeColumn, decide_time
from wearbench.formats.timeplan import no_time_column, on_heading_clock

__all__ = ["read", "recognise"]

I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]

_PER_MS = {"ms": 1, "us": 1000, "ns": 1_000_000}


def recognise(head: bytes, name: str) -> bool:
    """Whether a file begins like Parquet."""
    del name
    return head.startswith(b"PAR1")


def read(path: Path, context: ReadContext) -> FileContent:
    """Read a Parquet table.

    Parameters
    ----------
    path : Path
    context : ReadContext

    Returns
    -------
    FileContent
        As for delimited text. Stamps with a time zone are instants; those without are on the context's clock.

    Raises
    ------
    FormatError
        If the file is damaged, empty, or its columns are not known.
    """
    with _damage_said(context):
        table = pl.scan_parquet(path, hive_partitioning=False, glob=False)
        headings = table.collect_schema().names()
        n_rows = int(table.select(pl.len()).collect().item())
    if n_rows == 0:
        raise FormatError(
            "expected rows of readings, got a Parquet table of 0 rows; export the recording again",
            slug="header-only",
            file=context.shown,
        )
    plan = plan_table(headings, context)
    context = on_heading_clock(plan.time, context)
    if not plan.time.places:
        raise no_time_column(headings, context)
    names = [headings[place] for place in plan.time.places]
    starts = [] if plan.time.start is None else [headings[plan.time.start]]
    wanted = dict.fromkeys([*names, *starts, *(headings[column.index] for column in plan.values)])
    table = table.select(list(wanted)).with_row_index("wearbench_row", offset=1)
    kind = table.collect_schema()[names[-1]]
    if context.keep_ms is not None and isinstance(kind, pl.Datetime) and kind.time_zone is not None:
        stamp = pl.col(names[-1]).dt.epoch("ms")
        table = table.filter((stamp >= context.keep_ms[0]) & (stamp < context.keep_ms[1]))
    elif n_rows > context.max_readings and context.keep_ms is None:
        raise too_many(context)
    with _damage_said(context):
        frame = table.collect()
    if frame.height == 0:
        return FileContent(path=path, format="parquet", recordings=(), facts=_facts(plan, names))
    return _content(path, frame, names=names, headings=headings, plan=plan, context=context)


@contextmanager
def _damage_said(context: ReadContext) -> Iterator[None]:
    """Turn what the table library raises over damaged bytes (its panics too) into our error."""
    try:
        yield
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, UnicodeDecodeError) as error:
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise FormatError(
            f"expected a whole Parquet file, got '{first}'; copy the file again", slug="parquet", file=context.shown
        ) from None


def _facts(plan: TablePlan, names: list[str]) -> dict[str, str]:
    facts = {"time_column": " + ".join(names)}
    if plan.others:
        facts["columns_not_read"] = ", ".join(plan.others)
    return facts


def _content(
    path: Path,
    frame: pl.DataFrame,
    *,
    names: list[str],
    headings: list[str],
    plan: TablePlan,
    context: ReadContext,
) -> FileContent:
    facts = _facts(plan, names)
    row = frame["wearbench_row"].cast(pl.Int64).to_numpy()
    ms, state, time = _times(frame, names, plan=plan, context=context)
    if time is not None:
        facts.update(time.facts)
    repairs: list[Repair] = [] if time is None else [*time.repairs]
    good = state != BAD
    if not good.any():
        raise FormatError(
            f"expected stamps in column '{names[-1]}', got none in {frame.height} rows; export the recording again",
            slug="time-unreadable",
            file=context.shown,
        )
    if not good.all():
        first = int(row[np.argmin(good)])
        count = int((~good).sum())
        repairs.append(
            Repair(
                slug="rows-skipped",
                said=f"{count} of {frame.height} rows have no stamp that can be read, first at row {first}; left out",
                file=context.shown,
                line=first,
                count=count,
            )
        )
    if int(good.sum()) > context.max_readings:
        raise too_many(context)
    columns = []
    for column in plan.values:
        series = frame[headings[column.index]]
        value = series.cast(pl.Float64, strict=False).to_numpy().astype(np.float64)
        for text in column.missing:
            value = np.where(series.cast(pl.String).to_numpy() == text, np.nan, value)
        columns.append(Column(plan=column, value=value[good]))
    if plan.time.start is not None:
        start_ms, start_state = _times(frame, [headings[plan.time.start]], plan=plan, context=context)[:2]
        lasted = np.where((start_state == state) & (ms >= start_ms), ms - start_ms, np.nan)
        window = ValueColumn(index=plan.time.start, heading="start", quantity=WINDOW, unit="ms", factor=1.0)
        columns.append(Column(plan=window, value=lasted[good]))
    recordings, more = settle_and_build(
        columns,
        ms=ms[good],
        state=state[good],
        source_row=row[good],
        context=context,
        placed=time is not None and time.elapsed,
        start_known=time is None or time.start_known,
        word="row",
    )
    return FileContent(
        path=path, format="parquet", recordings=tuple(recordings), repairs=(*repairs, *more), facts=facts
    )


def _times(
    frame: pl.DataFrame, names: list[str], *, plan: TablePlan, context: ReadContext
) -> tuple[I64, U8, TimeColumn | None]:
    """Stamps of typed columns as they are; text and numbers as in delimited text."""
    series = frame[names[-1]]
    kind = series.dtype
    if isinstance(kind, pl.Datetime):
        per_ms = _PER_MS[kind.time_unit]
        raw = series.to_physical()
        ms = ((raw.fill_null(0).to_numpy().astype(np.int64) + per_ms // 2) // per_ms).astype(np.int64)
        odd = raw.is_null().to_numpy() | (ms < EARLIEST_MS) | (ms >= LATEST_MS)
        state = np.where(odd, BAD, NAIVE if kind.time_zone is None else UTC)
        return ms, state.astype(np.uint8), None
    texts = [frame[name].cast(pl.String).fill_null("").to_list() for name in names]
    cells = [cells_of(column) for column in texts]
    time = decide_time(cells, iter([cells]), plan=plan, context=context, decimal=".", line=1, start_text=None)
    ms, state = time.read(cells)
    return ms, state, time
