"""Continuous reference and cadence, for drawing."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.core.running import values_over
from wearbench.core.states import credible_cadence
from wearbench.recipe.sessionresult import SessionResult
from wearbench.study import TRACES

__all__ = ["trace_table"]

F64 = NDArray[np.float64]


def trace_table(ordered: list[SessionResult]) -> pl.DataFrame:
    """Continuous reference and cadence for drawing: a value every two seconds or so."""
    frames: list[pl.DataFrame] = []
    for r in ordered:
        origin_us = r.material.origin_ms * 1000
        drawn: set[str] = set()
        for reference in r.material.references:
            if reference.quantity in drawn:
                continue
            drawn.add(reference.quantity)
            span = reference.last_s - reference.first_s
            step = max(2.0, span / 3000.0)
            centre = np.arange(reference.first_s, reference.last_s, step) + 0.5 * step
            half = max(2.5, 0.5 * step)
            window = values_over(reference.running, centre - half, centre + half)
            value = np.where(window.covered >= 0.5, window.value, np.nan)
            frames.append(
                _trace(r.material.name, reference.device, "reference", reference.quantity, origin_us, centre, value,
                       window.doubtful > 0.5)
            )  # fmt: skip
        for series in r.material.context:
            if series.quantity != "cadence" or series.time_s.size == 0:
                continue
            value = credible_cadence(series.time_s, series.value)
            thin = max(1, series.time_s.size // 3000)
            none = np.zeros(series.time_s[::thin].size, dtype=bool)
            frames.append(
                _trace(r.material.name, series.device, "context", "cadence", origin_us, series.time_s[::thin],
                       value[::thin], none)
            )  # fmt: skip
    return pl.concat(frames) if frames else pl.DataFrame(schema=dict(TRACES))


def _trace(
    session: str,
    device: str,
    role: str,
    quantity: str,
    origin_us: int,
    time_s: F64,
    value: F64,
    doubtful: NDArray[np.bool_],
) -> pl.DataFrame:
    n = time_s.size
    stamps = origin_us + np.rint(time_s * 1e6).astype(np.int64)
    return pl.DataFrame(
        {
            "session": pl.Series([session], dtype=pl.String).new_from_index(0, n),
            "device": pl.Series([device], dtype=pl.String).new_from_index(0, n),
            "role": pl.Series([role], dtype=pl.String).new_from_index(0, n),
            "quantity": pl.Series([quantity], dtype=pl.String).new_from_index(0, n),
            "time": pl.Series(stamps).cast(pl.Datetime("us", "UTC")),
            "value": pl.Series(value),
            "doubtful": pl.Series(doubtful),
        },
        schema=dict(TRACES),
    )
