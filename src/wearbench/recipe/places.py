"""Which bout, activity and intensity an instant of a session belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.study import Session

__all__ = ["Places", "places_of"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Places:
    """Bout, activity and intensity of each instant (arrays of text, shape (n,)), and the activities that occur."""

    bout: NDArray[Any]
    activity: NDArray[Any]
    intensity: NDArray[Any]
    activities: tuple[str, ...]


def places_of(session: Session, origin_ms: int, centre_s: F64) -> Places:
    """Look up bouts for instants on the reference's clock.

    Parameters
    ----------
    session : Session
        Outside its bouts the session's own activity holds.
    origin_ms : int
        Second 0 of the session.
    centre_s : float64 array, shape (n,)

    Returns
    -------
    Places
    """
    n = centre_s.size
    start_ms = origin_ms if session.start_ms is None else session.start_ms
    bout = np.full(n, "", dtype=object)
    activity = np.full(n, session.activity or "", dtype=object)
    intensity = np.full(n, "", dtype=object)
    for one in session.bouts:
        start, end = ((when.at_ms(start_ms) - origin_ms) / 1000.0 for when in (one.start, one.end))
        inside = (centre_s >= start) & (centre_s < end)
        bout[inside] = one.name
        if one.activity:
            activity[inside] = one.activity
        intensity[inside] = one.intensity or ""
    names = tuple(sorted({str(a) for a in activity.tolist() if a}))
    return Places(bout=bout, activity=activity, intensity=intensity, activities=names)
