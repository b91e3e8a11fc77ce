"""Invented differences: 9 participants, 1 to 4 sessions each, 5 activities, unequal counts, some cells empty.

Made by whole numbers alone, so that every program makes the same; ``data_mixed.csv`` is what comes out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True, slots=True)
class Invented:
    """Columns of the pairs."""

    participant: np.ndarray
    session: np.ndarray
    activity: np.ndarray
    difference: np.ndarray


class Lehmer:
    """Park & Miller 1988, Commun ACM 31:1192-1201: a minimal generator, the same in any language."""

    def __init__(self, seed: int) -> None:
        self.state = seed

    def uniform(self) -> float:
        self.state = self.state * 16807 % 2147483647
        return self.state / 2147483647

    def bell(self) -> float:
        """Sum of 12 uniforms less 6: mean 0, SD 1."""
        return sum(self.uniform() for _ in range(12)) - 6


def invented() -> Invented:
    draw = Lehmer(20310112)
    activities = [1.5 * draw.bell() for _ in range(5)]
    rows = []
    for participant in range(9):
        own = 2 * draw.bell()
        reaction = [0.9 * draw.bell() for _ in range(5)]
        for session in range(1 + participant % 4):
            day = 1.2 * draw.bell()
            for activity in range(5):
                if draw.uniform() < 0.3:
                    continue
                for _ in range(1 + int(8 * draw.uniform())):
                    value = 2 + own + day + activities[activity] + reaction[activity] + 3 * draw.bell()
                    rows.append((participant, session, activity, round(value, 2)))
    table = np.array(rows)
    codes = table[:, :3].astype(np.int64).T
    return Invented(participant=codes[0], session=codes[1], activity=codes[2], difference=table[:, 3])
