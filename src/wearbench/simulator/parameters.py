"""Everything the simulator can be told: people, bouts, the chest patch, tested devices, their clocks and failures.

All of it is invented. The sizes follow what is ordinary for healthy adults and optical sensors; no figure here is a
measurement of a real person or product. Times are seconds from the session's start on the reference's clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from wearbench.errors import DataError

__all__ = ["Bout", "ClockError", "DevicePlan", "Failure", "Person", "PodPlan", "ReferencePlan", "SessionPlan", "Spell"]

Mode = Literal["halved", "doubled", "off_ratio", "cadence_locked", "astray", "frozen", "missing", "spike"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """How one invented person's heart answers to effort.

    Attributes
    ----------
    name : str
    rest_bpm, max_bpm : float
        Rate at rest and at full effort.
    rise_s, fall_s : float
        Time constants of the first-order rise and recovery.
    drift_bpm_per_h : float
        Upward creep of the rate for each hour at full effort (fatigue, heat).
    effort_wander : float
        Standard deviation of the effort about its target, as a share of full effort, correlated over a minute.
    wander_bpm : float
        Standard deviation of slow changes without a cause, correlated over 40 s.
    breathing_hz : float
        Breaths a second at rest; at full effort 2.6 times as many.
    respiratory_share, slow_share : float
        Amplitude at rest of the changes with each breath, and of the waves of about 10 s, as shares of the rate;
        both fade with the square of what is left of the heart-rate reserve.
    noise_ms : float
        Standard deviation of beat times without a pattern, at rest.
    ectopics_per_h : float
        Premature beats, each followed by its pause.
    """

    name: str = "P1"
    rest_bpm: float = 62.0
    max_bpm: float = 188.0
    rise_s: float = 30.0
    fall_s: float = 60.0
    drift_bpm_per_h: float = 14.0
    effort_wander: float = 0.025
    wander_bpm: float = 1.2
    breathing_hz: float = 0.24
    respiratory_share: float = 0.05
    slow_share: float = 0.03
    noise_ms: float = 4.0
    ectopics_per_h: float = 1.5


@dataclass(frozen=True, kw_only=True, slots=True)
class Bout:
    """A stretch of one activity.

    Attributes
    ----------
    activity, intensity : str
        Words as they go to ``bouts.csv``.
    seconds : float
    effort : float
        Share of the heart-rate reserve aimed at, 0 to 1.
    cadence : float
        Strokes or steps a minute; 0 where nothing repeats.
    """

    activity: str
    intensity: str
    seconds: float
    effort: float
    cadence: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Spell:
    """From ``start_s`` for ``seconds``."""

    start_s: float
    seconds: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ReferencePlan:
    """The chest patch and what goes wrong with it.

    Attributes
    ----------
    name : str
        File name of its recordings.
    missed_share, extra_share : float
        Beats not seen, and beats that were none, as shares of all beats.
    dry_s : float
        How long the patch is dry at the start: beats missed, invented and displaced; 0 for never.
    every_second : tuple of Spell
        Spells in which only every second beat is counted.
    double_count : tuple of Spell
        Spells in which each beat is counted twice (a tall second wave).
    lost : tuple of Spell
        Spells whose packets never arrived.
    packet_loss : float
        Share of single packets lost besides.
    stamps : {"arrival", "exact", "second", "none"}
        What stands beside each interval: when its one-second packet arrived (late, several intervals with the same
        stamp), the beat's instant, the beat's whole second (truncated), or nothing.
    least_late_s, usually_late_s : float
        Smallest and mean additional lateness of a packet.
    rate_over_s : float
        0 for RR intervals; else it writes only a rate, once a second, that is the mean over this many seconds before.
    """

    name: str = "patch"
    missed_share: float = 0.0015
    extra_share: float = 0.0008
    dry_s: float = 0.0
    every_second: tuple[Spell, ...] = ()
    double_count: tuple[Spell, ...] = ()
    lost: tuple[Spell, ...] = ()
    packet_loss: float = 0.0003
    stamps: Literal["arrival", "exact", "second", "none"] = "arrival"
    least_late_s: float = 0.04
    usually_late_s: float = 0.03
    rate_over_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Failure:
    """One way to fail, as a process that switches on and off.

    Attributes
    ----------
    mode : str
        ``halved``, ``doubled``, ``off_ratio`` (see ``ratio``), ``cadence_locked`` and ``astray`` change what is
        sensed, before the averaging; ``frozen``, ``spike`` and ``missing`` act on what is put out.
    share : float
        Share of the eligible time spent in the mode, in the long run; ignored when ``spells`` are given. For
        ``spike`` the share of readings.
    mean_s, least_s : float
        Mean and shortest length of an episode.
    activities : tuple of str
        Activities in which it can happen; empty for all.
    ratio : float
        Sensed over true rate for ``off_ratio``; multiple of the cadence for ``cadence_locked``.
    sentinel : float or None
        What a ``missing`` device writes: a number, NaN for an empty value, or None for no row.
    spells : tuple of Spell
        Fixed episodes in place of drawn ones.
    edge_s : float
        For modes of the sensor: how long the change into the mode, and out of it, takes; 0 for at once.
    """

    mode: Mode
    share: float = 0.0
    mean_s: float = 90.0
    least_s: float = 20.0
    activities: tuple[str, ...] = ()
    ratio: float = 1.0
    sentinel: float | None = None
    spells: tuple[Spell, ...] = ()
    edge_s: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.share <= 1.0:
            raise DataError(f"expected a share from 0 to 1 for {self.mode}, got {self.share}")
        if self.mean_s < self.least_s:
            raise DataError(f"expected a mean length of at least {self.least_s} s, got {self.mean_s}")


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockError:
    """Reference time = stamp + ``offset_s`` + 1e-6 ``drift_ppm`` (stamp - middle of the session)."""

    offset_s: float = 0.0
    drift_ppm: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class DevicePlan:
    """A tested device in one session.

    Attributes
    ----------
    name : str
        File name of its recordings.
    averaging_s : float
        Length of the boxcar over which the sensed rate is averaged; 0 for the rate of the moment.
    smoothing : {"boxcar", "exponential"}
        Exponential smoothing has time constant ``averaging_s / 2``: the same mean age as the boxcar.
    delay_s : float
        From the end of the average to the output.
    interval_s : float
        Between readings.
    rest_interval_s : float or None
        Between readings in bouts whose activity is ``rest``, when the device then slows down.
    jitter_s : float
        Readings come up to this much early or late.
    on_change : bool
        A row is written only when the value changes, or after ``hold_s``.
    hold_s : float
    noise_bpm, noise_corr_s : float
        Standard deviation and correlation time of the device's own error.
    round_to_bpm : float
        Step of the values; 0 for none.
    onset_late_s, onset_share : float
        In this share of the bouts that start with a rise in effort, the sensor falls this far behind, then catches up
        within 2.5 times as long.
    starts_s, stops_s : float
        Recording starts this long after the session (negative: before) and stops this long after its end.
    clock : ClockError
    failures : tuple of Failure
        Where two would overlap, the earlier in the tuple happens.
    firmware, wear_site : str
    file : str
        ``csv_local`` (stamps in the study's zone, without offset), ``csv_utc``, ``csv_decimal_comma``, ``fit``,
        ``tcx``.
    """

    name: str = "band"
    averaging_s: float = 8.0
    smoothing: Literal["boxcar", "exponential"] = "boxcar"
    delay_s: float = 3.0
    interval_s: float = 1.0
    rest_interval_s: float | None = None
    jitter_s: float = 0.0
    on_change: bool = False
    hold_s: float = 60.0
    noise_bpm: float = 0.8
    noise_corr_s: float = 6.0
    round_to_bpm: float = 1.0
    onset_late_s: float = 0.0
    onset_share: float = 0.0
    starts_s: float = 0.0
    stops_s: float = 0.0
    clock: ClockError = ClockError()
    failures: tuple[Failure, ...] = ()
    firmware: str = ""
    wear_site: str = ""
    file: Literal["csv_local", "csv_utc", "csv_decimal_comma", "fit", "tcx"] = "csv_local"


@dataclass(frozen=True, kw_only=True, slots=True)
class PodPlan:
    """The stroke and step pod, on the reference's clock.

    Attributes
    ----------
    name : str
    interval_s : float
    noise : float
        Standard deviation of its readings, strokes or steps a minute.
    phantom_share : float
        Share of the time without movement in which it prints a number all the same.
    """

    name: str = "pod"
    interval_s: float = 1.0
    noise: float = 0.6
    phantom_share: float = 0.08


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionPlan:
    """One session: who does what, wearing what.

    Attributes
    ----------
    name : str
    start : datetime
        Aware, on a whole second.
    person : Person
    bouts : tuple of Bout
        One after the other from the start.
    activity : str
        Word for the whole session.
    reference : ReferencePlan
    devices : tuple of DevicePlan
    pod : PodPlan or None
    """

    name: str
    start: datetime
    person: Person
    bouts: tuple[Bout, ...]
    activity: str = ""
    reference: ReferencePlan = field(default_factory=ReferencePlan)
    devices: tuple[DevicePlan, ...] = ()
    pod: PodPlan | None = None

    def __post_init__(self) -> None:
        if self.start.tzinfo is None or self.start.microsecond:
            raise DataError(f"expected an aware start on a whole second for session {self.name}, got {self.start}")
        if not self.bouts:
            raise DataError(f"expected at least one bout in session {self.name}, got none")

    @property
    def seconds(self) -> float:
        """Length of the session."""
        return sum(bout.seconds for bout in self.bouts)

    @property
    def end(self) -> datetime:
        """End of the last bout."""
        return self.start + timedelta(seconds=self.seconds)

    @property
    def bout_starts_s(self) -> tuple[float, ...]:
        """Start of each bout."""
        starts, at = [], 0.0
        for bout in self.bouts:
            starts.append(at)
            at += bout.seconds
        return tuple(starts)
