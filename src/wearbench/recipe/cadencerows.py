"""Table of the document: whether differences go with the cadence beyond what the heart explains."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from wearbench.core.clusters import Estimate
from wearbench.core.partial import inner_products, partial_correlation
from wearbench.recipe.moments import Moments
from wearbench.recipe.questions import MULTIPLES
from wearbench.recipe.rowparts import estimate_row
from wearbench.settings import Settings

__all__ = ["cadence_rows"]


def cadence_rows(every: Sequence[Moments], settings: Settings) -> list[dict[str, Any]]:
    """Correlation of differences with the distance of cadence from reference, by multiple of the cadence.

    Parameters
    ----------
    every : sequence of Moments
        Of one device and quantity, one a session.
    settings : Settings

    Returns
    -------
    list of dict
        A row for each multiple, and one given the reference, which is the same for all multiples. Empty where no
        session has a cadence.
    """
    every = [m for m in every if m.has_cadence and np.isfinite(m.cadence).any()]
    if not every:
        return []
    session = np.argsort(np.argsort([m.session.name for m in every]))
    people = np.unique([m.participant for m in every], return_inverse=True)[1]

    def told(multiple: float, *, given: bool) -> Estimate:
        sums = [
            inner_products(m.tested - m.reference, multiple * m.cadence - m.reference, m.reference, weight=m.seconds)
            for m in every
        ]
        return partial_correlation(
            sums, session=session, participant=people, given=given, confidence=settings.confidence
        )

    rows: list[tuple[str, float | None, Estimate]] = [("correlation", k, told(k, given=False)) for k, _ in MULTIPLES]
    rows.append(("given_reference", None, told(1.0, given=True)))
    return [
        {"statistic": name, "multiple": multiple, **estimate_row(found), "n_sessions": len(every)}
        for name, multiple, found in rows
    ]
