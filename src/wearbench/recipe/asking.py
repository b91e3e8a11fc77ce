"""One question about a device's failures: seconds on either side, the odds, and what chance gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.chance import Chance, label_chance, shift_chance, shift_sums
from wearbench.core.clusters import Estimate
from wearbench.core.odds import Level, level_of, odds_between, odds_of_blocks, odds_within
from wearbench.core.runs import runs_of
from wearbench.core.states import STATES
from wearbench.recipe.moments import MISSING, Moments

__all__ = ["LEAST_S", "Answer", "Asked", "Worn", "code_of"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
I8 = NDArray[np.int8]

_CELL_S: Final = 10.0
_MOST_CELLS: Final = 4096
LEAST_S: Final = 60.0
"""With less time than this on one side, in all, nothing is said; a session with so much counts as one of a side."""


def code_of(state: str) -> int:
    """The code of a state in moments."""
    return MISSING if state == "missing" else STATES.index(state)


@dataclass(frozen=True, kw_only=True, slots=True)
class Worn:
    """All sessions of one device and quantity: moments, codes of session and participant, length of stretches."""

    every: Sequence[Moments]
    session: I64
    participant: I64
    run_s: dict[str, float]
    lasted_s: dict[str, float]

    @classmethod
    def of(cls, every: Sequence[Moments]) -> Worn:
        """From the moments of the sessions."""
        states = (*STATES, "missing")
        lasted = {s: sum(float(m.seconds[m.state == code_of(s)].sum()) for m in every) for s in states}
        starts = {s: sum(_stretches(m.state == code_of(s)) for m in every) for s in states if lasted[s] > 0}
        return cls(
            every=every,
            session=np.argsort(np.argsort([m.session.name for m in every])),
            participant=np.unique([m.participant for m in every], return_inverse=True)[1],
            run_s={s: lasted[s] / starts[s] for s in starts},
            lasted_s=lasted,
        )


def _kind(state: str) -> str:
    """States that can show in the same moments have one kind."""
    return state if state in ("missing", "cadence_locked") else "any"


def _stretches(hit: NDArray[np.bool_]) -> int:
    return int(runs_of(hit.astype(np.int8)).label.sum())


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What a question about a state gave.

    ``cells`` are seconds in and not in the state under the condition, then without it, of each session; ``why`` says
    why there is no answer, or what to bear in mind.
    """

    cells: F64
    level: Level
    odds: Estimate
    chance: Chance | None
    why: str | None


class Asked:
    """One condition: which side each moment of each session lies on, to be asked about one state after another.

    Parameters
    ----------
    worn : Worn
    sides : sequence of int8 arrays
        Of each session: 1 under the condition, 0 without it, -1 not known.
    """

    def __init__(self, worn: Worn, sides: Sequence[I8]) -> None:
        self.worn, self.sides = worn, sides
        self._pieces: dict[tuple[int, str], tuple[NDArray[np.bool_], I64, int, float, F64]] = {}
        self._seconds: dict[str, F64] = {}

    def seconds(self, kind: str) -> F64:
        """Seconds by session, side (without, under) and state, shape (k, 2, MISSING + 1), of what counts for a kind."""
        if kind not in self._seconds:
            size = MISSING + 1
            out = np.zeros((len(self.sides), 2, size))
            for k, (m, side) in enumerate(zip(self.worn.every, self.sides, strict=True)):
                keep = (side >= 0) & m.telling(kind)
                cell = side[keep].astype(np.int64) * size + m.state[keep]
                out[k] = np.bincount(cell, weights=m.seconds[keep], minlength=2 * size).reshape(2, size)
            self._seconds[kind] = out
        return self._seconds[kind]

    def cells(self, state: str) -> F64:
        """Seconds in and not in a state, under the condition and without it, of each session, where it could show."""
        seconds = self.seconds(_kind(state))
        total, hit = seconds.sum(axis=2), seconds[:, :, code_of(state)]
        rest = np.maximum(total - hit, 0.0)
        return np.stack([hit[:, 1], rest[:, 1], hit[:, 0], rest[:, 0]], axis=1)

    def answer(self, state: str, *, refused: str, confidence: float, seed: int, draws: int, name: str) -> Answer:
        """The odds of a state, and what chance gives.

        Parameters
        ----------
        state : str
        refused : str
            Why the question cannot be asked; empty where it can.
        confidence : float
        seed, draws, name
            Of the random draws; the name is the condition's.
        """
        cells, worn = self.cells(state), self.worn
        level: Level = "none" if refused else level_of(cells, worn.participant)
        inside, outside = float(cells[:, :2].sum()), float(cells[:, 2:].sum())
        why = refused
        if not why and min(inside, outside) < LEAST_S:
            why = f"less than {LEAST_S:g} s on one side"
        elif not why and level == "none":
            why = "every session lies on one side, or sessions and people do together"
        if why:
            nothing = Estimate(value=None, low=None, high=None, method="odds of seconds", n=0, why=why)
            return Answer(cells=cells, level="none", odds=nothing, chance=None, why=why)
        if len(worn.every) == 1 or level == "within sessions":
            odds = self._within(state, cells, confidence=confidence)
            chance = self._shifted(state, cells, seed=seed, draws=draws, name=name)
        else:
            odds, chance = self._whole(state, cells, level, confidence=confidence, seed=seed, draws=draws, name=name)
        told = odds.value is not None and chance.looked_at > 1
        alone = "one session: no general claim" if len(worn.every) == 1 else None
        return Answer(cells=cells, level=level, odds=odds, chance=chance if told else None, why=odds.why or alone)

    def _within(self, state: str, cells: F64, *, confidence: float) -> Estimate:
        worn, run_s = self.worn, self.worn.run_s[state]
        if len(worn.every) > 1:
            return odds_within(
                cells, session=worn.session, participant=worn.participant, run_s=run_s, confidence=confidence
            )
        m, side = worn.every[0], self.sides[0]
        keep = (side >= 0) & m.telling(state)
        seconds, hit = m.seconds[keep], m.state[keep] == code_of(state)
        inside, total = float(seconds[hit].sum()), float(seconds.sum())
        # A state that comes and goes at random forgets within run gap / (run + gap): blocks are five times that.
        length = max(LEAST_S, 5.0 * run_s * (total - inside) / total)
        block = ((np.cumsum(seconds) - 0.5 * seconds) / length).astype(np.int64)
        cell = 4 * block + 2 * (side[keep] == 0) + ~hit
        table = np.bincount(cell, weights=seconds, minlength=4 * (int(block[-1]) + 1)).reshape(-1, 4)
        return odds_of_blocks(table, run_s=run_s, confidence=confidence)

    def _pieced(self, k: int, kind: str) -> tuple[NDArray[np.bool_], I64, int, float, F64]:
        """A session's counted time cut into equal pieces: which moments, their pieces, and how much is under it."""
        if (k, kind) not in self._pieces:
            m, side = self.worn.every[k], self.sides[k]
            keep = (side >= 0) & m.telling(kind)
            seconds = m.seconds[keep]
            length = max(_CELL_S, float(np.median(seconds)), float(seconds.sum()) / _MOST_CELLS)
            piece = ((np.cumsum(seconds) - 0.5 * seconds) / length).astype(np.int64)
            n = int(piece[-1]) + 1
            under = np.bincount(piece, weights=seconds * (side[keep] == 1), minlength=n) / length
            self._pieces[k, kind] = (keep, piece, n, length, np.asarray(under, dtype=np.float64))
        return self._pieces[k, kind]

    def _shifted(self, state: str, cells: F64, *, seed: int, draws: int, name: str) -> Chance:
        """Chance by circular shift of the state within each session that has it and lies on both sides."""
        telling = (cells[:, 0] + cells[:, 2] > 0) & (cells[:, :2].sum(axis=1) > 0) & (cells[:, 2:].sum(axis=1) > 0)
        sums = []
        for k in np.flatnonzero(telling).tolist():
            keep, piece, n, length, under = self._pieced(k, _kind(state))
            m = self.worn.every[k]
            hit = np.bincount(piece, weights=m.seconds[keep] * (m.state[keep] == code_of(state)), minlength=n) / length
            sums.append(length * shift_sums(hit, under))
        return shift_chance(sums, draws=draws, seed=seed, name=f"{name} {state}")

    def _whole(
        self, state: str, cells: F64, level: Level, *, confidence: float, seed: int, draws: int, name: str
    ) -> tuple[Estimate, Chance]:
        """Sessions that lie wholly, or mostly, on one side: they change places, or their people do."""
        there = cells.sum(axis=1) > 0
        hit, asked = (cells[:, 0] + cells[:, 2])[there], cells[there].sum(axis=1)
        side = (cells[:, :2].sum(axis=1) > cells[:, 2:].sum(axis=1))[there]
        who, which, run_s = self.worn.participant[there], self.worn.session[there], self.worn.run_s[state]
        odds = odds_between(hit, asked, side, session=which, participant=who, run_s=run_s, confidence=confidence)
        names, index = np.unique(who, return_inverse=True)
        hits, totals = (np.bincount(index, weights=x, minlength=names.size) for x in (hit, asked))
        if level == "between sessions":
            excess, block = hit - (hits / totals)[index] * asked, who
        else:
            side = np.array([bool(side[who == w].any()) for w in names.tolist()])
            excess, block = hits - hits.sum() / totals.sum() * totals, np.zeros(names.size, dtype=np.int64)
        return odds, label_chance(excess, side, block, draws=draws, seed=seed, name=name)
