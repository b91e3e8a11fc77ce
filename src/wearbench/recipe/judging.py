"""States of the readings of a paired series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.core.pairing import Pairs, late_envelope
from wearbench.core.running import Running
from wearbench.core.states import StateInput, StateParameters, States, credible_cadence, label
from wearbench.recipe.material import Series
from wearbench.recipe.readings import usual_interval
from wearbench.recipe.windows import Windowed
from wearbench.settings import Settings

__all__ = [
    "Judged",
    "cadence_over",
    "judge",
]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Judged:
    """States of all readings, and of those near the reference with what they were told from."""

    data: StateInput
    near: States
    states: States


def judge(
    window: Windowed,
    reference: Running,
    context: tuple[Series, ...],
    parameters: StateParameters,
    settings: Settings,
    *,
    averaging_s: float,
) -> Judged:
    """Label the readings of a paired series that lie near the reference.

    Parameters
    ----------
    window : Windowed
    reference : Running
    context : tuple of Series
        Cadence on the reference's clock is looked for here.
    parameters : StateParameters
    settings : Settings
    averaging_s : float

    Returns
    -------
    Judged
    """
    pairs = window.pairs
    part = _near_reference(pairs)
    start_s, end_s, tested = pairs.start_s[part], pairs.end_s[part], pairs.tested[part]
    low, high = late_envelope(reference, start_s, end_s, late_s=settings.late_s)
    trusted = (pairs.reason[part] == 0) | ~np.isfinite(tested)
    data = StateInput(
        time_s=end_s,
        seconds=pairs.seconds[part],
        tested=tested,
        reference=np.where(trusted, pairs.reference[part], np.nan),
        low=low,
        high=high,
        cadence=cadence_over(context, start_s, end_s),
        averaging_s=averaging_s,
    )
    states = label(
        data,
        parameters,
        frozen_min_s=settings.frozen_min_s,
        frozen_move=settings.frozen_move_bpm,
        mode_share=settings.state_share,
    )
    return Judged(data=data, near=states, states=_spread(states, part, pairs.tested.size))


def _near_reference(pairs: Pairs) -> slice:
    """The readings with reference and a thousand on either side: a device may have run for days beside an hour."""
    seen = np.flatnonzero(pairs.covered > 0.0)
    return slice(max(int(seen[0]) - 1000, 0), int(seen[-1]) + 1001) if seen.size else slice(0, 0)


def _spread(states: States, part: slice, n: int) -> States:
    """States of a part as states of all readings; nothing is said of the others."""

    def whole(values: NDArray[Any], rest: float) -> NDArray[Any]:
        out = np.full(n, rest, dtype=values.dtype)
        out[part] = values
        return out

    return States(
        state=whole(states.state, -1),
        ratio=whole(states.ratio, np.nan),
        also_cadence=whole(states.also_cadence, 0),
        probability=whole(states.probability, np.nan),
    )


def cadence_over(context: tuple[Series, ...], start_s: F64, end_s: F64) -> F64:
    """Mean credible cadence over each window, NaN where less than half of it has one."""
    series = next((s for s in context if s.quantity == "cadence"), None)
    out = np.full(start_s.shape, np.nan)
    if series is None or series.time_s.size < 5:
        return out
    credible = credible_cadence(series.time_s, series.value)
    good = np.isfinite(credible)
    if not good.any():
        return out
    hold = max(2.0 * usual_interval(series.time_s), 5.0)
    # A sample stands for the time half-way to its neighbours, at most ``hold`` to either side.
    time_s = series.time_s
    half = 0.5 * np.diff(time_s)
    before = np.minimum(np.concatenate([[hold], half]), hold)
    after = np.minimum(np.concatenate([half, [hold]]), hold)
    edge = np.stack([time_s - before, time_s + after], axis=1).reshape(-1)
    seconds = np.where(good, before + after, 0.0)
    amount = np.where(good, credible, 0.0) * seconds

    def until(each: F64, at: F64) -> F64:
        total = np.zeros(edge.size)
        total[1::2] = np.cumsum(each)
        total[2::2] = total[1:-1:2]
        sums: F64 = np.interp(at, edge, total)
        return sums

    spot = 0.5 * np.maximum(1.0 - (end_s - start_s), 0.0)
    low, high = start_s - spot, end_s + spot
    covered = until(seconds, high) - until(seconds, low)
    whole = until(amount, high) - until(amount, low)
    np.divide(whole, covered, out=out, where=covered >= 0.5 * (high - low))
    return out
