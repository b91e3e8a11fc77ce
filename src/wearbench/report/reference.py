"""The reference is a device too: what it gave, what was mended, what was doubtful."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wearbench.findings.subject import device_label, quantity_label
from wearbench.report.tables import Cell, Table
from wearbench.wording import duration, join_words, plural, share

__all__ = ["reference_table", "reference_words"]


def _rows(document: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [r for r in document.get("references") or [] if r.get("chosen", True) and (r.get("seconds") or 0.0) > 0]


def _from(row: Mapping[str, Any]) -> str:
    made = str(row.get("made_from") or row.get("quantity") or "")
    return quantity_label(made)


def _why(row: Mapping[str, Any]) -> list[str]:
    return sorted({str(d.get("why", "")).replace("_", " ") for d in row.get("doubts") or [] if d.get("why")})


def reference_words(document: Mapping[str, Any]) -> Iterator[str]:
    """One sentence for each reference device and what its values were made from.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``.
    """
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in _rows(document):
        groups.setdefault((str(row.get("device")), _from(row)), []).append(row)
    for (device, made), rows in sorted(groups.items()):
        whole, mended, doubtful = (
            sum(float(r.get(key) or 0.0) for r in rows) for key in ("seconds", "mended_seconds", "doubtful_seconds")
        )
        words = f"{device_label(document, device)}, made from {made}: {duration(whole)} of reference"
        if mended > 0:
            words += f", {share(mended / whole)} of it mended"
        if doubtful > 0:
            hit = [r for r in rows if (r.get("doubtful_seconds") or 0.0) > 0]
            why = join_words(sorted({w for r in hit for w in _why(r)}))
            words += f", {duration(doubtful)} of it doubtful in {plural(len(hit), 'session')}"
            words += f" ({why}) and left out" if why else " and left out"
        yield words + "."


def reference_table(document: Mapping[str, Any]) -> Table | None:
    """The reference of each session; None where the results do not tell."""
    rows = tuple(
        (
            Cell(text=str(r.get("session"))),
            Cell(text=device_label(document, str(r.get("device"))), small=f"from {_from(r)}"),
            Cell(text=duration(r.get("seconds"))),
            Cell(text=share((r.get("mended_seconds") or 0.0) / r["seconds"])),
            Cell(text=duration(r.get("doubtful_seconds")), small=", ".join(_why(r))),
        )
        for r in _rows(document)
    )
    head = ("Session", "Reference", "Recorded", "Mended", "Doubtful")
    return Table(caption="The reference, session by session", head=head, rows=rows) if rows else None
