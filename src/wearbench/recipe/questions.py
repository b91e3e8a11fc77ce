"""What a failure may have to do with: every condition that the study can ask about, each with its two sides."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.recipe.moments import Moments
from wearbench.study import Participant

__all__ = ["BANDS", "MULTIPLES", "NEAR", "Question", "questions_of"]

I8 = NDArray[np.int8]
Sides = Callable[[Moments], I8]

BANDS: Final = (
    ("below 100 bpm", -math.inf, 100.0),
    ("100 to 150 bpm", 100.0, 150.0),
    ("above 150 bpm", 150.0, math.inf),
)
"""Bands of the reference heart rate: project choice, no source."""
NEAR: Final = 10.0
"""The reference counts as near a multiple of the cadence within so much: then the two cannot be told apart."""
MULTIPLES: Final = ((0.5, "half the cadence"), (1.0, "the cadence"), (2.0, "twice the cadence"))
_STEADY: Final = 10.0
"""A reference that changes by less a minute is steady."""
_MOVES: Final = {"frozen": "a held value shows only while the reference moves: the question would answer itself"}
_BESIDE: Final = {"cadence_locked": "a lock shows only beside a cadence that is apart from the heart rate"}
_NAMES: Final = ("firmware", "wear_site")
"""Texts even where they look like numbers."""
_FIRST_S: Final = 180.0
_MOST_VALUES: Final = 12
_LEAST_S: Final = 60.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """One condition against the rest.

    Attributes
    ----------
    name, group, against : str
        Which property, which of its values, and what it is held against.
    sides : callable
        Gives, for the moments of a session, 1 under the condition, 0 without it, -1 where that is not known.
    why : str
        Not empty where the question cannot be asked.
    own : dict
        States for which the question would answer itself, with the reason.
    """

    name: str
    group: str
    against: str
    sides: Sides
    why: str = ""
    own: Mapping[str, str] = field(default_factory=dict)


def questions_of(every: Sequence[Moments], people: Mapping[str, Participant], *, unit: str) -> Iterator[Question]:
    """All questions about one device and quantity; none looks at what the device gave.

    Parameters
    ----------
    every : sequence of Moments
        One a session.
    people : mapping
        Participants by name, with their columns.
    unit : str
        Of the quantity; bands of the rate are asked for ``bpm`` only.

    Yields
    ------
    Question
        Each value of a property against its other values (two values make one question); in the study's tables only
        values that occur twice, and numbers above their median against the rest.
    """
    activities = sorted({name for m in every for name in m.activity.names})
    intensities = sorted({name for m in every for name in m.intensity.names})
    yield from _each("activity", activities, lambda name: lambda m: m.activity.is_(name))
    yield from _each("intensity", intensities, lambda name: lambda m: m.intensity.is_(name))
    bands = BANDS if unit == "bpm" else ()
    for name, low, high in bands:
        yield Question(name="reference_band", group=name, against="other rates", sides=_band(low, high))
    yield from _thirds(every)
    yield from _cross(every, "activity_and_reference_band", activities, [(n, _band(a, b)) for n, a, b in bands])
    by_intensity = [(name, _is_intensity(name)) for name in intensities]
    yield from _cross(every, "activity_and_intensity", activities, by_intensity)
    for group, low, high in (
        ("rising", _STEADY, math.inf),
        ("falling", -math.inf, -_STEADY),
        ("steady", -_STEADY, _STEADY),
    ):
        sides = _changing(low, high)
        yield Question(name="reference_change", group=group, against="otherwise", sides=sides, own=_MOVES)
    yield Question(name="first_minutes", group="first 3 minutes", against="later", sides=_first)
    if any(m.has_cadence for m in every):
        yield from _of_cadence(near=unit == "bpm")
    yield from _of_sessions(every, people)
    yield from _of_bouts(every)


def _of_cadence(*, near: bool) -> Iterator[Question]:
    """Whether there is a stride, and whether the reference is near it."""
    there, none = "a cadence is there", "none is there"
    yield Question(name="cadence", group=there, against=none, sides=_has_cadence, own=_BESIDE)
    if near:
        every = ("the cadence, half or twice of it", tuple(k for k, _ in MULTIPLES))
        for name, multiples in (every, *((name, (k,)) for k, name in MULTIPLES)):
            group, sides = f"reference within {NEAR:g} of {name}", _near(multiples)
            yield Question(name="cadence_near", group=group, against="further from it", sides=sides, own=_BESIDE)


def _each(name: str, values: Sequence[str], sides: Callable[[str], Sides]) -> Iterator[Question]:
    """Each value against the rest; two values are one question."""
    if len(values) > _MOST_VALUES:
        why = f"{len(values)} different values: too many to hold each against the rest"
        yield Question(name=name, group="any value", against="the rest", sides=_unknown, why=why)
    elif len(values) == 2:
        yield Question(name=name, group=values[0], against=values[1], sides=sides(values[0]))
    elif len(values) > 2:
        for value in values:
            yield Question(name=name, group=value, against="the rest", sides=sides(value))


def _unknown(m: Moments) -> I8:
    return np.full(m.time_s.size, -1, dtype=np.int8)


def _whole(m: Moments, side: int) -> I8:
    return np.full(m.time_s.size, side, dtype=np.int8)


def _sided(value: NDArray[np.float64], low: float, high: float) -> I8:
    """1 in [low, high), 0 outside, -1 where there is no value."""
    return np.where(np.isfinite(value), (value >= low) & (value < high), -1).astype(np.int8)


def _band(low: float, high: float) -> Sides:
    return lambda m: _sided(m.reference, low, high)


def _changing(low: float, high: float) -> Sides:
    return lambda m: _sided(m.change, low, high)


def _is_intensity(name: str) -> Sides:
    return lambda m: m.intensity.is_(name)


def _first(m: Moments) -> I8:
    return (m.elapsed_s < _FIRST_S).astype(np.int8)


def _has_cadence(m: Moments) -> I8:
    return np.isfinite(m.cadence).astype(np.int8) if m.has_cadence else _unknown(m)


def _near(multiples: tuple[float, ...]) -> Sides:
    def sides(m: Moments) -> I8:
        off = np.min([np.abs(m.reference - k * m.cadence) for k in multiples], axis=0)
        return _sided(off, -math.inf, NEAR)

    return sides


def _thirds(every: Sequence[Moments]) -> Iterator[Question]:
    """Thirds of each person's own reference, by time."""
    edges: dict[str, tuple[float, float]] = {}
    for who in {m.participant for m in every}:
        mine = [(m.reference, m.seconds) for m in every if m.participant == who]
        value, weight = (np.concatenate(part) for part in zip(*mine, strict=True))
        good = np.isfinite(value)
        if good.any():
            order = np.argsort(value[good], kind="stable")
            reached = np.cumsum(weight[good][order])
            at = np.searchsorted(reached, reached[-1] * np.array([1 / 3, 2 / 3]))
            low, high = value[good][order][np.minimum(at, order.size - 1)]
            edges[who] = (float(low), float(high))
    if not edges:
        return

    def third(number_of: int) -> Sides:
        def sides(m: Moments) -> I8:
            low, high = edges.get(m.participant, (math.nan, math.nan))
            bounds = (-math.inf, low, high, math.inf)
            return _sided(m.reference, bounds[number_of], bounds[number_of + 1])

        return sides

    for k, name in enumerate(("lowest third", "middle third", "highest third")):
        yield Question(name="own_third", group=name, against="the other thirds", sides=third(k))


def _cross(
    every: Sequence[Moments], name: str, activities: Sequence[str], others: Sequence[tuple[str, Sides]]
) -> Iterator[Question]:
    """An activity and something else at once, against all other time, where enough sessions have a minute of it."""
    if len(activities) < 2 or len(activities) > _MOST_VALUES or len(others) > _MOST_VALUES:
        return
    least = min(2, len(every))
    for activity, (group, other) in itertools.product(activities, others):
        sides = _both(activity, other)
        long = [float(m.seconds[sides(m) == 1].sum()) >= _LEAST_S for m in every]
        if sum(long) >= least:
            yield Question(name=name, group=f"{activity}, {group}", against="all other time", sides=sides)


def _both(activity: str, other: Sides) -> Sides:
    def sides(m: Moments) -> I8:
        one, two = m.activity.is_(activity), other(m)
        known = np.where((one == 0) | (two == 0), 0, -1)
        return np.where((one == 1) & (two == 1), 1, known).astype(np.int8)

    return sides


def _of_sessions(every: Sequence[Moments], people: Mapping[str, Participant]) -> Iterator[Question]:
    """What holds for whole sessions: firmware, wear site, columns of the sessions' and the participants' tables."""
    for name in ("firmware", "wear_site"):
        yield from _of_values(name, [getattr(m, name) for m in every], every)
    columns = dict.fromkeys(key for m in every for key in m.session.columns)
    for column in columns:
        yield from _of_values(f"sessions.{column}", [m.session.columns.get(column, "") for m in every], every)
    columns = dict.fromkeys(key for m in every if m.participant in people for key in people[m.participant].columns)
    for column in columns:
        values = [people[m.participant].columns.get(column, "") if m.participant in people else "" for m in every]
        yield from _of_values(f"participants.{column}", values, every, units=[m.participant for m in every])


def _of_values(
    name: str, values: Sequence[str], every: Sequence[Moments], *, units: Sequence[str] | None = None
) -> Iterator[Question]:
    """Questions about a text that each session has; ``units`` are what its median is over, sessions by default."""
    of_session = {m.session.name: value.strip() for m, value in zip(every, values, strict=True)}
    once = {unit: value.strip() for unit, value in zip(units or tuple(of_session), values, strict=True)}
    known = [value for value in once.values() if value]

    def by(told: Callable[[str], int]) -> Sides:
        return lambda m: _whole(m, told(of_session[m.session.name]) if of_session[m.session.name] else -1)

    yield from _split(name, known, by)


def _split(name: str, known: Sequence[str], by: Callable[[Callable[[str], int]], Sides]) -> Iterator[Question]:
    """Numbers above their median against the rest, texts that occur twice or more each against the rest."""
    numbers = [None if name in _NAMES else _number(value) for value in known]
    if len({n for n in numbers if n is not None}) > 2 and all(n is not None for n in numbers):
        middle = float(np.median([n for n in numbers if n is not None]))
        if middle >= max(n for n in numbers if n is not None):  # half of them or more have the largest value
            yield Question(name=name, group=f"{middle:g}", against=f"below {middle:g}", sides=by(_at_least(middle)))
            return
        yield Question(name=name, group=f"above {middle:g}", against=f"up to {middle:g}", sides=by(_above(middle)))
        return
    times = Counter(known)
    values = sorted(times) if len(times) <= 2 else sorted(value for value, n in times.items() if n > 1)
    if len(times) > 2 and len(values) in (1, 2):  # the others are the rest
        for value in values:
            yield Question(name=name, group=value, against="the rest", sides=by(_equal(value)))
    elif len(times) > 2 and not values:
        why = "no value occurs twice: nothing can be held against the rest"
        yield Question(name=name, group="any value", against="the rest", sides=_unknown, why=why)
    else:
        yield from _each(name, values, lambda value: by(_equal(value)))


def _above(middle: float) -> Callable[[str], int]:
    return lambda text: int((_number(text) or 0.0) > middle)


def _at_least(middle: float) -> Callable[[str], int]:
    return lambda text: int((_number(text) or 0.0) >= middle)


def _equal(value: str) -> Callable[[str], int]:
    return lambda text: int(text == value)


def _number(text: str) -> float | None:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _of_bouts(every: Sequence[Moments]) -> Iterator[Question]:
    """Columns of bouts.csv that are the person's own."""
    columns: dict[str, Any] = dict.fromkeys(key for m in every for bout in m.session.bouts for key in bout.columns)
    for column in columns:
        told = {
            (m.session.name, bout.name): bout.columns.get(column, "").strip() for m in every for bout in m.session.bouts
        }

        by = partial(_by_bout, told)
        yield from _split(f"bouts.{column}", [value for value in told.values() if value], by)


def _by_bout(told: dict[tuple[str, str], str], said: Callable[[str], int]) -> Sides:
    def sides(m: Moments) -> I8:
        texts = [told.get((m.session.name, name), "") for name in m.bout.names]
        side = np.array([*(said(text) if text else -1 for text in texts), -1], dtype=np.int8)
        found: I8 = side[m.bout.code]
        return found

    return sides
