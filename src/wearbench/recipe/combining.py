"""Sums of sessions become the results of the study: agreement, shares of time, tables of the document."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench import __version__
from wearbench.core.agreement import Estimate, summarise
from wearbench.core.resample import ratio_interval, sessions_affected
from wearbench.core.running import values_over
from wearbench.core.states import STATES, credible_cadence
from wearbench.recipe.availability import Availability
from wearbench.recipe.learning import StudyParameters
from wearbench.recipe.material import FileNote, SessionMaterial
from wearbench.recipe.pairtable import pair_table
from wearbench.recipe.rhythms import mixed_words, rhythm_rows
from wearbench.recipe.sessionresult import SeriesResult, SessionResult, SumsRow
from wearbench.recipe.versions import Told, unknown_both_ways
from wearbench.settings import Settings
from wearbench.study import COLUMNS, PAIRS, TRACES, Problem, Results, Study, declared_in, deviations
from wearbench.study.declaration import short_hash
from wearbench.study.declared import compared_sessions
from wearbench.study.discovery import SPANNING
from wearbench.wording import duration
from wearbench.wording import share as share_words

__all__ = ["combine"]

F64 = NDArray[np.float64]
_OFFSETS = ("clock_offset", "clock_epoch")
_NOT_ASKED = ("not_worn", "not_expected", "unjudged")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


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
    rhythms = _rhythms(parameters, ordered)
    versions = _versions(ordered)
    document = {
        "schema": 1,
        "title": study.config.title,
        "invented": "invented" in study.config.title.lower(),
        "made": datetime.now(UTC),
        "tool": {"name": "wearbench", "version": __version__},
        "settings": dataclasses.asdict(settings),
        "parameters": _parameters(parameters),
        "inputs": [
            {"path": f.path, "sha256": f.sha256, "bytes": f.bytes, "format": f.format}
            for f in dict.fromkeys(f for r in ordered for f in r.material.inputs)
        ],
        "repairs": [dataclasses.asdict(n) for n in dict.fromkeys(n for r in ordered for n in r.material.repairs)],
        "files_left_out": _left_out(ordered, study),
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
        "sessions": [_session_row(r, study) for r in ordered],
        "copies": _compared(ordered, "copy"),
        "overlaps": _compared(ordered, "part", "export"),
        "references": _references(ordered),
        "clock": _clocks(ordered),
        "windows": _windows(parameters, ordered),
        "rhythms": rhythms,
        "versions": versions,
        "agreement": _agreement(ordered, study, settings),
        "states": _states(ordered),
        "tracking": _tracking(ordered, study, settings),
        "affected": _affected(ordered, settings),
        "flow": _flow(ordered),
        "episodes": _episodes(ordered),
        "findings": [],
        "proposals": _proposals(ordered),
        "warnings": _warnings(ordered, study) + _mixed(rhythms, study) + _unknown(versions, study),
    }
    document.update(_beforehand(ordered, study, settings, document))
    pairs = [pair_table(r, result, study) for r in ordered for result in r.results]
    return Results(
        document=document,
        pairs=pl.concat(pairs) if pairs else pl.DataFrame(schema=dict(PAIRS)),
        traces=_traces(ordered),
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
                    for cell in _affected(ordered, settings, least_s=said.systematic.least_seconds)
                    if cell["state"] != "between"  # no failure of its own
                ],
            },
        }
    return {"declared": row, "deviations": deviations(study, declared, document)}


def _in_study_order(results: Sequence[SessionResult], study: Study) -> list[SessionResult]:
    by_name = {r.material.name: r for r in results}
    return [by_name[s.name] for s in study.sessions if s.name in by_name]


def _participant(study: Study, session: str) -> str:
    return next(s.participant for s in study.sessions if s.name == session)


def _instant(material: SessionMaterial, seconds: float) -> datetime:
    return EPOCH + timedelta(milliseconds=material.origin_ms) + timedelta(seconds=seconds)


def _parameters(parameters: StudyParameters) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for (device, quantity), learned in parameters.series.items():
        out[f"{device}/{quantity}"] = {
            "averaging_s": learned.averaging.averaging_s,
            "averaging_low_s": learned.averaging.low_s,
            "averaging_high_s": learned.averaging.high_s,
            "averaging_how": learned.averaging.method,
            "delay_s": learned.delay_s,
            "delay_how": learned.delay_how,
            **{f"states_{f.name}": getattr(learned.states, f.name) for f in dataclasses.fields(learned.states)},
        }
    for quantity, (low, high) in parameters.thirds.items():
        out[f"thirds/{quantity}"] = {"low": low, "high": high}
    return out


def _left_out(ordered: list[SessionResult], study: Study) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = [
        {"path": note.file, "why": note.said, "slug": note.slug, "line": note.line}
        for note in dict.fromkeys(note for r in ordered for note in r.material.left_out)
    ]
    rows.extend(
        {"path": problem.file, "why": problem.said, "slug": problem.slug, "line": problem.line}
        for problem in study.problems
        if _left_out_file(problem)
    )
    return rows


def _left_out_file(problem: Problem) -> bool:
    """Whether a problem costs raw files, so that it is listed with them."""
    return bool(problem.costs and problem.file and problem.file.startswith("raw/"))


def _session_row(result: SessionResult, study: Study) -> dict[str, Any]:
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
        "start": _instant(material, min(starts)) if starts else None,
        "end": _instant(material, max(ends)) if ends else None,
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


def _compared(ordered: list[SessionResult], *kinds: str) -> list[dict[str, Any]]:
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


def _references(ordered: list[SessionResult]) -> list[dict[str, Any]]:
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
                {"start": _instant(r.material, d.start_s), "end": _instant(r.material, d.end_s), "why": d.why}
                for d in ref.doubts
            ],
        }
        for r in ordered
        for ref in r.material.references
    ]


def _clocks(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    rows = []
    for r in ordered:
        for s in r.results:
            move = s.offset_s - s.clock.shift_s
            rows.append(
                {
                    "session": r.material.name,
                    "device": s.device,
                    "quantity": s.quantity,
                    "at": _instant(r.material, s.clock.at_s - s.series.after_stamp_s),
                    "offset_s": s.offset_s,
                    "low_s": s.clock.low_s + move,
                    "high_s": s.clock.high_s + move,
                    "drift_ppm": s.clock.drift_ppm,
                    "drift_low_ppm": s.clock.drift_low_ppm,
                    "drift_high_ppm": s.clock.drift_high_ppm,
                    "offset_is": s.offset_is,
                    "method": s.clock.method,
                    "trust": s.clock.trust,
                    "why": s.clock.why or None,
                    "looks_like": next((p.said for p in s.proposals if p.kind in _OFFSETS), None),
                    "candidates": [
                        {"offset_s": c.shift_s + move, "loss": c.loss, "n": c.n} for c in s.clock.candidates
                    ],
                }
            )
    return rows


def _proposals(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """What the data suggest and nobody has decided; spans are on the device's own stamps."""
    return [
        {
            "kind": p.kind,
            "session": r.material.name,
            "device": p.device,
            "quantity": p.quantity,
            "said": p.said,
            "from": None if p.from_s is None else _own_stamp(r.material, s, p.from_s),
            "to": None if p.to_s is None else _own_stamp(r.material, s, p.to_s),
            "shift_s": p.shift_s,
            "evidence": p.evidence,
        }
        for r in ordered
        for s in r.results
        for p in s.proposals
    ]


def _own_stamp(material: SessionMaterial, s: SeriesResult, seconds: float) -> datetime:
    """An instant of a series on the device's own stamps, before anybody moved them."""
    at = min(int(np.searchsorted(s.series.time_s, seconds - 1e-6)), s.series.time_s.size - 1)
    return _instant(material, float(s.series.stamp_s[at]))


def _windows(parameters: StudyParameters, ordered: list[SessionResult]) -> list[dict[str, Any]]:
    return [
        {
            "device": device,
            "quantity": quantity,
            "averaging_s": learned.averaging.averaging_s,
            "low_s": learned.averaging.low_s,
            "high_s": learned.averaging.high_s,
            "method": learned.averaging.method,
            "delay_s": 0.0 if learned.delay_s is None else learned.delay_s,
            "delay_known": learned.delay_s is not None,
            "delay_how": learned.delay_how,
            "usual_interval_s": _usual(device, quantity, ordered),
        }
        for (device, quantity), learned in parameters.series.items()
    ]


def _rhythms(parameters: StudyParameters, ordered: list[SessionResult]) -> list[dict[str, Any]]:
    return [
        row
        for key, group in _by_series(ordered).items()
        for row in rhythm_rows(*key, parameters.series[key], [s.rhythms for _, s in group])
    ]


def _versions(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """Before against after each change of firmware, sessions of unknown version counted both ways."""
    out: list[dict[str, Any]] = []
    for (device, quantity), group in _by_series(ordered).items():
        told = []
        for r, s in group:
            used = s.pairs.used
            spent = {t.state: t.seconds for t in s.state_times if t.by == "all" and t.state not in _NOT_ASKED}
            told.append(
                Told(
                    session=r.material.name,
                    firmware=s.ran,
                    n=int(used.sum()),
                    size=float(np.abs(s.pairs.tested - s.pairs.reference)[used].sum()),
                    faithful_s=spent.get("faithful", 0.0),
                    asked_s=sum(spent.values()),
                )
            )
        out += unknown_both_ways(device, quantity, group[0][1].unit, told)
    return out


def _unknown(versions: list[dict[str, Any]], study: Study) -> list[dict[str, Any]]:
    """Say of each device in which sessions its version is not known, and whether that matters."""
    out = []
    for row in versions:
        if row["said"]:
            label = study.config.devices[row["device"]].label
            note = FileNote(slug="version-unknown", said=f"{label}: {row['said']}", file="versions.csv")
            out.append({"slug": note.slug, "said": note.said, "file": note.file, "session": None})
    return out


def _usual(device: str, quantity: str, ordered: list[SessionResult]) -> float | None:
    gaps = [
        float(np.median(np.diff(s.series.time_s)))
        for r in ordered
        for s in r.results
        if (s.device, s.quantity) == (device, quantity) and s.series.time_s.size > 1
    ]
    return float(np.median(gaps)) if gaps else None


def _by_series(ordered: list[SessionResult]) -> dict[tuple[str, str], list[tuple[SessionResult, SeriesResult]]]:
    groups: dict[tuple[str, str], list[tuple[SessionResult, SeriesResult]]] = {}
    for r in ordered:
        for s in r.results:
            groups.setdefault((s.device, s.quantity), []).append((r, s))
    return groups


def _agreement(ordered: list[SessionResult], study: Study, settings: Settings) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    for (device, quantity), group in _by_series(ordered).items():
        cells: dict[tuple[str, str, str, str], list[tuple[str, SumsRow]]] = {}
        for r, s in group:
            for row in s.sums:
                cells.setdefault((row.readings, row.clock, row.by, row.group), []).append((r.material.name, row))
                if row.by == "all" and row.clock == "fitted" and len(group) > 1:
                    key = (row.readings, row.clock, "session", r.material.name)
                    cells.setdefault(key, []).append((r.material.name, row))
        references = sorted({s.reference_device for _, s in group})
        for (readings, clock, by, name), rows in cells.items():
            sessions = [session for session, _ in rows]
            people = [_participant(study, session) for session in sessions]
            one = len(set(sessions)) == 1
            sums = np.concatenate([row.blocks for _, row in rows]) if one else np.stack([row.sums for _, row in rows])
            count = [len(row.blocks) for _, row in rows] if one else [1] * len(rows)
            codes = {session: i for i, session in enumerate(sorted(set(sessions)))}
            owners = {person: i for i, person in enumerate(sorted(set(people)))}
            estimates = summarise(
                sums,
                session=np.repeat([codes[s] for s in sessions], count),
                participant=np.repeat([owners[p] for p in people], count),
                blocks=one,
                confidence=settings.confidence,
                resamples=settings.resamples,
                seed=settings.seed,
                name=f"{device}/{quantity}/{by}/{name}/{readings}/{clock}",
            )
            out.append(
                {
                    "device": device,
                    "reference_device": " + ".join(references),
                    "quantity": quantity,
                    "unit": group[0][1].unit,
                    "by": by,
                    "group": name,
                    "readings": readings,
                    "clock": clock,
                    "n_pairs": int(sum(row.sums[0] for _, row in rows)),
                    "n_sessions": len(set(sessions)),
                    "n_participants": len(set(people)),
                    "statistics": {key: _estimate(e) for key, e in estimates.items()},
                }
            )
    return out


def _estimate(estimate: Estimate) -> dict[str, Any]:
    why = estimate.why
    if estimate.value is None and not why:
        why = "cannot be given"
    return {
        "value": estimate.value,
        "low": estimate.low,
        "high": estimate.high,
        "method": estimate.method,
        "n": estimate.n,
        "why": why,
    }


def _state_seconds(group: list[tuple[SessionResult, SeriesResult]]) -> dict[tuple[str, str], dict[str, float]]:
    cells: dict[tuple[str, str], dict[str, float]] = {}
    for _, s in group:
        for time in s.state_times:
            cell = cells.setdefault((time.by, time.group), {})
            cell[time.state] = cell.get(time.state, 0.0) + time.seconds
    return cells


def _states(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    order = {name: i for i, name in enumerate((*STATES, "missing", *_NOT_ASKED))}
    for (device, quantity), group in _by_series(ordered).items():
        for (by, name), cell in _state_seconds(group).items():
            total = sum(seconds for state, seconds in cell.items() if state not in _NOT_ASKED)
            for state in sorted(cell, key=lambda s: order[s]):
                share = cell[state] / total if total > 0 and state not in _NOT_ASKED else None
                out.append(
                    {
                        "device": device,
                        "quantity": quantity,
                        "by": by,
                        "group": name,
                        "state": state,
                        "seconds": cell[state],
                        "share": share,
                    }
                )
    return out


def _tracking(ordered: list[SessionResult], study: Study, settings: Settings) -> list[dict[str, Any]]:
    """Tracking share with its interval, and its bounds with missing time all right and all wrong."""
    out: list[dict[str, Any]] = []
    for (device, quantity), group in _by_series(ordered).items():
        wanted: dict[tuple[str, str], dict[str, dict[str, float]]] = {}
        for r, s in group:
            for time in s.state_times:
                cell = wanted.setdefault((time.by, time.group), {}).setdefault(r.material.name, {})
                cell[time.state] = cell.get(time.state, 0.0) + time.seconds
        for (by, name), sessions in wanted.items():
            faithful = {k: v.get("faithful", 0.0) for k, v in sessions.items()}
            missing = {k: v.get("missing", 0.0) for k, v in sessions.items()}
            unjudged = sum(v.get("unjudged", 0.0) for v in sessions.values())
            total = {k: sum(x for state, x in v.items() if state not in _NOT_ASKED) for k, v in sessions.items()}
            keys = sorted(k for k in sessions if total[k] > 0)
            if not keys:
                continue
            people = sorted({_participant(study, k) for k in keys})
            if len(keys) == 1:
                r, s = next((r, s) for r, s in group if r.material.name == keys[0])
                whole = by in ("all", "session", "firmware") or (by, name) == ("column", COLUMNS[-1])
                numerator = s.blocks_faithful if whole else np.array([faithful[keys[0]]])
                denominator = s.blocks_judged if whole else np.array([total[keys[0]]])
                codes = np.zeros(numerator.size, dtype=np.int64)
                estimate = ratio_interval(
                    np.minimum(numerator, denominator),
                    denominator,
                    participant=codes,
                    session=codes,
                    blocks=True,
                    confidence=settings.confidence,
                )
            else:
                estimate = ratio_interval(
                    np.array([min(faithful[k], total[k]) for k in keys]),
                    np.array([total[k] for k in keys]),
                    participant=np.array([people.index(_participant(study, k)) for k in keys]),
                    session=np.arange(len(keys)),
                    confidence=settings.confidence,
                )
            judged = sum(total[k] for k in keys)
            lost = sum(missing[k] for k in keys)
            kept = sum(faithful[k] for k in keys)
            out.append(
                {
                    "device": device,
                    "quantity": quantity,
                    "by": by,
                    "group": name,
                    **_estimate(estimate),
                    "n_sessions": len(keys),
                    "n_participants": len(people),
                    "faithful_seconds": kept,
                    "judged_seconds": judged - lost,
                    "missing_seconds": lost,
                    "unjudged_seconds": unjudged,
                    "missing_all_right": (kept + lost) / judged,
                    "missing_left_out": kept / (judged - lost) if judged > lost else None,
                }
            )
    return out


def _affected(ordered: list[SessionResult], settings: Settings, *, least_s: float = 30.0) -> list[dict[str, Any]]:
    """In how many sessions each state other than faithful showed for at least so long, half a minute by default."""
    out: list[dict[str, Any]] = []
    for (device, quantity), group in _by_series(ordered).items():
        per: dict[str, dict[str, float]] = {}
        longest: dict[str, float] = {}
        judged = 0
        for r, s in group:
            if any(t.by == "all" and t.state not in _NOT_ASKED for t in s.state_times):
                judged += 1
            for episode in (e for e in s.episodes if e.state not in _NOT_ASKED):
                cell = per.setdefault(episode.state, {})
                cell[r.material.name] = cell.get(r.material.name, 0.0) + episode.seconds
                longest[episode.state] = max(longest.get(episode.state, 0.0), episode.seconds)
        for state, cell in per.items():
            hit = sorted(name for name, seconds in cell.items() if seconds >= least_s)
            estimate = sessions_affected(len(hit), max(judged, len(hit)), confidence=settings.confidence)
            out.append(
                {
                    "device": device,
                    "quantity": quantity,
                    "state": state,
                    "sessions": hit,
                    "n_affected": len(hit),
                    "n_sessions": judged,
                    "least_seconds": least_s,
                    "share": _estimate(estimate),
                    "seconds": sum(cell.values()),
                    "longest_seconds": longest[state],
                }
            )
    return out


def _flow(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    for (device, quantity), group in _by_series(ordered).items():
        for step in group[0][1].flow:
            seconds = float(sum(s.flow[step] for _, s in group))
            out.append({"device": device, "quantity": quantity, "step": step, "seconds": seconds})
    return out


def _episodes(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    return [
        {
            "id": e.id,
            "event": e.event,
            "session": r.material.name,
            "device": s.device,
            "quantity": s.quantity,
            "state": e.state,
            "also": e.also or None,
            "start": _instant(r.material, e.start_s),
            "end": _instant(r.material, e.end_s),
            "seconds": e.seconds,
            "tested_mean": e.tested_mean,
            "reference_mean": e.reference_mean,
            "ratio": e.ratio,
            "probability": e.probability,
        }
        for r in ordered
        for s in r.results
        for e in s.episodes
    ]


def _mixed(rhythms: list[dict[str, Any]], study: Study) -> list[dict[str, Any]]:
    """Say of each device that keeps several rhythms that agreement weighs pairs, not time."""
    out = []
    for key in dict.fromkeys((row["device"], row["quantity"]) for row in rhythms):
        said = mixed_words(
            study.config.devices[key[0]].label, [row for row in rhythms if (row["device"], row["quantity"]) == key]
        )
        note = FileNote(slug="rhythms-mixed", said=said, file="")
        out.append({"slug": note.slug, "said": note.said, "file": None, "session": None})
    return out


def _warnings(ordered: list[SessionResult], study: Study) -> list[dict[str, Any]]:
    told = {f"raw/{r.material.name}" for r in ordered if r.unpaired}  # said below, with figures
    rows: list[dict[str, Any]] = [
        {"slug": p.slug, "said": str(p), "file": p.file, "session": None, "costs": p.costs or None}
        for p in study.problems
        if not _left_out_file(p) and not (p.slug == "session-no-reference" and p.file in told)
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


def _traces(ordered: list[SessionResult]) -> pl.DataFrame:
    """Continuous reference and cadence for drawing: a value every two seconds or so."""
    frames: list[pl.DataFrame] = []
    for r in ordered:
        origin_us = r.material.origin_ms * 1000
        drawn: set[str] = set()
        for reference in r.material.references:
            if reference.quantity in drawn:
                continue
            drawn.add(reference.quantity)
            span = reference.last_s - reference.first_s
            step = max(2.0, span / 3000.0)
            centre = np.arange(reference.first_s, reference.last_s, step) + 0.5 * step
            half = max(2.5, 0.5 * step)
            window = values_over(reference.running, centre - half, centre + half)
            value = np.where(window.covered >= 0.5, window.value, np.nan)
            frames.append(
                _trace(r.material.name, reference.device, "reference", reference.quantity, origin_us, centre, value,
                       window.doubtful > 0.5)
            )  # fmt: skip
        for series in r.material.context:
            if series.quantity != "cadence" or series.time_s.size == 0:
                continue
            value = credible_cadence(series.time_s, series.value)
            thin = max(1, series.time_s.size // 3000)
            none = np.zeros(series.time_s[::thin].size, dtype=bool)
            frames.append(
                _trace(r.material.name, series.device, "context", "cadence", origin_us, series.time_s[::thin],
                       value[::thin], none)
            )  # fmt: skip
    return pl.concat(frames) if frames else pl.DataFrame(schema=dict(TRACES))


def _trace(
    session: str,
    device: str,
    role: str,
    quantity: str,
    origin_us: int,
    time_s: F64,
    value: F64,
    doubtful: NDArray[np.bool_],
) -> pl.DataFrame:
    n = time_s.size
    stamps = origin_us + np.rint(time_s * 1e6).astype(np.int64)
    return pl.DataFrame(
        {
            "session": pl.Series([session], dtype=pl.String).new_from_index(0, n),
            "device": pl.Series([device], dtype=pl.String).new_from_index(0, n),
            "role": pl.Series([role], dtype=pl.String).new_from_index(0, n),
            "quantity": pl.Series([quantity], dtype=pl.String).new_from_index(0, n),
            "time": pl.Series(stamps).cast(pl.Datetime("us", "UTC")),
            "value": pl.Series(value),
            "doubtful": pl.Series(doubtful),
        },
        schema=dict(TRACES),
    )
