"""Where one device keeps several rhythms: what each of them says, and what weighing readings equally hides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.modes import Modes, nearest_mode
from wearbench.core.pairing import Pairs
from wearbench.recipe.learning import SeriesParameters
from wearbench.wording import duration
from wearbench.wording import share as share_words

__all__ = [
    "RhythmSums",
    "mixed_words",
    "mode_not_started",
    "rhythm_groups",
    "rhythm_rows",
    "rhythm_sums",
    "rhythm_words",
]

B8 = NDArray[np.bool_]

_AT_REST: Final = frozenset(
    {"rest", "resting", "sleep", "sleeping", "night", "day", "daily", "desk", "sitting", "lying", "still", "nap", "bed"}
)
_SLOW_S: Final = 30.0
_SLOWER: Final = 5.0


@dataclass(frozen=True, kw_only=True, slots=True)
class RhythmSums:
    """Sums of one rhythm of one session: pairs used, their seconds, differences by pair and by second."""

    usual_s: float
    n: int
    seconds: float
    difference: float
    size: float
    difference_s: float
    size_s: float


def rhythm_words(usual_s: float) -> str:
    """``one value a second``, ``one value a minute``, ``one value every 10 min``."""
    if abs(usual_s - 1.0) < 0.1:
        return "one value a second"
    if abs(usual_s - 60.0) < 5.0:
        return "one value a minute"
    return f"one value every {duration(usual_s) if usual_s >= 1.5 else f'{usual_s:.1f} s'}"


def _mode_of(modes: Modes, known: tuple[float, ...]) -> NDArray[np.int64]:
    """The study's mode of each reading."""
    return nearest_mode(np.array(modes.usual_s), known)[modes.mode]


def rhythm_groups(parameters: SeriesParameters, modes: Modes) -> list[tuple[str, str, B8]]:
    """Groups of readings by rhythm, where the device has several over the study."""
    known = tuple(mode.usual_s for mode in parameters.modes)
    if len(known) < 2:
        return []
    at = _mode_of(modes, known)
    return [("rhythm", rhythm_words(usual), at == number) for number, usual in enumerate(known)]


def rhythm_sums(parameters: SeriesParameters, modes: Modes, pairs: Pairs) -> tuple[RhythmSums, ...]:
    """Sums of each rhythm, where the device has several over the study."""
    known = tuple(mode.usual_s for mode in parameters.modes)
    if len(known) < 2:
        return ()
    at = _mode_of(modes, known)
    out = []
    for number, usual in enumerate(known):
        mask = pairs.used & (at == number)
        apart, seconds = (pairs.tested - pairs.reference)[mask], pairs.seconds[mask]
        out.append(
            RhythmSums(
                usual_s=usual,
                n=int(mask.sum()),
                seconds=float(seconds.sum()),
                difference=float(apart.sum()),
                size=float(np.abs(apart).sum()),
                difference_s=float(np.dot(apart, seconds)),
                size_s=float(np.dot(np.abs(apart), seconds)),
            )
        )
    return tuple(out)


def rhythm_rows(
    device: str, quantity: str, parameters: SeriesParameters, sums: Sequence[tuple[RhythmSums, ...]]
) -> list[dict[str, Any]]:
    """One row a rhythm, and one over all in which a second counts as a second whatever the rhythm.

    Parameters
    ----------
    device, quantity : str
    parameters : SeriesParameters
    sums : sequence of tuple of RhythmSums
        Of each session.

    Returns
    -------
    list of dict
        Empty where the device keeps one rhythm. ``bias`` and ``mae`` weigh pairs, ``bias_by_time`` and ``mae_by_time``
        seconds.
    """
    told = [each for each in sums if each]
    if not told or sum(sum(s[i].n for s in told) > 0 for i in range(len(told[0]))) < 2:
        return []
    n_all = sum(one.n for each in told for one in each)
    seconds_all = sum(one.seconds for each in told for one in each)
    rows = []
    for number, mode in enumerate(parameters.modes):
        rows.append(_row(rhythm_words(mode.usual_s), [each[number] for each in told], n_all, seconds_all))
        rows[-1] |= {"usual_s": mode.usual_s, "averaging_s": mode.averaging.averaging_s}
        rows[-1] |= {"averaging_low_s": mode.averaging.low_s, "averaging_high_s": mode.averaging.high_s}
    rows.append(_row("all", [one for each in told for one in each], n_all, seconds_all))
    return [{"device": device, "quantity": quantity, **row} for row in rows]


def _row(name: str, sums: list[RhythmSums], n_all: int, seconds_all: float) -> dict[str, Any]:
    n, seconds = sum(one.n for one in sums), sum(one.seconds for one in sums)

    def over(total: float, count: float) -> float | None:
        return total / count if count > 0 else None

    return {
        "rhythm": name,
        "usual_s": None,
        "averaging_s": None,
        "averaging_low_s": None,
        "averaging_high_s": None,
        "n_pairs": n,
        "seconds": seconds,
        "share_of_pairs": over(n, n_all),
        "share_of_time": over(seconds, seconds_all),
        "bias": over(sum(one.difference for one in sums), n),
        "mae": over(sum(one.size for one in sums), n),
        "bias_by_time": over(sum(one.difference_s for one in sums), seconds),
        "mae_by_time": over(sum(one.size_s for one in sums), seconds),
    }


def mixed_words(label: str, rows: list[dict[str, Any]]) -> str:
    """The warning that pairs do not weigh time, with the rhythm that has most of them."""
    most = max(rows[:-1], key=lambda row: row["n_pairs"])
    pairs, time = share_words(most["share_of_pairs"]), share_words(most["share_of_time"])
    return (
        f"{label} keeps {len(rows) - 1} rhythms; {most['rhythm']} makes {pairs} of its pairs and {time} of their time,"
        " and agreement weighs pairs: see it by rhythm, and by time in the table of rhythms"
    )


def mode_not_started(parameters: SeriesParameters, modes: Modes, main: int, activities: Sequence[str]) -> str | None:
    """Whether a session of exercise was recorded in the rhythm of the day.

    Parameters
    ----------
    parameters : SeriesParameters
        Of the study: its modes tell whether the device can do better.
    modes : Modes
        Of the session.
    main : int
        Its main mode.
    activities : sequence of str
        What was done, as the study says.

    Returns
    -------
    str or None
        A sentence that ends in a question.
    """
    moving = [a for a in activities if not set(a.lower().replace("-", " ").replace("_", " ").split()) & _AT_REST]
    usual = modes.usual_s[main]
    if not moving or usual < _SLOW_S:
        return None
    quicker = next((mode.usual_s for mode in parameters.modes if mode.usual_s * _SLOWER <= usual and mode.n), None)
    if quicker is None and len(parameters.modes) > 1:
        return None
    said = f"gave {rhythm_words(usual)} in {moving[0]}"
    if quicker is not None:
        said += f", elsewhere {rhythm_words(quicker)}"
    return f"{said}: was its exercise mode not started?"
