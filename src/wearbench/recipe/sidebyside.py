"""Table of the document about two tested devices in the same sessions: only the time that both have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.core.differences import paired_mean
from wearbench.core.flips import mcnemar_exact, sign_flip_test
from wearbench.core.permutation import Rearranged
from wearbench.core.states import STATES
from wearbench.core.timelines import shared_pieces
from wearbench.recipe.occasions import Occasions
from wearbench.recipe.rowparts import estimate_row
from wearbench.recipe.sessionresult import SeriesResult
from wearbench.settings import Settings

__all__ = ["side_by_side_rows"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_MISSING = len(STATES)
_FAILURES = tuple(s for s in (*STATES[1:], "missing") if s != "between")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Timeline:
    """Stretches of a series in order: what the device was doing and how far it was off (NaN without a value)."""

    start_s: F64
    end_s: F64
    state: I64
    off: F64


@dataclass(frozen=True, kw_only=True, slots=True)
class _Common:
    """The time of one session that both devices have; index 0 and 1 are the devices.

    ``held_s`` are the seconds of each state, shape (2, states); ``off_s`` the integral of the absolute difference over
    ``valued_s``, in which both gave a value.
    """

    session: str
    person: int
    held_s: F64
    off_s: F64
    valued_s: float

    @property
    def seconds(self) -> float:
        return float(self.held_s[0].sum())


def side_by_side_rows(every: list[Occasions], labels: Mapping[str, str], settings: Settings) -> list[dict[str, Any]]:
    """Rows of each two tested devices of one quantity: one a measure.

    Parameters
    ----------
    every : list of Occasions
    labels : mapping
        Of the devices.
    settings : Settings

    Returns
    -------
    list of dict
    """
    out: list[dict[str, Any]] = []
    for first, second in combinations(every, 2):
        if first.history.quantity == second.history.quantity:
            out += [
                row | {"other_label": labels.get(second.history.device, second.history.device)}
                for row in _rows(first, second, settings)
            ]
    return out


def _rows(first: Occasions, second: Occasions, settings: Settings) -> list[dict[str, Any]]:
    others = dict(zip(second.names, second.results, strict=True))
    common = [
        found
        for name, person, (_, series) in zip(first.names, first.people, first.results, strict=True)
        if name in others and (found := _common(name, int(person), series, others[name][1])) is not None
    ]
    if not common:
        return []
    head = {
        "device": first.history.device,
        "other": second.history.device,
        "quantity": first.history.quantity,
        "sessions": [c.session for c in common],
        "n_sessions": len(common),
        "n_participants": len({c.person for c in common}),
        "common_seconds": sum(c.seconds for c in common),
    }
    people = np.array([c.person for c in common])
    seconds = np.array([c.seconds for c in common])
    right = np.array([c.held_s[:, 0] for c in common])
    valued = np.array([c.valued_s for c in common])
    off = np.array([c.off_s for c in common])
    unit = first.results[0][1].unit
    rows = [
        head | _continuous("tracking_share", "", right, seconds, people, settings, key=head),
        head | _continuous("mae", unit, off, valued, people, settings, key=head),
    ]
    for state in _FAILURES:
        code = _MISSING if state == "missing" else STATES.index(state)
        hit = np.array([c.held_s[:, code] >= first.least_s - 1e-6 for c in common])
        if bool(hit.any()):
            rows.append(head | _affected(state, hit, people, settings, key=head))
    return rows


def _continuous(
    measure: str, unit: str, top: F64, bottom: F64, people: I64, settings: Settings, *, key: dict[str, Any]
) -> dict[str, Any]:
    keep = bottom > 0
    top, bottom, people = top[keep], bottom[keep], people[keep]
    below = float(bottom.sum())
    values = top.sum(axis=0) / below if below > 0 else np.array([np.nan, np.nan])
    apart = (top[:, 0] - top[:, 1]) / bottom
    name = f"{key['device']}/{key['other']}/{key['quantity']}/{measure}"
    by_session = sign_flip_test(apart, weight=bottom, seed=settings.seed, name=name)
    by_person = None
    if np.unique(people).size > 1:
        by_person = sign_flip_test(apart, weight=bottom, cluster=people, seed=settings.seed, name=name)
    difference = paired_mean(apart, weight=bottom, participant=people, confidence=settings.confidence)
    return {
        "measure": measure,
        "state": None,
        "unit": unit,
        "value": float(values[0]),
        "value_other": float(values[1]),
        "difference": estimate_row(difference),
        **_test(by_session),
        "p_people": None if by_person is None else by_person.p,
        "p_people_smallest": None if by_person is None else by_person.smallest,
        **dict.fromkeys(("both", "only_device", "only_other", "neither")),
    }


def _test(found: Rearranged | None) -> dict[str, Any]:
    if found is None:
        return {"p": None, "p_smallest": None, "method": "sign flips by session"}
    how = "all" if found.enumerated else f"{found.looked_at:,} drawn"
    return {
        "p": found.p,
        "p_smallest": found.smallest,
        "method": f"sign flips by session, {how} of {found.arrangements:,}"
        if found.enumerated
        else f"sign flips, {how}",
    }


def _affected(
    state: str, hit: NDArray[np.bool_], people: I64, settings: Settings, *, key: dict[str, Any]
) -> dict[str, Any]:
    mine, other = hit[:, 0], hit[:, 1]
    only, only_other = int((mine & ~other).sum()), int((~mine & other).sum())
    apart = mine.astype(np.float64) - other.astype(np.float64)
    difference = paired_mean(apart, weight=np.ones(apart.size), participant=people, confidence=settings.confidence)
    discordant = only + only_other
    return {
        "measure": "sessions_affected",
        "state": state,
        "unit": "",
        "value": float(mine.mean()),
        "value_other": float(other.mean()),
        "difference": estimate_row(difference),
        "p": mcnemar_exact(only, only_other),
        "p_smallest": min(1.0, 2.0 / 2.0**discordant),
        "method": f"exact McNemar on {discordant} sessions in which only one was affected",
        "p_people": None,
        "p_people_smallest": None,
        "both": int((mine & other).sum()),
        "only_device": only,
        "only_other": only_other,
        "neither": int((~mine & ~other).sum()),
    }


def _timeline(series: SeriesResult) -> _Timeline:
    """Judged readings from the middle of their window on for as long as they count, and stretches without values."""
    pairs = series.pairs
    judged = np.flatnonzero((series.states.state >= 0) & np.isfinite(pairs.tested))
    start = 0.5 * (pairs.start_s + pairs.end_s)[judged]
    gone = [e for e in series.episodes if e.state == "missing"]
    starts = np.concatenate([start, [e.start_s for e in gone]])
    ends = np.concatenate([start + pairs.seconds[judged], [e.end_s for e in gone]])
    state = np.concatenate([series.states.state[judged].astype(np.int64), np.full(len(gone), _MISSING)])
    off = np.concatenate([np.abs(pairs.tested - pairs.reference)[judged], np.full(len(gone), np.nan)])
    order = np.argsort(starts, kind="stable")
    return _Timeline(start_s=starts[order], end_s=ends[order], state=state[order], off=off[order])


def _common(session: str, person: int, first: SeriesResult, second: SeriesResult) -> _Common | None:
    lines = (_timeline(first), _timeline(second))
    shared = shared_pieces(lines[0].start_s, lines[0].end_s, lines[1].start_s, lines[1].end_s)
    if not shared.seconds.size:
        return None
    held, off = np.zeros((2, _MISSING + 1)), np.zeros(2)
    apart = [line.off[at] for line, at in zip(lines, (shared.first, shared.second), strict=True)]
    valued = np.isfinite(apart[0]) & np.isfinite(apart[1])
    for side, (line, at) in enumerate(zip(lines, (shared.first, shared.second), strict=True)):
        held[side] = np.bincount(line.state[at], weights=shared.seconds, minlength=_MISSING + 1)
        off[side] = float((apart[side] * shared.seconds)[valued].sum())
    return _Common(session=session, person=person, held_s=held, off_s=off, valued_s=float(shared.seconds[valued].sum()))
