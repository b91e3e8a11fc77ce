"""Sums of sessions become the results of the study: the document, its pairs, its traces."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import polars as pl

from wearbench import __version__
from wearbench.recipe.affected import affected_rows, least_seconds
from wearbench.recipe.agreementrows import agreement_rows, rows_by_rhythm, version_rows
from wearbench.recipe.assumptionrows import assumption_tables
from wearbench.recipe.believedrows import believed_rows, believed_summary_rows
from wearbench.recipe.clockrows import clock_rows, parameter_rows, proposal_rows, window_rows
from wearbench.recipe.doubtrows import doubt_effect_rows
from wearbench.recipe.learning import StudyParameters
from wearbench.recipe.pairtable import pair_table
from wearbench.recipe.responserows import response_rows, responses_rows
from wearbench.recipe.scepticrows import sceptic_tables
from wearbench.recipe.sessionresult import SessionResult
from wearbench.recipe.sessionrows import compared_rows, left_out_rows, reference_rows, session_row
from wearbench.recipe.staterows import episode_rows, flow_rows, state_rows, tracking_rows
from wearbench.recipe.systematictables import systematic_tables
from wearbench.recipe.traces import trace_table
from wearbench.recipe.warningrows import mixed_rhythms, unknown_versions, warning_rows
from wearbench.recipe.whyrows import why_tables
from wearbench.settings import Settings
from wearbench.study import PAIRS, Results, Study, declared_in, deviations
from wearbench.study.declaration import short_hash
from wearbench.study.declared import compared_sessions

__all__ = ["combine"]


def combine(results: Sequence[SessionResult], parameters: StudyParameters, study: Study, settings: Settings) -> Results:
    """Join the sessions' results into the study's.

    Parameters
    ----------
    results : sequence of SessionResult
    parameters : StudyParameters
    study : Study
    settings : Settings

    Returns
    -------
    Results
        Without findings, which are made from this.
    """
    ordered = _in_study_order(results, study)
    rhythms = rows_by_rhythm(parameters, ordered)
    versions = version_rows(ordered)
    believed = believed_rows(ordered, study)
    frames = [pair_table(r, result, study) for r in ordered for result in r.results]
    pairs = pl.concat(frames) if frames else pl.DataFrame(schema=dict(PAIRS))
    agreement, assumptions, reviewers = assumption_tables(agreement_rows(ordered, study, settings), pairs, settings)
    document = {
        "schema": 1,
        "title": study.config.title,
        "invented": "invented" in study.config.title.lower(),
        "made": datetime.now(UTC),
        "tool": {"name": "wearbench", "version": __version__},
        "settings": dataclasses.asdict(settings),
        "parameters": parameter_rows(parameters),
        "inputs": [
            {"path": f.path, "sha256": f.sha256, "bytes": f.bytes, "format": f.format}
            for f in dict.fromkeys(f for r in ordered for f in r.material.inputs)
        ],
        "repairs": [dataclasses.asdict(n) for n in dict.fromkeys(n for r in ordered for n in r.material.repairs)],
        "files_left_out": left_out_rows(ordered, study),
        "decisions_used": [
            {"id": d.id, "kind": d.kind} for d in study.decisions if d.kind in ("leave_out", "wear", "bout", "clock")
        ],
        "devices": [
            {
                "device": d.name,
                "label": d.label,
                "role": d.role,
                "firmware": d.firmware,
                "wear_site": d.wear_site,
            }
            for d in study.config.devices.values()
        ],
        "sessions": [session_row(r, study) for r in ordered],
        "copies": compared_rows(ordered, "copy"),
        "overlaps": compared_rows(ordered, "part", "export"),
        "references": reference_rows(ordered),
        "clock": clock_rows(ordered),
        "windows": window_rows(parameters, ordered),
        "rhythms": rhythms,
        "versions": versions,
        "agreement": agreement,
        "assumptions": assumptions,
        "reviewers": reviewers,
        "states": state_rows(ordered),
        "tracking": tracking_rows(ordered, study, settings),
        "affected": affected_rows(ordered, settings, least_s=least_seconds(study, settings), every=True),
        **why_tables(ordered, study, settings),
        "flow": flow_rows(ordered),
        "episodes": episode_rows(ordered),
        "doubt_effect": doubt_effect_rows(ordered, agreement, settings),
        "response": response_rows(ordered),
        "responses": responses_rows(ordered, study, settings),
        "believed": believed,
        "believed_summary": believed_summary_rows(believed, study, settings),
        "findings": [],
        "proposals": proposal_rows(ordered),
        "warnings": warning_rows(ordered, study) + mixed_rhythms(rhythms, study) + unknown_versions(versions, study),
    }
    document.update(systematic_tables(ordered, study, settings))
    document.update(_beforehand(ordered, study, settings, document))
    document.update(sceptic_tables(ordered, study, settings, document))
    return Results(
        document=document,
        pairs=pairs,
        traces=trace_table(ordered),
    )


def _beforehand(
    ordered: list[SessionResult], study: Study, settings: Settings, document: dict[str, Any]
) -> dict[str, Any]:
    """What was declared before results were seen, how many times they were, and where the study departs from it."""
    declared = declared_in(study.decisions)
    looks = sum(d.kind == "look" for d in study.decisions)
    row: dict[str, Any] = {"look": looks + 1, "decision": None}
    if declared is not None:
        said = declared.declaration
        row |= {
            "decision": declared.decision.id,
            "made": declared.decision.made,
            "hash": short_hash(declared.sha256),
            "sha256": declared.sha256,
            "looks_before": declared.looks_before_first,
            **{k: v for k, v in dataclasses.asdict(said).items() if k != "systematic"},
            "sessions_compared": compared_sessions(document, said),
            "systematic": {
                **dataclasses.asdict(said.systematic),
                "states": [
                    {**cell, "systematic": (cell["share"]["value"] or 0.0) >= said.systematic.share_of_sessions}
                    for cell in affected_rows(ordered, settings, least_s=said.systematic.least_seconds)
                    if cell["state"] != "between"  # no failure of its own
                ],
            },
        }
    return {"declared": row, "deviations": deviations(study, declared, document)}


def _in_study_order(results: Sequence[SessionResult], study: Study) -> list[SessionResult]:
    by_name = {r.material.name: r for r in results}
    return [by_name[s.name] for s in study.sessions if s.name in by_name]
