"""The second simulator's devices: a smoothed estimate whose source goes wrong by a semi-Markov chain, and its truth.

A device estimates the rate at every instant, smooths the estimate exponentially and prints it with a delay. What goes
wrong acts on the estimate before smoothing (half, double, another ratio, cadence, astray), so that edges are gradual,
or on the output (frozen, silent). Errors are autoregressive, with bursts of bias that walk. All invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from benchmarks.truth.second_heart import F64, STEP_S, Heart

MODES = ("faithful", "halved", "doubled", "off_ratio", "cadence_locked", "astray")
WINDOW_SHARE, WHOLLY = 0.8, 0.999
CLOSE_BPM, CLOSE_SHARE, HALF_SHARE, FROZEN_BPM = 3.0, 0.03, 0.03, 5.0

Bool = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, slots=True)
class Device:
    """A kind of device; ``period_s`` 0 means irregular, ``stamp`` how it writes time, ``silent`` what for no value.

    It smooths exponentially with ``tau_s``, or evenly over twice that if ``boxcar``.
    """

    name: str
    tau_s: float
    delay_s: float
    period_s: float
    decimals: int
    stamp: str
    silent: str
    error_bpm: float
    error_s: float
    boxcar: bool = False

    @property
    def averaging_s(self) -> float:
        """The boxcar itself, or that of equal mean age."""
        return 2.0 * self.tau_s


@dataclass(frozen=True, kw_only=True, slots=True)
class Clock:
    """Reference = stamp + offset_s + 1e-6 * drift_ppm * (stamp - mid-session)."""

    offset_s: float
    drift_ppm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Spell:
    """A stay of the chain in one mode; the change into it takes ``edge_s``."""

    mode: str
    start_s: float
    end_s: float
    edge_s: float
    value: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Track:
    """Readings of one device in one session and what is true of them; arrays of shape (n,).

    ``at_s`` is the instant of each reading on the reference's clock, ``stamp_s`` the same on the device's clock with
    the offset taken out, both from the session's start. ``shown`` is NaN for a sentinel. ``pure`` readings are right
    through and through, and in time.
    """

    at_s: F64
    stamp_s: F64
    start_s: F64
    end_s: F64
    shown: F64
    state: list[str]
    also: list[str | None]
    sentinel: Bool
    reference: F64
    slope: F64
    pure: Bool | None = None


def chain(rng: np.random.Generator, person: Heart, *, clean: bool, cadence: bool) -> list[Spell]:
    """Walk the semi-Markov chain over a session: long stays in faithful, short ones elsewhere."""
    spells: list[Spell] = []
    now, mode = -200.0, "faithful"
    while now < person.seconds + 60.0:
        if mode == "faithful":
            stay = float(np.clip(rng.lognormal(np.log(170), 0.7), 40, 900)) + (150.0 if now < 0 else 0.0)
        else:
            stay = float(np.clip(rng.lognormal(np.log(48), 0.6), 14, 240))
        if clean:
            stay = person.seconds + 500.0
        edge = 0.0 if rng.random() < 0.3 else float(rng.uniform(1.0, min(10.0, 0.4 * stay)))
        spells.append(Spell(mode=mode, start_s=now, end_s=now + stay, edge_s=edge, value=draw_value(rng, mode)))
        now += stay
        if mode == "faithful" or rng.random() < 0.15:
            moving = bool(np.isfinite(np.interp(now, person.time_s, person.cadence)))
            mode = following(rng, mode, moving=moving and cadence)
        else:
            mode = "faithful"
    return spells


def following(rng: np.random.Generator, mode: str, *, moving: bool) -> str:
    """Draw the next failure; cadence can only be locked on to while there is one."""
    weights = {
        "halved": 0.26,
        "doubled": 0.1,
        "off_ratio": 0.05,
        "cadence_locked": 0.36 if moving else 0.0,
        "astray": 0.09,
        "frozen": 0.2,
        "silent": 0.16,
    }
    weights.pop(mode, None)
    share = np.array(list(weights.values()))
    return str(rng.choice(list(weights), p=share / share.sum()))


def draw_value(rng: np.random.Generator, mode: str) -> float:
    """Draw what a spell needs: a ratio, a multiple of cadence, or the level of one that is astray (over the rate)."""
    if mode == "off_ratio":
        return float(rng.choice([2 / 3, 3 / 2]))
    if mode == "cadence_locked":
        return float(rng.choice([1.0, 0.5], p=[0.85, 0.15]))
    if mode == "astray":
        return float(rng.choice([rng.uniform(0.56, 0.62), rng.uniform(0.71, 0.85), rng.uniform(1.18, 1.42)]))
    return 1.0


def smooth(values: F64, tau_s: float) -> F64:
    """Exponential smoothing on the grid, begun at the first value."""
    keep = float(np.exp(-STEP_S / tau_s))
    out: F64 = lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0]
    return out


def averaged(values: F64, device: Device) -> F64:
    """What a device makes of a course on the grid: smoothed, or evenly averaged over what came before."""
    if not device.boxcar:
        return smooth(values, device.tau_s)
    size = max(round(device.averaging_s / STEP_S), 1)
    total = np.concatenate([[0.0], np.cumsum(np.concatenate([np.full(size - 1, values[0]), values]))])
    out: F64 = (total[size:] - total[:-size]) / size
    return out


def sources(
    rng: np.random.Generator, person: Heart, spells: list[Spell], rate: F64, *, behind_s: F64 | None = None
) -> tuple[dict[str, F64], F64]:
    """Weight of each mode on the grid, and the estimate before smoothing times that weight, per mode.

    ``behind_s`` is how late a faithful estimate is, on the grid.

    Returns
    -------
    weights : dict of float64 arrays, shape (grid,)
        They add up to one everywhere.
    values : float64 array, shape (modes, grid)
        What each mode would estimate.
    """
    time_s = person.time_s
    weights = {mode: np.zeros_like(time_s) for mode in MODES}
    values = np.stack([rate, rate / 2, rate * 2, rate, np.nan_to_num(person.cadence), rate])
    if behind_s is not None:
        values[0] = np.interp(time_s - behind_s, time_s, rate)
    last = "faithful"
    for spell in spells:
        mode = spell.mode if spell.mode in MODES else "faithful"  # frozen and silent act on the output
        inside = (time_s >= spell.start_s) & (time_s < spell.end_s)
        share = np.ones(int(inside.sum()))
        if mode != last and spell.edge_s > 0:
            share = np.clip((time_s[inside] - spell.start_s) / spell.edge_s, 0.0, 1.0)
        weights[mode][inside] += share
        weights[last][inside] += 1.0 - share
        around = (time_s >= spell.start_s) & (time_s < spell.end_s + 12.0)  # its value outlasts it: the next edge
        if mode in ("off_ratio", "cadence_locked"):
            values[MODES.index(mode), around] *= spell.value
        if mode == "astray" and around.any():
            level = spell.value * float(rate[around][0])
            seconds = time_s[around] - spell.start_s
            knots = np.arange(0, seconds[-1] + 20.0, 9.0)
            values[MODES.index(mode), around] = level + np.interp(
                seconds, knots, np.cumsum(rng.normal(0, 3, knots.size))
            )
        last = mode
    lost = np.isnan(person.cadence)  # a lock ends where the cadence does
    weights["faithful"] += np.where(lost, weights["cadence_locked"], 0.0)
    weights["cadence_locked"] = np.where(lost, 0.0, weights["cadence_locked"])
    return weights, values


def errors(rng: np.random.Generator, device: Device, at_s: F64) -> F64:
    """Autoregressive error, and bursts of bias that walk away and back (at most 4 bpm)."""
    error = rng.normal(0.0, device.error_bpm, size=at_s.size)
    keep = np.exp(-np.diff(at_s) / device.error_s)
    for i, rho in enumerate(keep, start=1):
        error[i] = rho * error[i - 1] + np.sqrt(1 - rho * rho) * error[i]
    now = float(rng.exponential(480))
    while now < at_s[-1]:
        inside = np.flatnonzero((at_s > now) & (at_s < now + float(rng.uniform(30, 120))))
        if inside.size > 2:
            walk = np.cumsum(rng.normal(0.0, 0.35 * np.sqrt(np.median(np.diff(at_s))), size=inside.size))
            bridge = walk - np.linspace(walk[0], walk[-1], walk.size)
            error[inside] += np.clip(bridge, -4.0, 4.0)
        now += float(rng.exponential(480)) + 120.0
    return error


def track(
    rng: np.random.Generator,
    device: Device,
    person: Heart,
    clock: Clock,
    *,
    spells: list[Spell],
    behind_s: F64 | None = None,
    spikes: float = 0.0,
) -> Track:
    """Print a session's readings and say what is true of each; ``spikes`` is the share of single wild ones."""
    stamp_s = stamps(rng, device, person.seconds)
    at_s = stamp_s + 1e-6 * clock.drift_ppm * (stamp_s - 0.5 * person.seconds)
    rate = np.gradient(person.count(person.time_s), STEP_S) * 60.0
    rate[: int(5 / STEP_S)] = rate[int(5 / STEP_S)]
    weights, values = sources(rng, person, spells, rate, behind_s=behind_s)
    late = at_s - device.delay_s

    def seen(grid: F64) -> F64:
        found: F64 = np.interp(late, person.time_s, averaged(grid, device))
        return found

    weight = np.stack([seen(weights[mode]) for mode in MODES])
    share = np.maximum(weight, 1e-9)
    means = np.stack([seen(weights[m] * values[i]) for i, m in enumerate(MODES)]) / share
    truth = np.stack([seen(weights[m] * rate) for m in MODES]) / share
    cadence = np.stack([seen(weights[m] * np.nan_to_num(person.cadence)) for m in MODES]) / share
    output = (weight * means).sum(axis=0)
    end_s, start_s = late, late - device.averaging_s
    reference = person.rate(start_s, end_s)
    state, also = label(weight, means, truth, cadence, output=output, true_rate=seen(rate))

    pure = weight[0] > WHOLLY
    if behind_s is not None:
        pure &= seen(behind_s) < STEP_S
    shown = np.round(output + errors(rng, device, at_s), device.decimals)
    if spikes > 0:
        for i in np.flatnonzero(rng.random(at_s.size) < spikes):
            if state[i] == "faithful":
                shown[i] = np.round(shown[i] * (1 + rng.choice([-1, 1]) * rng.uniform(0.15, 0.28)), device.decimals)
                state[i], also[i], pure[i] = "astray", None, False
    sentinel = np.zeros(at_s.size, dtype=bool)
    stays = np.ones(at_s.size, dtype=bool)
    for spell in spells:
        inside = np.flatnonzero((at_s >= spell.start_s) & (at_s < spell.end_s))
        if spell.mode == "frozen" and inside.size > 1:
            held = held_run(shown, inside)
            moved = float(np.ptp(reference[held])) > FROZEN_BPM
            source = state[int(held[0])], also[int(held[0])]
            pure[held] = False
            for i in held:
                right = abs(shown[i] - reference[i]) <= max(CLOSE_BPM, CLOSE_SHARE * reference[i])
                state[i], also[i] = ("frozen", None) if moved else ("faithful", None) if right else source
        if spell.mode == "silent" and device.silent == "gap":
            stays[inside] = False
        elif spell.mode == "silent":
            sentinel[inside] = True
    return Track(
        at_s=at_s[stays],
        stamp_s=stamp_s[stays],
        start_s=start_s[stays],
        end_s=end_s[stays],
        shown=np.where(sentinel, np.nan, shown)[stays],
        state=[s for s, k in zip(state, stays, strict=True) if k],
        also=[a for a, k in zip(also, stays, strict=True) if k],
        sentinel=sentinel[stays],
        reference=reference[stays],
        slope=(person.rate(start_s + 0.5, end_s + 0.5) - person.rate(start_s - 0.5, end_s - 0.5))[stays],
        pure=(pure & ~sentinel)[stays],
    )


def stamps(rng: np.random.Generator, device: Device, seconds: float) -> F64:
    """Instants of the readings on the device's clock, its offset taken out."""
    begin, until = float(rng.uniform(-20, 30)), seconds + float(rng.uniform(-30, 20))
    if device.period_s > 0:
        return np.arange(begin, until, device.period_s)
    gaps = np.clip(rng.lognormal(np.log(2.3), 0.45, size=int(seconds)), 1.0, 9.0)
    found: F64 = begin + np.cumsum(gaps)
    return found[found < until]


def held_run(shown: F64, inside: NDArray[np.int64]) -> NDArray[np.int64]:
    """Hold the output over a spell, in place; return the whole run of the held value, its first print included."""
    first = max(int(inside[0]) - 1, 0)
    shown[inside] = shown[first]
    last = int(inside[-1])
    while first > 0 and shown[first - 1] == shown[last]:
        first -= 1
    while last + 1 < shown.size and shown[last + 1] == shown[first]:
        last += 1
    return np.arange(first, last + 1)


def label(
    weight: F64, means: F64, truth: F64, cadence: F64, *, output: F64, true_rate: F64
) -> tuple[list[str], list[str | None]]:
    """Name the state of each window from the smoothing weight of each mode in it.

    Parameters
    ----------
    weight, means, truth, cadence : float64 arrays, shape (modes, n)
        Smoothing weight of each mode, and the means under that weight of the mode's own value, the true rate and
        the cadence.
    output, true_rate : float64 arrays, shape (n,)
        The smoothed estimate before errors, and the rate smoothed likewise.

    Returns
    -------
    state : list of str
    also : list of str or None
    """
    close = np.abs(means - truth) <= np.maximum(CLOSE_BPM, CLOSE_SHARE * truth)
    half = np.abs(means / np.maximum(truth, 1.0) * 2 - 1) <= HALF_SHARE
    near = np.abs(cadence / np.maximum(truth, 1.0) * 2 - 1) <= HALF_SHARE
    lock, halved = MODES.index("cadence_locked"), MODES.index("halved")
    credited = np.zeros_like(weight)
    for i in range(len(MODES)):
        credited[0] += np.where(close[i], weight[i], 0.0)
        into_half = half[i] & ~close[i] if i == lock else np.zeros(weight.shape[1], dtype=bool)
        credited[halved] += np.where(into_half, weight[i], 0.0)
        credited[i] += np.where(close[i] | into_half, 0.0, weight[i])
    right = np.abs(output - true_rate) <= np.maximum(CLOSE_BPM, CLOSE_SHARE * true_rate)
    best = credited.argmax(axis=0)
    whole = credited.max(axis=0) >= WINDOW_SHARE
    both = (half[lock] & (weight[lock] > weight[halved])) | (near[halved] & (weight[halved] > 0.5))
    state = ["faithful" if r else MODES[b] if w else "between" for b, w, r in zip(best, whole, right, strict=True)]
    also = ["cadence_locked" if s == "halved" and b else None for s, b in zip(state, both, strict=True)]
    return state, also
