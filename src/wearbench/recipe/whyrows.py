"""Table of the document about why: odds of each failure under each condition, every question counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.chance import Chance, holm, label_chance, shift_chance, shift_sums
from wearbench.core.clusters import Estimate
from wearbench.core.odds import Level, level_of, odds_between, odds_of_blocks, odds_within
from wearbench.core.runs import runs_of
from wearbench.core.states import STATES
from wearbench.recipe.cadencerows import cadence_rows
from wearbench.recipe.moments import MISSING, Moments, moments_of
from wearbench.recipe.questions import Question, questions_of
from wearbench.recipe.rowparts import by_series, estimate_row
from wearbench.recipe.sessionresult import SessionResult
from wearbench.settings import Settings
from wearbench.study import Study, declared_in
from wearbench.wording import FAILURES

__all__ = ["adjusted", "rows_of_series", "why_tables"]

F64 = NDArray[np.float64]
I8 = NDArray[np.int8]

_DRAWS: Final = 9_999
_CELL_S: Final = 10.0
_MOST_CELLS: Final = 4096
_LEAST_S: Final = 60.0
"""With less time than this on one side, in all, nothing is said."""


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
    least_s = settings.affected_s if declared is None else declared.declaration.systematic.least_seconds
    rows: list[dict[str, Any]] = []
    cadence: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        known = study.config.all_quantities[quantity]
        if not known.state_model:
            continue
        every = [m for r, s in group if (m := moments_of(r, s, study)).seconds.size]
        asked = list(questions_of(every, study, unit=known.unit))
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
    states = [state for state in (*FAILURES, "missing") if _lasted_s(every, state) >= least_s]
    sessions = np.argsort(np.argsort([m.session.name for m in every]))
    people = np.unique([m.participant for m in every], return_inverse=True)[1]
    runs = {state: _run_s(every, state) for state in states}
    draws = max(_DRAWS, min(99_999, 100 * len(states) * len(asked)))
    rows: list[dict[str, Any]] = []
    for question in asked:
        sides = [question.sides(m) for m in every]
        for state in states:
            one = _Asked(
                every=every,
                sides=sides,
                state=state,
                session=sessions,
                participant=people,
                run_s=runs[state],
                confidence=settings.confidence,
                seed=settings.seed,
                draws=draws,
                name=f"{name} {state} {question.name} {question.group}",
            )
            beforehand = question.name in named or f"{question.name}={question.group}" in named
            rows.append(
                {
                    "state": state,
                    "question": question.name,
                    "group": question.group,
                    "against": question.against,
                    **_answer(one, question, least_s=least_s),
                    "exploratory": not beforehand,
                }
            )
    return sorted(rows, key=lambda row: states.index(row["state"]))


def _lasted_s(every: Sequence[Moments], state: str) -> float:
    return sum(float(m.seconds[m.state == _code(state)].sum()) for m in every)


def _code(state: str) -> int:
    return MISSING if state == "missing" else STATES.index(state)


def _run_s(every: Sequence[Moments], state: str) -> float:
    """How long a stretch of the state lasts on average."""
    code, seconds, count = _code(state), 0.0, 0
    for m in every:
        hit = m.state == code
        seconds += float(m.seconds[hit].sum())
        count += int(runs_of(hit.astype(np.int8)).label.sum())
    return seconds / max(1, count)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    """One question about one state: the moments of each session and their sides."""

    every: Sequence[Moments]
    sides: Sequence[I8]
    state: str
    session: NDArray[np.int64]
    participant: NDArray[np.int64]
    run_s: float
    confidence: float
    seed: int
    draws: int
    name: str

    def counting(self, k: int) -> tuple[F64, NDArray[np.bool_], I8]:
        """Seconds, whether in the state, and side, of the moments of a session that count, in order of time.

        Without a value no state but ``missing`` can show: only that is told over all time.
        """
        m, side = self.every[k], self.sides[k]
        keep = side >= 0 if self.state == "missing" else (side >= 0) & m.valued
        return m.seconds[keep], m.state[keep] == _code(self.state), side[keep]

    def cells(self) -> F64:
        """Seconds in and not in the state, on either side, of each session."""
        out = np.zeros((len(self.every), 4))
        for k in range(len(self.every)):
            seconds, hit, side = self.counting(k)
            out[k] = np.bincount(2 * (side == 0) + ~hit, weights=seconds, minlength=4)
        return out


def _answer(one: _Asked, question: Question, *, least_s: float) -> dict[str, Any]:
    cells = one.cells()
    a, b, c, d = (float(x) for x in cells.sum(axis=0))
    row: dict[str, Any] = {
        "level": "none",
        "seconds_in": a,
        "seconds_out": c,
        "share_in": a / (a + b) if a + b > 0 else None,
        "share_out": c / (c + d) if c + d > 0 else None,
        **_sessions(cells, least_s),
        "least_seconds": least_s,
    }
    level: Level = "none" if question.why else level_of(cells, one.participant)
    why = question.why
    if not why and min(a + b, c + d) < _LEAST_S:
        why = f"less than {_LEAST_S:g} s on one side"
    elif not why and level == "none":
        why = "every session lies on one side, or sessions and people do together"
    if why:
        nothing = Estimate(value=None, low=None, high=None, method="odds of seconds", n=0, why=why)
        return {**row, "odds_ratio": estimate_row(nothing), **_no_chance(), "why": why}
    if len(one.every) == 1:
        found, chance = _of_one_session(one), _shifted(one, cells)
    elif level == "within sessions":
        found = odds_within(
            cells, session=one.session, participant=one.participant, run_s=one.run_s, confidence=one.confidence
        )
        chance = _shifted(one, cells)
    else:
        found, chance = _whole_sessions(one, cells, level)
    said = _chance(chance) if found.value is not None and chance.looked_at > 1 else _no_chance()
    caution = found.why or ("one session: no general claim" if len(one.every) == 1 else None)
    return {**row, "level": level, "odds_ratio": estimate_row(found), **said, "why": caution}


def _sessions(cells: F64, least_s: float) -> dict[str, int]:
    """In how many of the sessions with a minute on a side the state showed for long enough there."""
    inside, outside = cells[:, :2].sum(axis=1) >= _LEAST_S, cells[:, 2:].sum(axis=1) >= _LEAST_S
    return {
        "affected_in": int(np.sum(inside & (cells[:, 0] >= least_s))),
        "sessions_in": int(inside.sum()),
        "affected_out": int(np.sum(outside & (cells[:, 2] >= least_s))),
        "sessions_out": int(outside.sum()),
    }


def _no_chance() -> dict[str, Any]:
    return {"p": None, "p_least": None, "p_method": None, "p_adjusted": None, "counted": 0}


def _chance(found: Chance) -> dict[str, Any]:
    how = "all" if found.exact else "drawn"
    said = {"p": found.p, "p_least": found.least, "p_method": f"{found.looked_at} arrangements, {how}"}
    return {**_no_chance(), **said}


def _shifted(one: _Asked, cells: F64) -> Chance:
    """Chance by circular shift of the state within each session that has it and lies on both sides."""
    telling = (cells[:, 0] + cells[:, 2] > 0) & (cells[:, :2].sum(axis=1) > 0) & (cells[:, 2:].sum(axis=1) > 0)
    sums = []
    for k in np.flatnonzero(telling).tolist():
        seconds, hit, side = one.counting(k)
        middle = np.cumsum(seconds) - 0.5 * seconds
        length = max(_CELL_S, float(np.median(seconds)), float(seconds.sum()) / _MOST_CELLS)
        piece = (middle / length).astype(np.int64)
        n = int(piece[-1]) + 1
        parts = (np.bincount(piece, weights=seconds * of, minlength=n) / length for of in (hit, side == 1))
        sums.append(length * shift_sums(*parts))
    return shift_chance(sums, draws=one.draws, seed=one.seed, name=one.name)


def _of_one_session(one: _Asked) -> Estimate:
    """Blocks of the only session, at least a minute and five correlation times long."""
    seconds, hit, side = one.counting(0)
    inside = float(seconds[hit].sum())
    gap = one.run_s * (float(seconds.sum()) - inside) / inside if inside > 0 else 0.0
    correlation = one.run_s * gap / (one.run_s + gap) if gap > 0 else one.run_s
    length = max(_LEAST_S, 5.0 * correlation)
    block = ((np.cumsum(seconds) - 0.5 * seconds) / length).astype(np.int64)
    cell = 4 * block + 2 * (side == 0) + ~hit
    table = np.bincount(cell, weights=seconds, minlength=4 * (int(block[-1]) + 1)).reshape(-1, 4)
    return odds_of_blocks(table, run_s=one.run_s, confidence=one.confidence)


def _whole_sessions(one: _Asked, cells: F64, level: Level) -> tuple[Estimate, Chance]:
    """Sessions that lie wholly, or mostly, on one side: exchanged within participants, or participants exchanged."""
    there = cells.sum(axis=1) > 0
    hit, asked = (cells[:, 0] + cells[:, 2])[there], cells[there].sum(axis=1)
    side = (cells[:, :2].sum(axis=1) > cells[:, 2:].sum(axis=1))[there]
    who, which = one.participant[there], one.session[there]
    found = odds_between(hit, asked, side, session=which, participant=who, run_s=one.run_s, confidence=one.confidence)
    if level == "between sessions":
        of_person = np.array([hit[who == w].sum() / asked[who == w].sum() for w in who.tolist()])
        excess, block = hit - of_person * asked, who
    else:
        names, index = np.unique(who, return_inverse=True)
        hits, totals = (np.bincount(index, weights=x, minlength=names.size) for x in (hit, asked))
        side = np.array([bool(side[who == w].any()) for w in names.tolist()])
        excess, block = hits - hits.sum() / totals.sum() * totals, np.zeros(names.size, dtype=np.int64)
    return found, label_chance(excess, side, block, draws=one.draws, seed=one.seed, name=one.name)
