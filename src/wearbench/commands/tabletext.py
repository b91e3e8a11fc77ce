"""Rows as a table for the eye; rounding happens here only, the files keep every digit."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from typing import Any

__all__ = ["cell_text", "table_lines"]


def cell_text(value: Any) -> str:
    """A cell as it is shown: four significant digits, a dash for what is not there."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.4g}"
    return str(value)


def table_lines(rows: Sequence[dict[str, Any]], *, most: int | None = None) -> list[str]:
    """Lay out rows under their keys.

    Parameters
    ----------
    rows : sequence of dict
        All with the same keys.
    most : int or None
        Show this many and say how many more there are.
    """
    if not rows:
        return ["(no rows)"]
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 2, 0, 0))
    for key in rows[0]:
        numeric = all(isinstance(row[key], (int, float, type(None))) for row in rows)
        table.add_column(Text(key), justify="right" if numeric else "left", overflow="fold")
    for row in rows[:most]:
        table.add_row(*(Text(cell_text(value)) for value in row.values()))
    wide = os.get_terminal_size().columns if sys.stdout.isatty() else 10_000
    out = io.StringIO()
    Console(file=out, width=wide, color_system=None, legacy_windows=False).print(table)
    lines = [line.rstrip() for line in out.getvalue().splitlines() if line.strip()]
    if most is not None and len(rows) > most:
        lines.append(f"... and {len(rows) - most} more rows; --csv or --json gives them all")
    return lines
