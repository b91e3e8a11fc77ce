"""The truth of a simulated study as tables, and how well its clocks could be known at best."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.device import SimulatedDevice
from wearbench.simulator.sensing import window_rate
from wearbench.simulator.session import SimulatedSession

if TYPE_CHECKING:
    import polars as pl

__all__ = ["beats_table", "information_bound", "readings_table", "sessions_table", "write_truth"]

_FEWEST = 30
_README = """# Truth of an invented study

Everything in this study was made by a simulator: no person rowed, no device was worn. These tables say what was so.
All instants are on the reference's clock (the chest patch) unless said otherwise.

- `readings.parquet`: one row a reading, sentinels included. `source_row` counts data rows of the file from 1 (records
  or trackpoints in FIT and TCX); `time` is the device's own stamp; `start`, `end` are the true window: end = true
  instant - delay, start = end - averaging (exponential smoothing: the boxcar of equal mean age). `state`: a window with
  80 % of one mode has that state, else `between`; `frozen` where the output was held while the true rate over the
  windows moved by more than 5 bpm; `missing` for sentinels. `also`: `cadence_locked` where cadence (or the multiple
  locked to) coincides within 3 %; a lock that is half or double rate, or right, within 3 % is called `halved`,
  `doubled` or `faithful`; `late` where the sensor was more than 1 s behind at an onset (up to 30 s is faithful).
- `sessions.parquet`: reference = device stamp + offset_s + 1e-6 drift_ppm (stamp - at). `centre_shift_s`: window
  centre minus stamp at `at`. `bound_s`: the smallest standard error with which the shift can be known from the rate
  alone; null where there are too few faithful readings.
- `beats.parquet`: the true beats, also those the patch missed.
"""


def information_bound(device: SimulatedDevice, beats_s: NDArray[np.float64]) -> float | None:
    """Return the smallest standard error of a time shift that the recording allows.

    Noise SD times sqrt((1 + phi) / (1 - phi)), over the root of the summed squared slope (bpm/s) of the windowed true
    rate: the Cramer-Rao bound for a shift (e.g. Kay 1993, Fundamentals of Statistical Signal Processing I, ch. 3,
    from memory) with an effective number for correlated errors. Noise SD and phi are those of the errors as written,
    rounding included, over readings that are faithful throughout their window and not late.

    Parameters
    ----------
    device : SimulatedDevice
    beats_s : float64 array, shape (n,)

    Returns
    -------
    float or None
        Seconds; None with fewer than 30 such readings, or a rate that does not move.
    """
    good = device.pure
    if int(good.sum()) < _FEWEST:
        return None
    residual = np.where(good, device.value_bpm - device.truth_bpm, np.nan)
    residual = residual - np.nanmean(residual)
    noise = float(np.sqrt(np.nanmean(residual**2)))
    product = residual[1:] * residual[:-1]
    phi = float(np.clip(np.nanmean(product) / noise**2, 0.0, 0.999)) if np.isfinite(product).any() and noise else 0.0
    start, end = device.start_s[good], device.end_s[good]
    slope = window_rate(beats_s, start + 0.5, end + 0.5) - window_rate(beats_s, start - 0.5, end - 0.5)
    moved = float(np.sqrt(np.sum(slope**2)))
    return noise * float(np.sqrt((1 + phi) / (1 - phi))) / moved if moved > 0 else None


def _instants(name: str, start: datetime, seconds: NDArray[np.float64]) -> pl.Series:
    import polars as pl

    origin_us = int(start.timestamp()) * 1_000_000
    return pl.Series(name, origin_us + np.rint(seconds * 1e6).astype(np.int64)).cast(pl.Datetime("us", "UTC"))


def readings_table(sessions: tuple[SimulatedSession, ...]) -> pl.DataFrame:
    """One row a reading; columns as in the truth folder's README."""
    import polars as pl

    return pl.concat(
        pl.DataFrame(
            [
                pl.Series("session", [session.plan.name] * device.stamp_ms.size, dtype=pl.String),
                pl.Series("device", [device.plan.name] * device.stamp_ms.size, dtype=pl.String),
                pl.Series("source_row", np.arange(1, device.stamp_ms.size + 1, dtype=np.int64)),
                _instants("time", session.plan.start, device.stamp_ms / 1000.0),
                _instants("start", session.plan.start, device.start_s),
                _instants("end", session.plan.start, device.end_s),
                pl.Series("state", device.state.tolist(), dtype=pl.String),
                pl.Series("also", device.also.tolist(), dtype=pl.String),
                pl.Series("sentinel", device.sentinel),
            ]
        )
        for session in sessions
        for device in session.devices
    )


def sessions_table(sessions: tuple[SimulatedSession, ...]) -> pl.DataFrame:
    """One row a session and tested device."""
    import polars as pl

    rows = [
        {
            "session": session.plan.name,
            "device": device.plan.name,
            "offset_s": device.plan.clock.offset_s,
            "drift_ppm": device.plan.clock.drift_ppm,
            "at": session.plan.start + timedelta(seconds=device.at_s),
            "delay_s": device.plan.delay_s,
            "averaging_s": device.plan.averaging_s,
            "centre_shift_s": device.plan.clock.offset_s - device.plan.delay_s - device.plan.averaging_s / 2,
            "bound_s": information_bound(device, session.beats_s),
            "firmware": device.plan.firmware,
        }
        for session in sessions
        for device in session.devices
    ]
    number = dict.fromkeys(
        ("offset_s", "drift_ppm", "delay_s", "averaging_s", "centre_shift_s", "bound_s"), pl.Float64()
    )
    return pl.DataFrame(rows, schema_overrides={**number, "at": pl.Datetime("us", "UTC")})


def beats_table(sessions: tuple[SimulatedSession, ...]) -> pl.DataFrame:
    """One row a true beat."""
    import polars as pl

    return pl.concat(
        pl.DataFrame(
            [
                pl.Series("session", [session.plan.name] * session.beats_s.size, dtype=pl.String),
                _instants("time", session.plan.start, session.beats_s),
            ]
        )
        for session in sessions
    )


def write_truth(folder: Path, sessions: tuple[SimulatedSession, ...]) -> None:
    """Write the three tables and their README into ``folder``, which is made."""
    folder.mkdir(parents=True, exist_ok=True)
    readings_table(sessions).write_parquet(folder / "readings.parquet")
    sessions_table(sessions).write_parquet(folder / "sessions.parquet")
    beats_table(sessions).write_parquet(folder / "beats.parquet")
    (folder / "README.md").write_text(_README, encoding="utf-8")
