"""Tables of the document about sessions and the files behind them."""

from __future__ import annotations

import dataclasses
from datetime import timedelta
from typing import Any

from wearbench.recipe.rowparts import EPOCH, instant
from wearbench.recipe.sessionresult import SessionResult
from wearbench.study import Problem, Study

__all__ = ["compared_rows", "costs_raw_file", "left_out_rows", "reference_rows", "session_row"]


def left_out_rows(ordered: list[SessionResult], study: Study) -> list[dict[str, Any]]:
    """Files that were left out, and why."""
    rows: list[dict[str, Any]] = [
        {"path": note.file, "why": note.said, "slug": note.slug, "line": note.line}
        for note in dict.fromkeys(note for r in ordered for note in r.material.left_out)
    ]
    rows.extend(
        {"path": problem.file, "why": problem.said, "slug": problem.slug, "line": problem.line}
        for problem in study.problems
        if costs_raw_file(problem)
    )
    return rows


def costs_raw_file(problem: Problem) -> bool:
    """Whether a problem costs raw files, so that it is listed with them."""
    return bool(problem.costs and problem.file and problem.file.startswith("raw/"))


def session_row(result: SessionResult, study: Study) -> dict[str, Any]:
    """A session as the document has it."""
    material = result.material
    session = result.session or next(s for s in study.sessions if s.name == material.name)
    reference = material.references[0] if material.references else None
    starts = [reference.first_s] if reference else [float(s.time_s[0]) for s in material.tested if s.time_s.size]
    ends = [reference.last_s] if reference else [float(s.time_s[-1]) for s in material.tested if s.time_s.size]
    firmware = {d: fw for d in study.config.devices if (fw := study.firmware(session, d))}
    firmware |= {s.device: s.firmware for s in result.results if s.firmware}
    unknown = {s.device for s in result.results if not s.firmware}
    firmware = {d: fw for d, fw in firmware.items() if d not in unknown}
    sites = {d: site for d in study.config.devices if (site := study.wear_site(session, d))}
    return {
        "session": session.name,
        "participant": session.participant,
        "activity": session.activity,
        "firmware": firmware or None,
        "firmware_how": {s.device: {"how": s.ran.how, "between": list(s.ran.between)} for s in result.results} or None,
        "wear_site": sites or None,
        "start": instant(material, min(starts)) if starts else None,
        "end": instant(material, max(ends)) if ends else None,
        "told_start": None if session.start_ms is None else EPOCH + timedelta(milliseconds=session.start_ms),
        "told_end": None if session.end_ms is None else EPOCH + timedelta(milliseconds=session.end_ms),
        "zone": str(session.zone) if session.zone is not None else None,
        "columns": dict(session.columns),
        "has_reference": reference is not None,
        "availability": _availability(result),
        "bouts": [
            {
                "bout": b.name,
                "start": EPOCH + timedelta(milliseconds=b.start.at_ms(session.start_ms or material.origin_ms)),
                "end": EPOCH + timedelta(milliseconds=b.end.at_ms(session.start_ms or material.origin_ms)),
                "activity": b.activity,
                "intensity": b.intensity,
                "clock": b.moved_with or b.clock,
                "moved_s": b.moved_s if b.moved_with else None,
            }
            for b in session.bouts
        ],
    }


def _availability(result: SessionResult) -> list[dict[str, Any]]:
    """Of each tested series: time with values over time expected, with or without a reference."""
    rows = [
        {
            "device": s.device,
            "quantity": s.quantity,
            "expected_seconds": s.flow["worn"],
            "given_seconds": s.flow["gave_values"],
            "share": s.flow["gave_values"] / s.flow["worn"] if s.flow["worn"] > 0 else None,
            "paired": True,
        }
        for s in result.results
    ]
    rows += [
        {
            "device": a.device,
            "quantity": a.quantity,
            "expected_seconds": a.expected_s,
            "given_seconds": a.given_s,
            "share": a.share,
            "paired": False,
        }
        for a in result.unpaired
    ]
    return rows


def compared_rows(ordered: list[SessionResult], *kinds: str) -> list[dict[str, Any]]:
    """Records of one recorder compared with one another, exports that span sessions once."""
    rows = {
        (c.kind, c.session, c.device, c.quantity, c.first, c.second): c
        for r in ordered
        for c in r.material.compared
        if c.kind in kinds
    }
    return [
        {
            **{name: cell for name, cell in dataclasses.asdict(c).items() if name != "differences"},
            "identical": c.n_identical / c.n_both if c.n_both else None,
            "differences": [
                {"time": EPOCH + timedelta(milliseconds=ms), "first": first, "second": second}
                for ms, first, second in c.differences
            ],
        }
        for c in rows.values()
    ]


def reference_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """Each reference of each session: how it was made, how long, what is doubtful."""
    return [
        {
            "session": r.material.name,
            "device": ref.device,
            "quantity": ref.quantity,
            "made_from": ref.made_from,
            "chosen": r.material.reference_for(ref.quantity) is ref,
            "seconds": float(ref.running.covered_s[-1]),
            "doubtful_seconds": float(ref.running.doubtful_s[-1]),
            "mended_seconds": float(ref.running.mended_s[-1]),
            "counts": ref.counts,
            "doubts": [
                {"start": instant(r.material, d.start_s), "end": instant(r.material, d.end_s), "why": d.why}
                for d in ref.doubts
            ],
        }
        for r in ordered
        for ref in r.material.references
    ]
