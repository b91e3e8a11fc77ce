"""``wearbench show``: any table of the results."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import click

from wearbench.commands.common import emit, json_option, study_argument
from wearbench.commands.tabletext import cell_text, table_lines
from wearbench.errors import UsageError

SHOWN: Final = (
    *("findings", "criteria", "agreement", "assumptions", "reviewers", "states", "tracking", "affected", "episodes"),
    *("benefit", "choices", "objections"),
    *("why", "cadence_evidence"),
    *("recurrence", "evidence", "before_after", "side_by_side"),
    *("clock", "windows", "flow", "references"),
    *("doubt_effect", "response", "responses", "believed", "believed_summary"),
    *("pairs", "sessions", "devices", "settings", "parameters", "inputs", "repairs", "files_left_out"),
    *("copies", "overlaps"),
    *("decisions_used", "declared", "deviations", "warnings"),
)
MOST_ROWS: Final = 60
MOST_OF_A_TABLE: Final = 50


@click.command(short_help="Show a table of the last results.")
@study_argument
@click.argument("table", type=click.Choice(SHOWN))
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print the table as CSV, nothing rounded.")
def show(study: Path, table: str, *, as_json: bool, as_csv: bool) -> None:
    """Show a TABLE of the last results of a study.

    On screen numbers are rounded; --json and --csv give every digit and every row.

    \b
    Example: wearbench show my-study agreement --csv > agreement.csv
    """  # noqa: D301
    from wearbench.study import read_results, table_of
    from wearbench.study.results import plain

    if as_json and as_csv:
        raise UsageError("expected --json or --csv, got both", slug="usage")
    results = read_results(study)
    if table == "pairs":
        rows: list[dict[str, Any]] = plain(results.pairs.to_dicts()) if as_json or as_csv else []
        if not rows:
            rows = plain(results.pairs.head(MOST_ROWS + 1).to_dicts())
    else:
        rows = table_of(results.document, table)
    if as_csv:
        click.echo(_csv(rows), nl=False)
    elif as_json:
        part = rows if table in ("pairs", "agreement") else results.document.get(table)
        emit((), part, as_json=True)
    elif table == "findings":
        emit([line for row in rows for line in _finding_lines(row)] or ["(no rows)"], None, as_json=False)
    else:
        common, rest = _common([{key: _short(cell) for key, cell in row.items()} for row in rows])
        emit([*([common] if common else []), *table_lines(rest, most=MOST_ROWS)], None, as_json=False)


def _short(cell: Any) -> Any:
    """A cell for the screen: what is a table itself is cut short."""
    if isinstance(cell, str) and cell[:1] in ("[", "{") and len(cell) > MOST_OF_A_TABLE:
        return cell[:MOST_OF_A_TABLE] + " ..."
    return cell


def _common(rows: list[dict[str, Any]]) -> tuple[str, list[dict[str, Any]]]:
    """What is the same in all rows, said once, and the rows without it."""
    if len(rows) < 2:
        return "", rows
    same = [key for key in rows[0] if all(row[key] == rows[0][key] for row in rows)]
    said = ", ".join(f"{key} {cell_text(rows[0][key])}" for key in same if rows[0][key] is not None)
    rest = [{key: cell for key, cell in row.items() if key not in same} for row in rows]
    return (f"All rows: {said}" if said else ""), (rest if rest[0] else rows)


def _finding_lines(row: Mapping[str, Any]) -> list[str]:
    return [f"{row.get('id')}  {row.get('claim')}", f"    {row.get('scope')}"]


def _csv(rows: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    if rows:
        writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return out.getvalue()
