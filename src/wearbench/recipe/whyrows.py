"""Table of the document about why: odds of each failure under each condition, every question counted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.chance import holm
from wearbench.recipe.affected import least_seconds
from wearbench.recipe.asking import LEAST_S, Answer, Asked, Worn
from wearbench.recipe.cadencerows import cadence_rows
from wearbench.recipe.moments import Moments, moments_of
from wearbench.recipe.questions import Question, questions_of
from wearbench.recipe.rowparts import by_series, estimate_row
from wearbench.recipe.sessionresult import SessionResult
from wearbench.settings import Settings
from wearbench.study import Study, declared_in
from wearbench.wording import FAILURES

__all__ = ["adjusted", "rows_of_series", "why_tables"]

F64 = NDArray[np.float64]

_DRAWS: Final = 9_999


def why_tables(ordered: list[SessionResult], study: Study, settings: Settings) -> dict[str, list[dict[str, Any]]]:
    """Odds of each failure that lasted long enough in all against every condition.

    Parameters
    ----------
    ordered : list of SessionResult
        In the order of the study.
    study : Study
    settings : Settings

    Returns
    -------
    dict of lists of dict
        ``why``: a row a question, also where it has no answer. Failures that in all lasted less than what makes a
        session an affected one are not asked about. ``cadence_evidence``: whether differences go with the cadence.
    """
    declared = declared_in(study.decisions)
    named = () if declared is None else declared.declaration.questions
    least_s, sure_from = least_seconds(study, settings), settings.affected_probability
    rows: list[dict[str, Any]] = []
    cadence: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        known = study.config.all_quantities[quantity]
        if not known.state_model:
            continue
        every = [m for r, s in group if (m := moments_of(r, s, study, sure_from=sure_from)).seconds.size]
        asked = list(questions_of(every, study.participants, unit=known.unit))
        found = rows_of_series(every, asked, settings, name=f"{device} {quantity}", least_s=least_s, named=named)
        of_series = {"device": device, "quantity": quantity}
        rows += [{**of_series, **row} for row in found]
        cadence += [{**of_series, **row} for row in cadence_rows(every, settings)]
    return {"why": adjusted(rows), "cadence_evidence": cadence}


def adjusted(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same rows, p adjusted for the number of questions asked of a device.

    Those that were named beforehand are counted among themselves, the others among all.
    """
    families: dict[tuple[str, bool], list[dict[str, Any]]] = {}
    for row in rows:
        families.setdefault((row["device"], False), []).append(row)
        if not row["exploratory"]:
            families.setdefault((row["device"], True), []).append(row)
    for (_, beforehand), family in families.items():
        told = [row for row in family if row["p"] is not None]
        for row, p in zip(told, holm([row["p"] for row in told]).tolist(), strict=True):
            if beforehand or row["exploratory"]:
                row["p_adjusted"], row["counted"] = p, len(told)
    return rows


def rows_of_series(
    every: Sequence[Moments],
    asked: Sequence[Question],
    settings: Settings,
    *,
    name: str,
    least_s: float,
    named: Sequence[str] = (),
) -> list[dict[str, Any]]:
    """Rows of one device and quantity, p not yet adjusted.

    Parameters
    ----------
    every : sequence of Moments
        One a session.
    asked : sequence of Question
    settings : Settings
    name : str
        Keys the random draws.
    least_s : float
        So many seconds of a state make a session an affected one.
    named : sequence of str
        Questions named beforehand: ``question`` or ``question=group``.
    """
    every = sorted(every, key=lambda m: m.session.name)  # so that draws do not depend on the order read
    worn = Worn.of(every)
    states = [state for state in (*FAILURES, "missing") if worn.lasted_s[state] >= least_s]
    draws = max(_DRAWS, min(99_999, 100 * len(states) * len(asked)))
    rows: list[dict[str, Any]] = []
    for question in asked if states else ():
        one = Asked(worn, [question.sides(m) for m in every])
        beforehand = question.name in named or f"{question.name}={question.group}" in named
        for state in states:
            found = one.answer(
                state,
                refused=question.why or question.own.get(state, ""),
                confidence=settings.confidence,
                seed=settings.seed,
                draws=draws,
                name=f"{name} {question.name} {question.group}",
            )
            rows.append(
                {
                    "state": state,
                    "question": question.name,
                    "group": question.group,
                    "against": question.against,
                    **_answered(found, least_s=least_s),
                    "exploratory": not beforehand,
                }
            )
    return sorted(rows, key=lambda row: states.index(row["state"]))


def _answered(found: Answer, *, least_s: float) -> dict[str, Any]:
    a, b, c, d = (float(x) for x in found.cells.sum(axis=0))
    chance = found.chance
    how = "" if chance is None else f"{chance.looked_at} arrangements, {'all' if chance.exact else 'drawn'}"
    return {
        "level": found.level,
        "seconds_in": a,
        "seconds_out": c,
        "share_in": a / (a + b) if a + b > 0 else None,
        "share_out": c / (c + d) if c + d > 0 else None,
        **_sessions(found.cells, least_s),
        "least_seconds": least_s,
        "odds_ratio": estimate_row(found.odds),
        "p": None if chance is None else chance.p,
        "p_least": None if chance is None else chance.least,
        "p_method": how or None,
        "p_adjusted": None,
        "counted": 0,
        "why": found.why,
    }


def _sessions(cells: F64, least_s: float) -> dict[str, int]:
    """In how many of the sessions with a minute on a side the state showed for long enough there."""
    inside, outside = cells[:, :2].sum(axis=1) >= LEAST_S, cells[:, 2:].sum(axis=1) >= LEAST_S
    return {
        "affected_in": int(np.sum(inside & (cells[:, 0] >= least_s))),
        "sessions_in": int(inside.sum()),
        "affected_out": int(np.sum(outside & (cells[:, 2] >= least_s))),
        "sessions_out": int(outside.sum()),
    }
