"""What came of looking at one assumption, and the small words its sentence is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from wearbench.core.clusters import Clusters

__all__ = [
    "ASSUMPTIONS",
    "Assumption",
    "AssumptionOutcome",
    "cannot_tell",
    "counted",
    "said_number",
    "said_span",
    "with_unit",
]

AssumptionOutcome = Literal["holds", "violated", "cannot be told"]

ASSUMPTIONS: Final = (
    "proportional_bias",
    "uneven_spread",
    "mixture",
    "heavy_tails",
    "few_clusters",
    "dependence_left",
    "influence",
)
"""Names of the assumptions in the order in which they are told."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Assumption:
    """What was found of one assumption behind the limits of agreement.

    Attributes
    ----------
    name : str
        One of ``ASSUMPTIONS``.
    value, low, high : float or None
        What was measured, with its interval; None where it cannot be given.
    outcome : {"holds", "violated", "cannot be told"}
        "holds" says that nothing against it was seen, not that it is true.
    said : str
        A plain sentence.
    method : str
        How it was measured, in words fit for small print.
    n : int
        Independent units it rests on.
    """

    name: str
    value: float | None
    low: float | None
    high: float | None
    outcome: AssumptionOutcome
    said: str
    method: str
    n: int


def cannot_tell(name: str, why: str, *, method: str, n: int, value: float | None = None) -> Assumption:
    """An assumption that cannot be judged, and why.

    Parameters
    ----------
    name, why, method : str
        ``why`` completes "cannot be told: ".
    n : int
    value : float or None

    Returns
    -------
    Assumption
    """
    said = f"{_WHETHER[name]} cannot be told: {why}."
    return Assumption(
        name=name, value=value, low=None, high=None, outcome="cannot be told", said=said, method=method, n=n
    )


_WHETHER: Final = {
    "proportional_bias": "Whether the bias follows the size of the value",
    "uneven_spread": "Whether the scatter follows the size of the value",
    "mixture": "How many readings are wrong in kind",
    "heavy_tails": "Whether a few differences lie far out",
    "few_clusters": "How many independent units there are",
    "dependence_left": "Whether successive units are alike",
    "influence": "Whether one unit decides the result",
}


def said_number(value: float) -> str:
    """A number with three figures and a true minus sign.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
    """
    return f"{value:.3g}".replace("-", "−") if math.isfinite(value) else "–"


def said_span(low: float, high: float, *, confidence: float) -> str:
    """An interval in brackets.

    Parameters
    ----------
    low, high : float
    confidence : float
        Its level.

    Returns
    -------
    str
    """
    return f"({100 * confidence:g} % interval {said_number(low)} to {said_number(high)})"


def with_unit(text: str, unit: str) -> str:
    """A number and its unit, if it has one.

    Parameters
    ----------
    text, unit : str

    Returns
    -------
    str
    """
    return f"{text} {unit}" if unit else text


def counted(clusters: Clusters) -> str:
    """How many independent units there are, as the end of a sentence.

    Parameters
    ----------
    clusters : Clusters

    Returns
    -------
    str
    """
    return f"there {'is' if clusters.count == 1 else 'are'} {clusters.count}"
