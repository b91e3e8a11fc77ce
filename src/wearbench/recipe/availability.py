"""Whether a device gave values at all: what a session without a reference can still tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearbench.core.pairing import missing_spans, rhythm
from wearbench.quantities import Quantity
from wearbench.recipe.material import Series
from wearbench.recipe.readings import good_values
from wearbench.settings import Settings
from wearbench.study import Session

__all__ = ["Availability", "availability_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Availability:
    """How much of the time in which values were expected had one.

    ``expected_s`` is the session's time where sessions.csv gives it, else from the first to the last value.
    """

    device: str
    quantity: str
    readings: int
    with_value: int
    expected_s: float
    given_s: float

    @property
    def share(self) -> float | None:
        """Time with values over time expected; None where no time was."""
        return self.given_s / self.expected_s if self.expected_s > 0 else None


def availability_of(
    series: Series, quantity: Quantity, session: Session, settings: Settings, *, origin_ms: int, hold_s: float
) -> Availability:
    """Count values of a series by its own stamps.

    Parameters
    ----------
    series : Series
    quantity : Quantity
    session : Session
        Its times bound what was expected.
    settings : Settings
    origin_ms : int
        Second 0 of the series.
    hold_s : float
        For recorders that write only changes.

    Returns
    -------
    Availability
    """
    good = good_values(series, quantity)
    time_s, usual_s = series.time_s[good], np.maximum(rhythm(series.time_s), hold_s / settings.reading_counts_for)[good]
    low = float(time_s[0]) if time_s.size else 0.0
    high = float(time_s[-1]) if time_s.size else 0.0
    if series.start_known and session.start_ms is not None:
        low = (session.start_ms - origin_ms) / 1000.0
    if series.start_known and session.end_ms is not None:
        high = max(low, (session.end_ms - origin_ms) / 1000.0)
    gone = missing_spans(time_s, usual_s, first_s=low, last_s=high, most=settings.reading_counts_for)
    return Availability(
        device=series.device,
        quantity=series.quantity,
        readings=int(series.time_s.size),
        with_value=int(good.sum()),
        expected_s=high - low,
        given_s=max(0.0, high - low - float(np.diff(gone, axis=1).sum())),
    )
