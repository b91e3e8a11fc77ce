"""The pairs of one series of one session as the contract's table."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.core.pairing import REASONS
from wearbench.core.states import STATES
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.study import PAIRS, Study

__all__ = ["pair_table"]


def pair_table(result: SessionResult, series: SeriesResult, study: Study) -> pl.DataFrame:
    """One row a reading, sentinels included.

    Parameters
    ----------
    result : SessionResult
    series : SeriesResult
    study : Study

    Returns
    -------
    polars.DataFrame
        The columns of ``PAIRS``; instants in UTC, values that are not there null.
    """
    material = result.material
    pairs = series.pairs
    n = pairs.tested.size
    session = next(s for s in study.sessions if s.name == material.name)
    origin_us = material.origin_ms * 1000

    def same(text: str) -> pl.Series:
        return pl.Series([text or None], dtype=pl.String).new_from_index(0, n)

    def instants(seconds: NDArray[np.float64]) -> pl.Series:
        known = np.isfinite(seconds)
        stamps = origin_us + np.rint(np.where(known, seconds, 0.0) * 1e6).astype(np.int64)
        column = pl.Series(stamps).cast(pl.Datetime("us", "UTC"))
        return column if known.all() else column.set(pl.Series(~known), None)

    def numbers(values: NDArray[np.float64]) -> pl.Series:
        return pl.Series(values, dtype=pl.Float64).fill_nan(None)

    def words(values: NDArray[Any]) -> pl.Series:
        return pl.Series([v or None for v in values.tolist()], dtype=pl.String)

    names = np.array([*STATES, ""], dtype=object)
    state = names[series.states.state]
    no_value = ~np.isfinite(pairs.tested)
    state = np.where(no_value, "missing", state)
    state = np.where(pairs.reason == REASONS.index("not_worn"), "not_worn", state)
    episode = np.array(["", *(e.id for e in series.episodes)], dtype=object)
    event = np.array(["", *(e.event for e in series.episodes)], dtype=object)
    first = int(series.episodes[0].id.rsplit("-E", 1)[1]) if series.episodes else 1
    at = np.where(series.episode >= 0, series.episode - first + 1, 0)
    return pl.DataFrame(
        {
            "session": same(material.name),
            "participant": same(session.participant),
            "device": same(series.device),
            "reference_device": same(series.reference_device),
            "quantity": same(series.quantity),
            "unit": same(series.unit),
            "activity": words(series.places.activity),
            "bout": words(series.places.bout),
            "intensity": words(series.places.intensity),
            "firmware": same(series.firmware),
            "wear_site": same(series.wear_site),
            "time": instants(series.series.stamp_s),
            "start": instants(pairs.start_s),
            "end": instants(pairs.end_s),
            "seconds": numbers(pairs.seconds),
            "tested": numbers(series.series.value),
            "reference": numbers(pairs.reference),
            "covered": numbers(pairs.covered),
            "mended": numbers(pairs.mended),
            "cadence": numbers(series.cadence),
            "state": words(state),
            "ratio": numbers(series.states.ratio),
            "also": words(np.where(series.states.also_cadence, "cadence_locked", "").astype(object)),
            "probability": numbers(series.states.probability),
            "episode": words(episode[at]),
            "event": words(event[at]),
            "used": pl.Series(pairs.used),
            "reason": words(np.array(REASONS, dtype=object)[pairs.reason]),
            "source_row": pl.Series(series.series.source_row, dtype=pl.Int64),
        },
        schema=dict(PAIRS),
    )
