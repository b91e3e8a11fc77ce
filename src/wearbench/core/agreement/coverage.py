"""How often intervals made this way held the truth, in simulated studies of the nearest design that was measured."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.sums import SUM_NAMES, rows_of_sums
from wearbench.errors import DataError

__all__ = [
    "COVERAGE_WANTED",
    "EFFECTS",
    "MEASURED",
    "Coverage",
    "StudyEffect",
    "Texture",
    "choose_effect",
    "nearest_coverage",
    "texture_of",
]

F64 = NDArray[np.float64]

EFFECTS: Final = ("normal", "heavy", "mixture", "odd", "serial", "unequal")
COVERAGE_WANTED: Final = 0.90
"""Below this an interval that says 0.95 is called too narrow."""

FAILING: Final = 3.0
"""A session fails whose root mean square difference is more than this many times the median session's."""
FEW_ODD: Final = 0.15
"""With one session each, at most this share of participants failing counts as odd participants."""
HEAVY: Final = 5.0
"""Kurtosis above which tails are heavy; that of normal differences is 3."""
SERIAL: Final = 0.5
"""Correlation from reading to reading above which differences are serial."""
UNEVEN: Final = 0.5
"""Coefficient of variation of pairs a session above which sessions are unequal."""
FEWEST: Final = 40
"""Pairs below which nothing is said of tails or correlation."""

# simulated references lie above 50, where both tolerances are 10 %
_SAME: Final = {"within_greater": "within_10_percent"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Coverage:
    """Measured coverage of one interval in the nearest design.

    Attributes
    ----------
    statistic : str
    held : float or None
        Share of simulated studies whose interval held the truth, among those with an interval; None where no
        study had one.
    given : float
        Share of simulated studies in which an interval could be given.
    effect : str
        One of ``EFFECTS``.
    participants, sessions : int
        Of the design: participants, and sessions of each.
    studies : int
        Simulated studies behind ``held``.
    design : str
        The design in words.
    """

    statistic: str
    held: float | None
    given: float
    effect: str
    participants: int
    sessions: int
    studies: int
    design: str

    @property
    def low(self) -> bool:
        """Whether the interval held the truth less often than 90 of 100 times."""
        return self.held is not None and self.held < COVERAGE_WANTED


@dataclass(frozen=True, kw_only=True, slots=True)
class Texture:
    """What readings within sessions are like: kurtosis and first serial correlation about the sessions' means."""

    kurtosis: float | None
    correlation: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class StudyEffect:
    """Which effects a study's data look like, and by what."""

    name: str
    why: str


@cache
def _table() -> dict[str, Any]:
    text = resources.files("wearbench.core.agreement").joinpath("coverage.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


MEASURED: Final = (
    "bias",
    "sd_of_differences",
    "limit_low",
    "limit_high",
    "mae",
    "mape",
    "rmse",
    "within_tolerance",
    "within_10_percent",
    "within_greater",
    "ccc",
)
"""Statistics whose coverage was measured."""


def nearest_coverage(statistic: str, *, participants: int, sessions: float, effect: str = "normal") -> Coverage:
    """Measured coverage of an interval in the nearest simulated design; nothing is interpolated.

    Parameters
    ----------
    statistic : str
        One of ``MEASURED``. ``within_greater`` is that of ``within_10_percent``, the same thing in the simulation.
    participants : int
        At least 1.
    sessions : float
        Sessions of each participant, on average; at least 1.
    effect : str
        One of ``EFFECTS``. Where a design does not exist with one participant (odd persons) that of failing sessions
        is taken, or the normal one (unequal sizes of a single session).

    Returns
    -------
    Coverage
        Nearest in the ratio of participants first, then in that of sessions; a tie goes to the smaller. One
        participant stands for itself only: intervals then speak of that person.

    Raises
    ------
    DataError
        If the statistic or effect is not one of them, or a number is below 1.

    Notes
    -----
    Intervals of 95 % by the rules of `summarise` (``interval="t"``). The table is made by ``benchmarks/coverage``.
    """
    if statistic not in MEASURED:
        raise DataError(f"expected one of {', '.join(MEASURED)}, got {statistic}")
    if effect not in EFFECTS:
        raise DataError(f"expected one of {', '.join(EFFECTS)}, got {effect}")
    if not (participants >= 1 and 1 <= sessions < math.inf):
        raise DataError(f"expected at least one participant and session, got {participants} and {sessions:g}")
    table = _table()
    if participants == 1 and effect == "odd":
        effect = "mixture"
    if participants == 1 and effect == "unequal" and round(sessions) == 1:
        effect = "normal"
    rows = [r for r in table["designs"] if r["effect"] == effect and (r["participants"] == 1) == (participants == 1)]

    def away(row: dict[str, Any]) -> tuple[float, float, int, int]:
        # one session of one person rests on blocks, another matter than two sessions
        alone = participants == 1 and (row["sessions"] == 1) != (sessions < 1.5)
        return (
            abs(math.log(row["participants"] / participants)),
            math.inf if alone else abs(math.log(row["sessions"] / sessions)),
            row["participants"],
            row["sessions"],
        )

    row = min(rows, key=away)
    place = table["statistics"].index(_SAME.get(statistic, statistic))
    people, each = int(row["participants"]), int(row["sessions"])
    shape = f"{_counted(people, 'participant')} x {_counted(each, 'session')}"
    return Coverage(
        statistic=statistic,
        held=row["held"][place],
        given=float(row["given"][place]),
        effect=effect,
        participants=people,
        sessions=each,
        studies=int(row["studies"]),
        design=f"{shape}, {table['effects'][effect]}",
    )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def texture_of(differences: list[F64]) -> Texture:
    """Kurtosis and serial correlation of differences about the mean of their session.

    Parameters
    ----------
    differences : list of float64 arrays, shape (n_i,)
        Differences of each session in order of time; finite.

    Returns
    -------
    Texture
        Kurtosis m4/m2^2 and lag-one correlation, pooled over sessions; None with fewer than 40 pairs or where nothing
        varies.

    Raises
    ------
    DataError
        If there is NaN or infinity.
    """
    second = fourth = product = before = 0.0
    count = 0
    for values in differences:
        d = np.asarray(values, dtype=np.float64)
        if d.size == 0:
            continue
        if not bool(np.all(np.isfinite(d))):
            raise DataError("expected finite differences, got NaN or infinity; leave them out before")
        d = d - d.mean()
        square = d * d
        count += d.size
        second += float(square.sum())
        fourth += float(np.dot(square, square))
        product += float(np.dot(d[1:], d[:-1]))
        before += float(square[:-1].sum() + square[1:].sum()) / 2
    if count < FEWEST or not second > 1e-18 * count:
        return Texture(kurtosis=None, correlation=None)
    return Texture(kurtosis=count * fourth / second**2, correlation=product / before if before > 0 else None)


def choose_effect(
    sums: F64, *, session: ArrayLike, participant: ArrayLike, texture: Texture | None = None
) -> StudyEffect:
    """Which simulated effects a study's data look like: the first rule that fits.

    Parameters
    ----------
    sums : float64 array, shape (k, len(SUM_NAMES))
        One row a session, or a block of a single one.
    session, participant : array-like, shape (k,)
        Codes of each row's session and participant.
    texture : Texture or None
        Of the readings, from `texture_of`.

    Returns
    -------
    StudyEffect
        1. A row whose root mean square difference is more than three times the median row's fails. "odd" if the
        participants of failing rows fail in all of theirs (with one session each: and are at most 15 %), else
        "mixture". 2. "heavy" where the kurtosis about the sessions' means is above 5. 3. "serial" where the first
        serial correlation is above 0.5. 4. "unequal" where pairs a session vary by more than half their mean. 5.
        "normal". The figures are choices of this tool, without a source.

    Raises
    ------
    DataError
        If the rows do not fit.
    """
    rows, which, who = rows_of_sums(sums, session=session, participant=participant)
    keep = rows[:, 0] > 0
    rows, who, which = rows[keep], who[keep], which[keep]
    if rows.shape[0] == 0:
        return StudyEffect(name="normal", why="there are no pairs")
    n = rows[:, SUM_NAMES.index("n")]
    size = np.sqrt(rows[:, SUM_NAMES.index("m2_difference")] / n + rows[:, SUM_NAMES.index("mean_difference")] ** 2)
    fails = size > FAILING * float(np.median(size))
    if rows.shape[0] >= 3 and bool(fails.any()):
        people = np.unique(who)
        odd = np.isin(people, who[fails])
        whole = not bool(np.isin(who[~fails], people[odd]).any())
        repeated = np.unique(which).size > people.size
        if people.size >= 2 and whole and (repeated or odd.mean() <= FEW_ODD):
            return StudyEffect(name="odd", why=f"{int(odd.sum())} of {people.size} participants are far off")
        part = "parts of the session" if np.unique(which).size == 1 else "sessions"
        return StudyEffect(name="mixture", why=f"{int(fails.sum())} of {fails.size} {part} are far off")
    if texture is not None and texture.kurtosis is not None and texture.kurtosis > HEAVY:
        return StudyEffect(name="heavy", why=f"kurtosis of the differences is {texture.kurtosis:.3g}")
    if texture is not None and texture.correlation is not None and texture.correlation > SERIAL:
        return StudyEffect(name="serial", why=f"correlation from reading to reading is {texture.correlation:.2f}")
    if np.unique(which).size > 1 and float(np.std(n)) > UNEVEN * float(np.mean(n)):
        return StudyEffect(name="unequal", why="sessions differ much in pairs")
    return StudyEffect(name="normal", why="none of the other rules fits")
