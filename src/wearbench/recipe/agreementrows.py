"""Tables of the document about agreement: over all, by group, by rhythm, by version."""

from __future__ import annotations

from typing import Any, cast

import numpy as np

from wearbench.core.agreement import summarise
from wearbench.core.agreement.coverage import Texture, choose_effect, texture_of
from wearbench.core.agreement.summary import IntervalMethod
from wearbench.recipe.learning import StudyParameters
from wearbench.recipe.rhythms import rhythm_rows
from wearbench.recipe.rowparts import NOT_ASKED, by_series, coverage_row, estimate_row, participant_of
from wearbench.recipe.sessionresult import SeriesResult, SessionResult, SumsRow
from wearbench.recipe.versions import Told, unknown_both_ways
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["agreement_rows", "rows_by_rhythm", "version_rows"]


def rows_by_rhythm(parameters: StudyParameters, ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """Each rhythm of the devices that keep several."""
    return [
        row
        for key, group in by_series(ordered).items()
        for row in rhythm_rows(*key, parameters.series[key], [s.rhythms for _, s in group])
    ]


def version_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """Before against after each change of firmware, sessions of unknown version counted both ways."""
    out: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        told = []
        for r, s in group:
            used = s.pairs.used
            spent = {t.state: t.seconds for t in s.state_times if t.by == "all" and t.state not in NOT_ASKED}
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


def _texture(group: list[tuple[SessionResult, SeriesResult]], readings: str) -> Texture:
    """What the differences of a series are like within its sessions."""
    parts = []
    for _, s in group:
        mask = s.pairs.used if readings == "all" else s.pairs.used & (s.states.state == 0)
        order = np.argsort(s.pairs.start_s[mask], kind="stable")
        parts.append((s.pairs.tested - s.pairs.reference)[mask][order])
    return texture_of(parts)


def agreement_rows(ordered: list[SessionResult], study: Study, settings: Settings) -> list[dict[str, Any]]:
    """Agreement of each device, quantity, group, choice of readings and clock."""
    out: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        cells: dict[tuple[str, str, str, str], list[tuple[str, SumsRow]]] = {}
        for r, s in group:
            for row in s.sums:
                cells.setdefault((row.readings, row.clock, row.by, row.group), []).append((r.material.name, row))
                if row.by == "all" and row.clock == "fitted" and len(group) > 1:
                    key = (row.readings, row.clock, "session", r.material.name)
                    cells.setdefault(key, []).append((r.material.name, row))
        references = sorted({s.reference_device for _, s in group})
        textures = {readings: _texture(group, readings) for readings in ("all", "faithful")}
        for (readings, clock, by, name), rows in cells.items():
            sessions = [session for session, _ in rows]
            people = [participant_of(study, session) for session in sessions]
            one = len(set(sessions)) == 1
            sums = np.concatenate([row.blocks for _, row in rows]) if one else np.stack([row.sums for _, row in rows])
            count = [len(row.blocks) for _, row in rows] if one else [1] * len(rows)
            codes = {session: i for i, session in enumerate(sorted(set(sessions)))}
            owners = {person: i for i, person in enumerate(sorted(set(people)))}
            which = np.repeat([codes[s] for s in sessions], count)
            who = np.repeat([owners[p] for p in people], count)
            effect = choose_effect(sums, session=which, participant=who, texture=textures.get(readings))
            estimates = summarise(
                sums,
                session=which,
                participant=who,
                blocks=one,
                confidence=settings.confidence,
                interval=cast(IntervalMethod, settings.interval),
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
                    "effects": effect.name,
                    "effects_why": effect.why,
                    "statistics": {
                        key: estimate_row(e)
                        | coverage_row(
                            key, e, people=len(owners), sessions=len(codes), effect=effect.name, settings=settings
                        )
                        for key, e in estimates.items()
                    },
                }
            )
    return out
