"""One table of settings: name, default, meaning. It feeds help and docs and is stored in every result."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Settings", "settings_table"]


def _say(default: Any, meaning: str, *, choices: tuple[str, ...] = ()) -> Any:
    return field(default=default, metadata={"meaning": meaning, "choices": choices})


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings:
    """Choices of the analysis; the defaults are ordinary and each has its meaning beside it."""

    min_covered: float = _say(0.8, "smallest share of a window with trustworthy reference for a pair to be used")
    min_beats: float = _say(3.0, "fewest reference beats in a window that is not fully covered")
    max_doubtful: float = _say(0.2, "largest share of a window where the reference is doubtful")
    zone_hours: float = _say(
        14.0, "the clock is searched over all offsets up to this many hours, and a quarter of an hour more"
    )
    spanning_margin_s: float = _say(
        900.0, "a spanning export is cut this far to either side of a session, or further where its clock is off"
    )
    max_drift_ppm: float = _say(200.0, "largest clock drift considered, parts per million")
    prior_drift_ppm: float = _say(20.0, "usual size of clock drift, towards which the estimate is shrunk")
    mark_slack_s: float = _say(
        0.3, "usual spread of the hand between the two marks of one sync act, as a standard deviation"
    )
    late_s: float = _say(30.0, "following the reference up to this late still counts as faithful")
    state_share: float = _say(0.8, "a window with this share of one mode has that state")
    frozen_min_s: float = _say(10.0, "shortest run of one repeated value that can be a freeze")
    frozen_move_bpm: float = _say(5.0, "how far the reference must move while a value is held for it to be frozen")
    affected_s: float = _say(
        60.0, "a session counts as affected by a failure that held at least this long in it, in two readings or more"
    )
    affected_probability: float = _say(
        0.8, "smallest mean posterior probability of an episode that counts towards a session being affected"
    )
    reading_counts_for: float = _say(
        1.5, "a reading counts for the time to the next, at most this many usual intervals"
    )
    tolerance_share: float = _say(0.10, "relative tolerance of 'within the greater of'")
    choices: bool = _say(True, "judge each session under other reasonable choices too, for what a sceptic will say")  # noqa: FBT003
    confidence: float = _say(0.95, "confidence level of all intervals")
    interval: str = _say(
        "t",
        "how intervals of agreement are made: t, or by resampling: percentile, bca, studentised",
        choices=("t", "percentile", "bca", "studentised"),
    )
    resamples: int = _say(10_000, "resamples of an interval made by resampling; t needs none")
    seed: int = _say(20_310_112, "seed of every random draw (PCG64, keyed by session name, not by order)")
    max_readings: int = _say(4_000_000, "most readings one recording of one session may hold")
    workers: int = _say(0, "processes used; 0 chooses by the size of the study and the machine")
    cache_mb: int = _say(1000, "megabytes of results of steps kept for later runs, in your cache folder; 0 keeps none")


def settings_table() -> list[tuple[str, Any, str]]:
    """Return (name, default, meaning) for each setting, in order."""
    return [(f.name, f.default, str(f.metadata["meaning"])) for f in dataclasses.fields(Settings)]
