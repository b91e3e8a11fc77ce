"""Disagreement that is not counted against the device, and how a session looks with doubtful reference kept."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.disputes import RATIOS, STEPPED, UNSEEN, disputed_readings, steps_of
from wearbench.core.pairing import REASONS
from wearbench.core.running import Running
from wearbench.core.states import STATES, States
from wearbench.recipe.columns import Column
from wearbench.recipe.comparison import Comparison, paired
from wearbench.recipe.episodes import episodes_of
from wearbench.recipe.judging import judge
from wearbench.recipe.sessionresult import DoubtfulKept, Episode
from wearbench.recipe.statetimes import value_seconds
from wearbench.recipe.wearing import Absent
from wearbench.recipe.windows import Windowed

__all__ = ["disputes_of", "kept_of", "settled", "with_doubtful"]

_DOUBTFUL: Final = REASONS.index("reference_doubtful")
_WHY_DOUBTFUL: Final = 3
_CANNOT: Final = "one of the two is wrong, this study cannot say which"
_WORDS: Final = {
    STEPPED: f"{_CANNOT}: the reference stepped at its edge, the device did not",
    UNSEEN: f"{_CANNOT}: the reference may have counted every second beat all along",
    _WHY_DOUBTFUL: f"{_CANNOT}: the reference was doubtful",
}


def settled(states: States, window: Windowed, running: Running) -> States:
    """States with disputed readings not judged.

    Parameters
    ----------
    states : States
    window : Windowed
    running : Running
        The reference.

    Returns
    -------
    States
    """
    why = _disputed(states, window, running)
    if not why.any():
        return states
    return replace(states, state=np.where(why > 0, -1, states.state).astype(np.int8))


def _disputed(states: States, window: Windowed, running: Running) -> NDArray[np.int8]:
    pairs = window.pairs
    reference = np.where(pairs.used, pairs.reference, np.nan)
    length = pairs.end_s - pairs.start_s
    return disputed_readings(
        states.state,
        time_s=pairs.end_s,
        tested=pairs.tested,
        reference=reference,
        averaging_s=float(np.median(length)) if length.size else 0.0,
        steps_s=steps_of(running),
    )


def with_doubtful(one: Comparison, column: Column, clock: ClockFit) -> Column | None:
    """The column judged anew with windows of doubtful reference kept; None where there are none.

    Parameters
    ----------
    one : Comparison
    column : Column
    clock : ClockFit

    Returns
    -------
    Column or None
    """
    reason = column.window.pairs.reason
    if not one.quantity.state_model or clock.trust == "refused" or not np.any(reason == _DOUBTFUL):
        return None
    kept = paired(one, clock, keep_doubtful=True)
    aside = (reason != 0) & (reason != _DOUBTFUL)
    told = np.where(aside, reason, kept.pairs.reason).astype(reason.dtype)
    window = replace(kept, pairs=replace(kept.pairs, reason=told))
    running = one.reference.running
    states = judge(window, running, one.context, one.learned.states, one.settings, averaging_s=one.averaging_s).states
    return replace(column, name="doubtful kept", window=window, states=states)


def kept_of(judged: Column, kept: Column | None) -> DoubtfulKept:
    """Seconds of each state without and with doubtful reference, and how much of it there is.

    Parameters
    ----------
    judged : Column
    kept : Column or None
        From :func:`with_doubtful`.

    Returns
    -------
    DoubtfulKept
    """
    pairs = judged.window.pairs
    doubtful = float(value_seconds(pairs)[pairs.reason == _DOUBTFUL].sum())
    silent = float(np.diff(judged.gone, axis=1).sum())
    return DoubtfulKept(
        doubtful_s=doubtful, missing_s=silent, without=_seconds(judged), with_doubtful=_seconds(kept or judged)
    )


def _seconds(column: Column) -> dict[str, float]:
    state, seconds = column.states.state, value_seconds(column.window.pairs)
    return {name: s for code, name in enumerate(STATES) if (s := float(seconds[state == code].sum())) > 0}


def disputes_of(one: Comparison, judged: Column, kept: Column | None, *, before: int) -> tuple[Episode, ...]:
    """Episodes of half, double or another simple ratio that may be the reference's.

    Parameters
    ----------
    one : Comparison
    judged : Column
        Its disputed readings are not judged; ``claimed`` is what they would have been.
    kept : Column or None
        From :func:`with_doubtful`.
    before : int
        Episodes of this session so far.

    Returns
    -------
    tuple of Episode
        Each with its ``doubt``.
    """
    if judged.claimed is None:
        return ()
    claimed, window = judged.claimed, judged.window
    why = _disputed(claimed, window, one.reference.running)
    state = np.where(why > 0, claimed.state, -1).astype(np.int8)
    ratio, probability = claimed.ratio.copy(), claimed.probability.copy()
    also = claimed.also_cadence.copy()
    if kept is not None:
        unsure = (window.pairs.reason == _DOUBTFUL) & np.isin(kept.states.state, RATIOS)
        why = np.where(unsure, _WHY_DOUBTFUL, why).astype(np.int8)
        state = np.where(unsure, kept.states.state, state).astype(np.int8)
        ratio = np.where(unsure, kept.states.ratio, ratio)
        probability = np.where(unsure, kept.states.probability, probability)
        also = np.where(unsure, kept.states.also_cadence, also)
    if not why.any():
        return ()
    nothing = np.zeros((0, 2))
    told = replace(
        judged,
        states=States(state=state, ratio=ratio, also_cadence=also, probability=probability),
        gone=nothing,
        absent=Absent(not_worn=nothing, not_expected=nothing),
    )
    member, episodes = episodes_of(one, told, before=before)
    out = []
    for number, episode in enumerate(episodes, start=before + 1):
        reasons = np.bincount(why[member == number], minlength=_WHY_DOUBTFUL + 1)
        out.append(replace(episode, doubt=_WORDS[int(reasons[1:].argmax()) + 1]))
    return tuple(out)
