"""What the document warns of."""

from __future__ import annotations

from typing import Any

from wearbench.recipe.availability import Availability
from wearbench.recipe.material import FileNote
from wearbench.recipe.rhythms import mixed_words
from wearbench.recipe.sessionresult import SessionResult
from wearbench.recipe.sessionrows import costs_raw_file
from wearbench.study import Study
from wearbench.study.discovery import SPANNING
from wearbench.wording import duration
from wearbench.wording import share as share_words

__all__ = ["mixed_rhythms", "unknown_versions", "warning_rows"]


def unknown_versions(versions: list[dict[str, Any]], study: Study) -> list[dict[str, Any]]:
    """Say of each device in which sessions its version is not known, and whether that matters."""
    out = []
    for row in versions:
        if row["said"]:
            label = study.config.devices[row["device"]].label
            note = FileNote(slug="version-unknown", said=f"{label}: {row['said']}", file="versions.csv")
            out.append({"slug": note.slug, "said": note.said, "file": note.file, "session": None})
    return out


def mixed_rhythms(rhythms: list[dict[str, Any]], study: Study) -> list[dict[str, Any]]:
    """Say of each device that keeps several rhythms that agreement weighs pairs, not time."""
    out = []
    for key in dict.fromkeys((row["device"], row["quantity"]) for row in rhythms):
        said = mixed_words(
            study.config.devices[key[0]].label, [row for row in rhythms if (row["device"], row["quantity"]) == key]
        )
        note = FileNote(slug="rhythms-mixed", said=said, file="")
        out.append({"slug": note.slug, "said": note.said, "file": None, "session": None})
    return out


def warning_rows(ordered: list[SessionResult], study: Study) -> list[dict[str, Any]]:
    """What is wrong with the study, its files and its sessions."""
    told = {f"raw/{r.material.name}" for r in ordered if r.unpaired}  # said below, with figures
    rows: list[dict[str, Any]] = [
        {"slug": p.slug, "said": str(p), "file": p.file, "session": None, "costs": p.costs or None}
        for p in study.problems
        if not costs_raw_file(p) and not (p.slug == "session-no-reference" and p.file in told)
    ]
    of_exports: set[FileNote] = set()
    for r in ordered:
        for n in r.material.warnings:
            spans = n.file.startswith(f"raw/{SPANNING}/")
            if n not in of_exports:
                session = None if spans else r.material.name
                rows.append({"slug": n.slug, "said": f"{n.file}: {n.said}", "file": n.file, "session": session})
            if spans:  # the same of every session
                of_exports.add(n)
        rows += [
            {"slug": "session", "said": f"{r.material.name}: {said}", "file": "bouts.csv", "session": r.material.name}
            for said in r.warnings
        ]
        for s in r.results:
            rows += [
                {"slug": "session", "said": f"{r.material.name}: {said}", "file": None, "session": r.material.name}
                for said in s.warnings
            ]
            rows += [
                {
                    "slug": n.slug,
                    "said": f"{n.file}: {r.material.name}: {n.said}",
                    "file": n.file,
                    "session": r.material.name,
                }
                for n in s.notes
            ]
        for a in r.unpaired:
            rows.append(
                {
                    "slug": "session-no-reference",
                    "said": _unpaired(r, a, study),
                    "file": None,
                    "session": r.material.name,
                }
            )
    return rows


def _unpaired(result: SessionResult, a: Availability, study: Study) -> str:
    quantity, label = study.config.all_quantities[a.quantity].label, study.config.devices[a.device].label
    name = result.material.name
    if a.with_value == 0:
        return f"{name}: {label} gave no {quantity}"
    given = f"{label} gave it for {share_words(a.share)} of {duration(a.expected_s)}"
    return f"{name}: no usable reference of {quantity}; {given}, which counts for availability, not for accuracy"
