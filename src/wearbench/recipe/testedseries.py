"""Makes series of readings on seconds from the session's origin: tested ones, and context."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.beats import Beats, beats_from_intervals
from wearbench.errors import CannotTell
from wearbench.formats import Intervals, Readings
from wearbench.quantities import Quantity
from wearbench.recipe.material import FileNote, ReferenceMaterial, Series
from wearbench.recipe.pieces import Recording
from wearbench.study import DeviceConfig

__all__ = ["beats_of", "centred_context", "one_each", "reference_of", "series_from", "within_reach"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]


def series_from(
    device: DeviceConfig, quantity: Quantity, recording: Recording, facts: dict[str, str], *, origin_ms: int
) -> Series:
    """Put readings on seconds from the session's origin; intervals become rates with a window each.

    Parameters
    ----------
    device : DeviceConfig
    quantity : Quantity
    recording : Readings or Intervals
    facts : dict
    origin_ms : int

    Returns
    -------
    Series
    """
    if isinstance(recording, Intervals):
        beats = beats_of(device, recording, origin_ms=origin_ms)
        good = beats.usable
        with np.errstate(divide="ignore"):
            rate = 60.0 / beats.interval_s
        return Series(
            device=device.name,
            quantity=quantity.name,
            unit=quantity.unit,
            time_s=beats.time_s[1:][good],
            value=rate[good],
            source_row=np.flatnonzero(good).astype(np.int64) + 1,
            start_s=beats.time_s[:-1][good],
            end_s=beats.time_s[1:][good],
            start_known=recording.start_known,
            facts=facts,
        )
    if not isinstance(recording, Readings):
        raise CannotTell(f"expected readings of {quantity.label}, got a signal; no rate is made of a tested signal")
    shift = origin_ms if recording.start_known else 0

    def seconds(ms: I64 | None) -> F64 | None:
        return None if ms is None else (ms - shift) / 1000.0

    after_stamp_s = 0.5 if device.stamps == "second" else 0.0
    return Series(
        device=device.name,
        quantity=quantity.name,
        unit=recording.unit or quantity.unit,
        time_s=(recording.time_ms - shift) / 1000.0 + after_stamp_s,
        value=recording.value,
        source_row=recording.source_row,
        start_s=seconds(recording.start_ms),
        end_s=seconds(recording.end_ms),
        start_known=recording.start_known,
        after_stamp_s=after_stamp_s,
        facts=facts,
    )


def beats_of(device: DeviceConfig, recording: Intervals, *, origin_ms: int) -> Beats:
    """Beats of a list of intervals, in seconds from the session's origin."""
    shift = origin_ms if recording.start_known else 0
    if recording.stamp_ms is None:
        start = 0.0 if recording.start_ms is None else (recording.start_ms - shift) / 1000.0
        return beats_from_intervals(recording.interval_ms, start_s=start)
    stamp_s = (recording.stamp_ms - shift) / 1000.0
    whole = bool(np.all(recording.stamp_ms % 1000 == 0))
    coarse = device.stamps == "second" or (device.stamps == "auto" and whole)
    return beats_from_intervals(recording.interval_ms, stamp_s=stamp_s, resolution_s=1.0 if coarse else 0.0)


def centred_context(series: Series, device: DeviceConfig) -> Series:
    """A context series with its values in the middle of what they stand for, where averaging or delay are declared."""
    back = {"ending": 0.5, "starting": -0.5}.get(device.stands_for, 0.0) * (device.averaging_s or 0.0)
    return replace(series, time_s=series.time_s - back - (device.delay_s or 0.0))


def reference_of(series: Series, references: tuple[ReferenceMaterial, ...]) -> ReferenceMaterial | None:
    """The preferred reference of a series' quantity, None if there is none."""
    return next((r for r in references if r.quantity == series.quantity), None)


def within_reach(
    series: Series, references: tuple[ReferenceMaterial, ...], reach_s: float, session: str, warnings: list[FileNote]
) -> Series:
    """Leave out readings so far from the reference that no clock search reaches them: days of another export."""
    reference = reference_of(series, references)
    if reference is None or not (reference.start_known and series.start_known):
        return series
    near = (series.time_s >= reference.first_s - reach_s) & (series.time_s <= reference.last_s + reach_s)
    if bool(near.all()) or not bool(near.any()):
        return series
    far = int(near.size - near.sum())
    said = (
        f"{far:,} of {near.size:,} readings of {series.device} lie more than {reach_s / 3600:g} h from the reference;"
        " left out (give the session's start and end in sessions.csv, or put the export in raw/_all)"
    )
    warnings.append(FileNote(slug="far-from-reference", said=said, file=f"raw/{session}", count=far))

    def part(column: F64 | None) -> F64 | None:
        return None if column is None else column[near]

    return replace(
        series,
        time_s=series.time_s[near],
        value=series.value[near],
        source_row=series.source_row[near],
        start_s=part(series.start_s),
        end_s=part(series.end_s),
    )


def one_each(series: list[Series]) -> list[Series]:
    """One series a device and quantity: a rate the device printed goes before one made of its intervals."""
    out: dict[tuple[str, str], Series] = {}
    for one in series:
        held = out.get((one.device, one.quantity))
        if held is None or (held.start_s is not None and one.start_s is None):
            out[(one.device, one.quantity)] = one
    return list(out.values())
