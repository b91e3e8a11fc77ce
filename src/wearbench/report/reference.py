"""The reference is a device too: what it gave, what was mended, what was doubtful."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from wearbench.findings import Subject
from wearbench.findings.subject import device_label, quantity_label
from wearbench.report.tables import Cell, Table
from wearbench.wording import STATE_LABEL, duration, join_words, number, plural, share

__all__ = ["doubt_tables", "reference_table", "reference_words"]

_MOST: Final = 30


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


_EFFECT: Final = {"mae": "Mean error", "bias": "Bias", "tracking_share": "Time right"}


def doubt_tables(subject: Subject) -> Iterator[Table]:
    """The headline without and with doubtful stretches, and episodes in which one of the two is wrong.

    Parameters
    ----------
    subject : Subject
    """
    rows = subject.doubt_effect
    if rows and float(rows[0].get("seconds_doubtful") or 0.0) > 0:
        yield Table(
            caption=f"{subject.label}: with and without {duration(rows[0]['seconds_doubtful'])} of doubtful reference",
            head=("", "Left out", "Kept"),
            rows=tuple(_effect(row, subject.unit) for row in rows),
            note="Left out is what this page reports; doubt is raised without looking at any tested device.",
        )
    if subject.disputed:
        shown = sorted(subject.disputed, key=lambda e: -float(e.get("seconds") or 0.0))[:_MOST]
        yield Table(
            caption=f"{subject.label}: one of the two is wrong, this study cannot say which",
            head=("Episode", "It read", "For", "Tested", "Reference", "Why not counted"),
            rows=tuple(
                (
                    Cell(text=str(e.get("id"))),
                    Cell(text=STATE_LABEL.get(str(e.get("state")), str(e.get("state")))),
                    Cell(text=duration(e.get("seconds"))),
                    *(Cell(text=number(e.get(k), decimals=0)) for k in ("tested_mean", "reference_mean")),
                    Cell(text=str(e.get("doubt")).partition(": ")[2]),
                )
                for e in shown
            ),
            numeric=False,
            note="" if len(shown) == len(subject.disputed) else f"The {_MOST} longest of {len(subject.disputed)}.",
        )


def _effect(row: Mapping[str, Any], unit: str) -> tuple[Cell, ...]:
    name = str(row["statistic"])
    if name.startswith("affected_"):
        label = STATE_LABEL.get(name.removeprefix("affected_"), name)
        n = int(row.get("n_sessions") or 0)
        values = [
            f"{round(n * float(row[k]))} of {n}" if row.get(k) is not None else "–"
            for k in ("without_doubtful", "with_doubtful")
        ]
        return (Cell(text=f"Sessions with “{label}”"), *(Cell(text=v) for v in values))
    said = share if name == "tracking_share" else lambda x: f"{number(x)} {unit}".strip()
    return (
        Cell(text=_EFFECT.get(name, name)),
        *(Cell(text=said(row.get(k))) for k in ("without_doubtful", "with_doubtful")),
    )
