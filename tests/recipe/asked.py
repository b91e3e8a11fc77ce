"""Invented moments of sessions whose states have nothing to do with any condition, or only with one named here."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wearbench.core.states import STATES
from wearbench.recipe.moments import MISSING, Moments, Words
from wearbench.study import Session

F64 = NDArray[np.float64]
ACTIVITIES = ("rowing", "stairs", "walking")
INTENSITIES = ("easy", "hard")


def words(names: tuple[str, ...], code: NDArray[np.int_]) -> Words:
    return Words(names=names, code=code.astype(np.int32))


def bouts(rng: np.random.Generator, n: int, kinds: int) -> NDArray[np.int_]:
    """One of several kinds at a time, in bouts."""
    edges = np.sort(rng.choice(np.arange(n // 12, n - n // 12), 5, replace=False))
    return np.repeat(rng.integers(0, kinds, 6), np.diff([0, *edges, n]))


def stretches(rng: np.random.Generator, rate: F64, *, hold: float) -> NDArray[np.bool_]:
    """Whether in the state: stretches that begin with chance ``rate`` and last ``hold`` moments on average."""
    draw, on, out = rng.random(rate.size), False, np.zeros(rate.size, dtype=bool)
    for k in range(rate.size):
        on = draw[k] > 1 / hold if on else draw[k] < rate[k]
        out[k] = on
    return out


def session(
    rng: np.random.Generator, number: int, *, n: int = 240, participants: int = 3, times: float = 1.0
) -> Moments:
    """A session of ``n`` moments of 5 s; halving begins ``times`` as often while rowing."""
    activity, intensity = bouts(rng, n, 3), bouts(rng, n, 2)
    reference = 95.0 + 55.0 * intensity + np.convolve(rng.normal(0, 6, n + 20), np.ones(21) / 4.6, "valid")
    cadence = np.where(activity == 2, np.nan, 60.0 + 80.0 * (activity == 1) + rng.normal(0, 2, n))
    level = np.exp(rng.normal(0, 0.8))
    rate = 0.006 * level * np.where(activity == 0, times, 1.0)
    state = np.zeros(n, dtype=np.int8)
    state[stretches(rng, np.full(n, 0.004), hold=8)] = MISSING
    state[stretches(rng, np.full(n, 0.004), hold=10)] = STATES.index("frozen")
    state[stretches(rng, rate, hold=20)] = STATES.index("halved")
    change = np.gradient(reference) * 12.0
    columns = {"temperature": f"{rng.normal(8, 4):.1f}", "weather": str(rng.choice(["fog", "sun"]))}
    return Moments(
        session=Session(name=f"S{number:02d}", participant=f"P{number % participants}", columns=columns),
        participant=f"P{number % participants}",
        firmware="2.0" if number % 5 < 2 else "2.1",
        wear_site="left wrist",
        time_s=np.arange(2.5, 5.0 * n, 5.0),
        seconds=np.full(n, 5.0),
        state=state,
        tested=np.where(state == MISSING, np.nan, reference),
        reference=reference,
        cadence=cadence,
        change=change,
        activity=words(ACTIVITIES, activity),
        intensity=words(INTENSITIES, intensity),
        bout=words(("only",), np.zeros(n, dtype=int)),
        has_cadence=True,
    )


def study_of(seed: int, *, sessions: int = 9, times: float = 1.0, n: int = 240, participants: int = 3) -> list[Moments]:
    """Sessions of one study."""
    rng = np.random.default_rng([seed, 20_310_112])
    return [session(rng, k, n=n, times=times, participants=participants) for k in range(sessions)]
