"""Invented states that come in stretches, under conditions that come in bouts; no association unless asked for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
CELL_S = 10.0


def chain(
    rng: np.random.Generator,
    *,
    sessions: int,
    cells: int,
    onset: float,
    effect: float,
    spread: float,
    hold: float = 20.0,
) -> tuple[F64, F64]:
    """States and conditions of each session, shape (sessions, cells); states start more often by ``effect`` under it.

    ``onset`` is the chance that a stretch starts in a cell, ``hold`` how many cells it lasts on average, ``spread`` how
    much the log of the onset differs between sessions.
    """
    condition = np.zeros((sessions, cells))
    for row in condition:
        edges = np.sort(rng.integers(cells // 20, cells - cells // 20, 4))
        side = rng.random() < 0.5
        for a, b in zip([0, *edges], [*edges, cells], strict=True):
            row[a:b] = side
            side = not side
    level = np.exp(rng.normal(0, spread, sessions) - spread**2 / 2)
    rate = onset * level[:, None] * np.where(condition > 0, effect, 1.0)
    draw, state, on = rng.random((sessions, cells)), np.zeros((sessions, cells)), np.zeros(sessions, dtype=bool)
    for k in range(cells):
        on = np.where(on, draw[:, k] > 1 / hold, draw[:, k] < rate[:, k])
        state[:, k] = on
    return state, condition


def cells_of(state: F64, condition: F64) -> F64:
    """Seconds in and not in the state, under the condition and without it, of each session."""
    parts = [(s * c).sum(axis=1) for c in (condition, 1 - condition) for s in (state, 1 - state)]
    return CELL_S * np.stack(parts, axis=1)


def run_length_s(state: F64) -> float:
    """How long a stretch lasts on average."""
    starts = np.sum(np.diff(np.pad(state, ((0, 0), (1, 0))), axis=1) > 0)
    return CELL_S * float(state.sum()) / max(1.0, float(starts))
