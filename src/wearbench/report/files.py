"""The files: how many were read, and records of one recorder compared with one another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any, Final

from wearbench.findings import device_label
from wearbench.report.pieces import instant_of
from wearbench.report.tables import Cell, Table
from wearbench.wording import duration, join_words, number, plural, share

__all__ = ["FilesView", "files_view"]

_MOST: Final = 60
_FORMAT: Final = {"delimited": "text table", "rr_list": "RR list"}


@dataclass(frozen=True, kw_only=True, slots=True)
class FilesView:
    """All that the section shows; ``lead`` in words, exports that overlap as sentences, the rest as tables."""

    lead: str
    exports: tuple[str, ...]
    differences: tuple[Table, ...]
    copies: Table | None
    left_out: Table | None


def files_view(document: Mapping[str, Any]) -> FilesView | None:
    """Gather the section; None where the results name no file.

    Parameters
    ----------
    document : mapping
        ``Results.document``, plain.
    """
    inputs = [r for r in document.get("inputs") or [] if isinstance(r, Mapping)]
    overlaps = document.get("overlaps") or []
    if not inputs and not overlaps:
        return None
    return FilesView(
        lead=_lead(inputs, document),
        exports=tuple(_sentence(str(row.get("said") or "")) for row in overlaps),
        differences=tuple(_differences(overlaps)),
        copies=_copies(document),
        left_out=_left_out(document.get("files_left_out") or []),
    )


def _lead(inputs: Sequence[Mapping[str, Any]], document: Mapping[str, Any]) -> str:
    kinds = Counter(str(r.get("format") or "") for r in inputs)
    named = [plural(n, _FORMAT.get(k, f"{k.upper().replace('_', ' ')} file")) for k, n in kinds.most_common() if k]
    said = f"{plural(len(inputs), 'file')} read" + (f": {join_words(named)}." if named else ".")
    left, repairs = len(document.get("files_left_out") or []), len(document.get("repairs") or [])
    said += f" {plural(left, 'file')} could not be read." if left else ""
    said += f" {plural(repairs, 'repair')} while reading, listed under “How it was done”." if repairs else ""
    return said


def _sentence(said: str) -> str:
    text = said[:1].upper() + said[1:]
    return text if text.endswith((".", "?")) else f"{text}."


def _name(path: Any) -> str:
    return PurePosixPath(str(path)).name


def _differences(overlaps: Sequence[Mapping[str, Any]]) -> Iterator[Table]:
    """What each of two overlapping records says where they differ."""
    for row in overlaps:
        told = row.get("differences") or []
        if not told:
            continue
        differ = int(row["n_both"]) - int(row["n_identical"])
        unit = str(row.get("unit") or "")
        rows = tuple(
            (
                Cell(text=f"{at:%Y-%m-%d %H:%M:%S}" if (at := instant_of(d.get("time"))) else str(d.get("time"))),
                Cell(text=number(d.get("second"), decimals=0)),
                Cell(text=number(d.get("first"), decimals=0)),
            )
            for d in told[:_MOST]
        )
        note = f"The first {len(rows)} of {differ:,}; the others are in results.json." if differ > len(rows) else ""
        head = ("Stamp, UTC", f"{_name(row['second'])}, {unit}", f"{_name(row['first'])} (used), {unit}")
        caption = f"Where {_name(row['second'])} and {_name(row['first'])} differ"
        yield Table(caption=caption, head=head, rows=rows, note=note)


def _copies(document: Mapping[str, Any]) -> Table | None:
    """Copies of one recording, each against the one that is used."""
    rows = tuple(
        (
            Cell(text=str(c.get("session") or "–")),
            Cell(
                text=device_label(document, str(c.get("device"))),
                small=f"{_name(c['second'])} beside {_name(c['first'])}",
            ),
            Cell(text=share(c.get("identical")), small=f"of {int(c['n_both']):,} in both"),
            Cell(text=share(c.get("first_lacks")), small=f"{int(c['n_filled']):,} filled from the copy"),
            Cell(text=share(c.get("second_lacks"))),
            Cell(text=_clock(c.get("clock_s"))),
        )
        for c in document.get("copies") or []
    )
    head = ("Session", "Device", "Identical", "Missing in the one used", "Missing in the copy", "Clock of the copy")
    return Table(caption="Copies compared", head=head, rows=rows) if rows else None


def _clock(seconds: Any) -> str:
    value = float(seconds or 0.0)
    if abs(value) < 0.5:
        return "the same"
    return f"{duration(abs(value))} {'behind' if value > 0 else 'ahead'}"


def _left_out(rows: Sequence[Mapping[str, Any]]) -> Table | None:
    cells = tuple((Cell(text=str(r.get("path"))), Cell(text=str(r.get("why") or ""))) for r in rows)
    head = ("File", "Why")
    return Table(caption="Files that could not be read", head=head, rows=cells, numeric=False) if cells else None
