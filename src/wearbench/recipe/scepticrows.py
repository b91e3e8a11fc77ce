"""Tables of the document for who doubts: benefit of the doubt, and in how many analyses each claim holds.

A multiverse of reasonable choices shown whole, not the one that was liked (Steegen, Tuerlinckx, Gelman & Vanpaemel
2016, Perspect Psychol Sci 11:702-712).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from wearbench.core.agreement import Estimate
from wearbench.recipe.objections import objection_rows
from wearbench.recipe.rowparts import estimate_row
from wearbench.recipe.sessionresult import Alternative, SessionResult
from wearbench.recipe.studyalternatives import (
    Analysis,
    StudyAlternatives,
    absolute_error,
    asked_s,
    is_affected,
    study_alternatives,
)
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["benefit_rows", "choice_rows", "sceptic_tables"]

Row = dict[str, Any]
_N: Final = 0
_MEAN_DIFFERENCE: Final = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class _Claim:
    """Something a study says of a device, and when an analysis still says it."""

    name: str
    unit: str
    value: Callable[[Analysis], tuple[Estimate, int | None, int]]
    weight: Callable[[Alternative], float]
    holds: Callable[[Estimate, Estimate], bool]
    least_s: float | None = field(default=None)


def choice_rows(every: list[StudyAlternatives], affected: list[Row], settings: Settings) -> list[Row]:
    """Every claim under every reasonable analysis: what it gives, and whether the claim holds.

    Parameters
    ----------
    every : list of StudyAlternatives
    affected : list of dict
        The document's table of sessions affected; its faults are claims.
    settings : Settings

    Returns
    -------
    list of dict
        The analysis itself first for each claim. A fault holds where it is still seen in at least one session, and
        where the exact interval of the share of sessions affected lies wholly on one side of a half as analysed, it
        still does. A bias holds where its interval says the same of its direction; tracking share and mean absolute
        error where the value stays inside the interval given.
    """
    return [row for one in every for claim in _claims(one, affected, settings) for row in _rows(one, claim)]


def _rows(one: StudyAlternatives, claim: _Claim) -> Iterator[Row]:
    base, hit, n = claim.value(one.analysed)
    if base.value is None or (claim.least_s is None and (base.low is None or base.high is None)):
        return
    for analysis in [one.analysed, *one.analyses(claim.weight, claim=claim.name)]:
        found, hit, n = claim.value(analysis)
        yield {
            "device": one.device,
            "quantity": one.quantity,
            "claim": claim.name,
            "analysis": analysis.name,
            "words": analysis.words,
            "reason": analysis.reason or None,
            **estimate_row(found),
            "unit": claim.unit,
            "n_affected": hit,
            "n_sessions": n,
            "least_seconds": claim.least_s,
            "holds": found.value is not None and claim.holds(base, found),
        }


def _claims(one: StudyAlternatives, affected: list[Row], settings: Settings) -> Iterator[_Claim]:
    def judged(analysis: Analysis) -> int:
        return sum(a is not None for a in analysis.picks)

    def of_agreement(name: str) -> Callable[[Analysis], tuple[Estimate, int | None, int]]:
        def value(analysis: Analysis) -> tuple[Estimate, int | None, int]:
            return one.agreement(analysis.picks, settings=settings)[name], None, judged(analysis)

        return value

    def of_state(state: str, least_s: float) -> Callable[[Analysis], tuple[Estimate, int | None, int]]:
        def value(analysis: Analysis) -> tuple[Estimate, int | None, int]:
            k, n = one.affected(analysis.picks, state, least_s=least_s)
            return one.affected_share(analysis.picks, state, least_s=least_s, settings=settings), k, n

        return value

    def right(analysis: Analysis) -> tuple[Estimate, int | None, int]:
        return one.tracking(analysis.picks, settings=settings), None, judged(analysis)

    for state, least_s in _faults(one, affected):
        yield _Claim(
            name=state,
            unit="share of sessions",
            value=of_state(state, least_s),
            weight=lambda a, state=state: a.sure_s.get(state, 0.0),  # type: ignore[misc]
            holds=_still_seen,
            least_s=least_s,
        )
    yield _Claim(name="tracking", unit="share of time", value=right, weight=_wrong_s, holds=_inside)
    yield _Claim(name="mae", unit=one.unit, value=of_agreement("mae"), weight=absolute_error, holds=_inside)
    bias = one.agreement(one.analysed.picks, settings=settings)["bias"].value or 0.0
    yield _Claim(
        name="bias",
        unit=one.unit,
        value=of_agreement("bias"),
        weight=lambda a: float(np.sign(bias)) * _difference(a),
        holds=_same_direction,
    )


def _faults(one: StudyAlternatives, affected: list[Row]) -> list[tuple[str, float]]:
    """States that count as a fault of the device, with the seconds that make them one."""
    mine = [r for r in affected if (r["device"], r["quantity"]) == (one.device, one.quantity) and r.get("fault")]
    return [(str(row["state"]), float(row["least_seconds"])) for row in mine]


def _side(estimate: Estimate, at: float) -> int:
    """1 where the interval lies wholly above a figure, -1 wholly below, else 0."""
    if estimate.low is None or estimate.high is None:
        return 0
    return int(estimate.low > at) - int(estimate.high < at)


def _still_seen(base: Estimate, other: Estimate) -> bool:
    side = _side(base, 0.5)
    return (other.value or 0.0) > 0 and (side == 0 or _side(other, 0.5) == side)


def _same_direction(base: Estimate, other: Estimate) -> bool:
    return _side(base, 0.0) == _side(other, 0.0)


def _inside(base: Estimate, other: Estimate) -> bool:
    inside = base.low is not None and base.high is not None and other.value is not None
    return inside and base.low - 1e-12 <= other.value <= base.high + 1e-12  # type: ignore[operator]


def _wrong_s(alternative: Alternative) -> float:
    return asked_s(alternative) - alternative.seconds.get("faithful", 0.0)


def _difference(alternative: Alternative) -> float:
    return float((alternative.blocks[:, _N] * alternative.blocks[:, _MEAN_DIFFERENCE]).sum())


def _pairs(alternative: Alternative) -> float:
    return float(alternative.blocks[:, _N].sum())


def _mean_absolute(alternative: Alternative) -> float:
    n = _pairs(alternative)
    return absolute_error(alternative) / n if n > 0 else math.nan


def _right_share(alternative: Alternative) -> float:
    return alternative.seconds.get("faithful", 0.0) / max(asked_s(alternative), 1e-9)


def benefit_rows(every: list[StudyAlternatives], affected: list[Row], settings: Settings) -> list[Row]:
    """Each failure, and how far off it was, with the clock and averaging that flatter the device most in each session.

    Parameters
    ----------
    every : list of StudyAlternatives
    affected : list of dict
        The document's table of sessions affected; its faults are asked about.
    settings : Settings

    Returns
    -------
    list of dict
        Chosen anew for each row and session, jointly, never beyond what the intervals allow. ``sessions`` lists what
        was chosen where it was not the analysis itself; ``n_fixed`` sessions have nothing that could move.
    """
    out: list[Row] = []
    for one in every:
        fixed = sum(len(one.corners(k)) == 1 for k in range(len(one.sessions)))
        mine = {"device": one.device, "quantity": one.quantity}
        out += [mine | _of_state(one, *fault, settings, fixed=fixed) for fault in _faults(one, affected)]
        picks = _best_ratio(one, absolute_error, _pairs, pairs_only=True)
        both = [one.agreement(p, settings=settings)["mae"] for p in (one.analysed.picks, picks)]
        out.append(mine | _benefit_row(one, "mae", one.unit, both, picks, _mean_absolute, fixed=fixed))
        picks = _best_ratio(one, lambda a: -a.seconds.get("faithful", 0.0), asked_s)
        both = [one.tracking(p, settings=settings) for p in (one.analysed.picks, picks)]
        out.append(mine | _benefit_row(one, "tracking", "share of time", both, picks, _right_share, fixed=fixed))
    return out


def _of_state(one: StudyAlternatives, state: str, least_s: float, settings: Settings, *, fixed: int) -> Row:
    def held(a: Alternative) -> float:
        return a.sure_s.get(state, 0.0) if is_affected(a, state, least_s=least_s) else 0.0

    picks = _best(one, lambda a: (is_affected(a, state, least_s=least_s), a.sure_s.get(state, 0.0)))
    both = [one.affected_share(p, state, least_s=least_s, settings=settings) for p in (one.analysed.picks, picks)]
    (k, n), (kept, _) = (one.affected(p, state, least_s=least_s) for p in (one.analysed.picks, picks))
    row = _benefit_row(one, state, "share of sessions", both, picks, held, fixed=fixed)
    return row | {"n_affected": k, "n_affected_flattered": kept, "n_sessions": n, "least_seconds": least_s}


def _best(
    one: StudyAlternatives, against: Callable[[Alternative], Any], *, pairs_only: bool = False
) -> tuple[Alternative, ...]:
    """Of each session the corner that speaks least against the device; of equal ones the analysis itself."""
    return tuple(min(one.corners(k, pairs_only=pairs_only), key=against) for k in range(len(one.sessions)))


def _best_ratio(
    one: StudyAlternatives,
    top: Callable[[Alternative], float],
    bottom: Callable[[Alternative], float],
    *,
    pairs_only: bool = False,
) -> tuple[Alternative, ...]:
    """The corners whose ratio of sums over the sessions is smallest (Dinkelbach 1967, Manage Sci 13:492-498).

    Corners differ in how many pairs they leave, so that the best of each session alone need not be the best together.
    """
    picks: tuple[Alternative, ...] = one.analysed.picks  # type: ignore[assignment]
    for _ in range(20):
        whole = sum(bottom(a) for a in picks)
        if whole <= 0:
            return picks
        ratio = sum(top(a) for a in picks) / whole
        found = _best(one, lambda a, ratio=ratio: top(a) - ratio * bottom(a), pairs_only=pairs_only)  # type: ignore[misc]
        if all(a is b for a, b in zip(picks, found, strict=True)):
            return picks
        picks = found
    return picks


def _benefit_row(
    one: StudyAlternatives,
    what: str,
    unit: str,
    both: list[Estimate],
    picks: tuple[Alternative, ...],
    shown: Callable[[Alternative], float],
    *,
    fixed: int,
) -> Row:
    moved = [
        {
            "session": name,
            "clock_moved_s": pick.shift_s - kept[0].shift_s,
            "averaging_s": pick.averaging_s,
            "analysed": shown(kept[0]),
            "flattered": shown(pick),
        }
        for name, pick, kept in zip(one.sessions, picks, one.kept, strict=True)
        if pick is not kept[0]
    ]
    return {
        "what": what,
        "unit": unit,
        "analysed": estimate_row(both[0]),
        "flattered": estimate_row(both[1]),
        "n_affected": None,
        "n_affected_flattered": None,
        "n_sessions": len(one.sessions),
        "least_seconds": None,
        "n_fixed": fixed,
        "sessions": moved,
    }


def sceptic_tables(
    ordered: list[SessionResult], study: Study, settings: Settings, document: dict[str, Any]
) -> dict[str, list[Row]]:
    """The tables for who doubts, from the sessions and from what the document says already.

    Parameters
    ----------
    ordered : list of SessionResult
        In the order of the study.
    study : Study
    settings : Settings
    document : dict
        All that does not follow from these.

    Returns
    -------
    dict
        ``benefit``, ``choices`` and ``objections``; empty where the setting ``choices`` is off.
    """
    every = study_alternatives(ordered, study)
    choices = choice_rows(every, document["affected"], settings)
    return {
        "benefit": benefit_rows(every, document["affected"], settings),
        "choices": choices,
        "objections": objection_rows(every, ordered, study, {**document, "choices": choices}),
    }
