"""Figures as files: each picture beside the table it was drawn from."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import polars as pl

from wearbench.figures.pictures import pictures_of, tolerance_of
from wearbench.figures.strip import draw_strip
from wearbench.figures.striptable import strip_tables
from wearbench.figures.svg import stand_alone
from wearbench.findings import Subject, subjects
from wearbench.study.results import Results

__all__ = ["write_figures"]

_MOST_ROWS_AS_TEXT: Final = 20_000


def _drawn(results: Results, subject: Subject, mark: str) -> Iterator[tuple[str, pl.DataFrame, str]]:
    """Name, table and picture of every figure, strips last."""
    scope = f"{subject.label}, {subject.what}: {subject.scope}{mark}"
    for picture in pictures_of(results, subject, scope=scope):
        yield picture.name, picture.table, picture.draw(uid=picture.name, width=picture.width)
    for session, table in strip_tables(results, subject):
        title = f"{subject.label}, session {session}"
        near = tolerance_of(subject) or 0.0
        scope = f"{session} · {subject.scope_of(session)}{mark}"
        svg = draw_strip(table, title=title, scope=scope, unit=subject.unit, uid="strip", tolerance=near)
        yield f"strip.{session}", table, svg


def write_figures(results: Results, folder: Path) -> list[Path]:
    """Write every figure as SVG, and its table as CSV (Parquet where it is long).

    Parameters
    ----------
    results : Results
    folder : Path
        Made if it is not there.

    Returns
    -------
    list of Path
        What was written, in order.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    mark = " · invented data" if results.document.get("invented") else ""
    written = []
    for subject in subjects(results.document, results.pairs):
        for name, table, svg in _drawn(results, subject, mark):
            stem = re.sub(r"[^\w.-]+", "_", f"{subject.device}.{subject.quantity}.{name}")
            picture = folder / f"{stem}.svg"
            picture.write_text(stand_alone(svg), encoding="utf-8", newline="\n")
            short = table.height <= _MOST_ROWS_AS_TEXT
            beside = folder / f"{stem}.{'csv' if short else 'parquet'}"
            if short:
                table.write_csv(beside)
            else:
                table.write_parquet(beside)
            written += [picture, beside]
    return written
