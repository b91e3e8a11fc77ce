"""What is known of one session when both passes over it are done."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.pairing import Pairs
from wearbench.core.response import StepResponse
from wearbench.core.states import States
from wearbench.recipe.availability import Availability
from wearbench.recipe.material import FileNote, Series, SessionMaterial
from wearbench.recipe.places import Places
from wearbench.recipe.proposals import Proposal
from wearbench.recipe.rhythms import RhythmSums
from wearbench.recipe.splitting import Split
from wearbench.recipe.versions import Firmware
from wearbench.study import Session

__all__ = ["Alternative", "DoubtfulKept", "Episode", "SeriesResult", "SessionResult", "StateTime", "SumsRow"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Episode:
    """An unbroken run of one state other than faithful; seconds from the session's origin.

    ``doubt`` says why it is not counted against the device, where it may be the reference's.
    """

    id: str
    event: str
    state: str
    also: str
    start_s: float
    end_s: float
    seconds: float
    tested_mean: float
    reference_mean: float
    ratio: float
    probability: float
    doubt: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DoubtfulKept:
    """Seconds of each state without and with doubtful reference kept; ``doubtful_s`` is what is in question."""

    doubtful_s: float
    missing_s: float
    without: dict[str, float]
    with_doubtful: dict[str, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class SumsRow:
    """Sums of one group of pairs of the session, and of its blocks of time."""

    readings: str
    clock: str
    by: str
    group: str
    sums: F64
    blocks: F64


@dataclass(frozen=True, kw_only=True, slots=True)
class StateTime:
    """Seconds in a state; ``state`` is also "missing", "not_worn", "not_expected" or "unjudged"."""

    by: str
    group: str
    state: str
    seconds: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Alternative:
    """A series judged under one set of choices.

    Attributes
    ----------
    name : str
        Of the choice made otherwise; empty for the analysis itself, "corner" for a pair of clock and averaging within
        their intervals that has no name of its own.
    shift_s, averaging_s : float
        Centre shift and averaging it was judged with.
    seconds : dict
        Seconds of each state, "missing" and "unjudged" included; states that did not occur are left out.
    sure_s, readings : dict
        Of each state the seconds of its episodes that are sure, and the readings in them (two for a stretch without).
    blocks : float64 array, shape (k, len(SUM_NAMES))
        Sums of the pairs used in each block of time that holds any.
    """

    name: str
    shift_s: float
    averaging_s: float
    seconds: dict[str, float]
    sure_s: dict[str, float]
    readings: dict[str, int]
    blocks: F64


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesResult:
    """Everything about one tested series in one session; arrays have the length of the series.

    ``split`` parts the centre shift of ``clock`` into the clock's offset and the device's delay; ``notes`` is what is
    to be said of the study's tables.
    """

    device: str
    quantity: str
    unit: str
    reference_device: str
    firmware: str
    wear_site: str
    clock: ClockFit
    averaging_s: float
    series: Series
    pairs: Pairs
    states: States
    cadence: F64
    places: Places
    episode: NDArray[np.int32]
    episodes: tuple[Episode, ...]
    sums: tuple[SumsRow, ...]
    state_times: tuple[StateTime, ...]
    flow: dict[str, float]
    blocks_faithful: F64
    blocks_judged: F64
    split: Split
    notes: tuple[FileNote, ...] = ()
    warnings: tuple[str, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    rhythms: tuple[RhythmSums, ...] = ()
    ran: Firmware = field(default_factory=lambda: Firmware(version="", how="unknown"))
    responses: tuple[StepResponse, ...] = ()
    disputed: tuple[Episode, ...] = ()
    doubtful: DoubtfulKept | None = None
    alternatives: tuple[Alternative, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionResult:
    """Everything about one session; ``session`` has its bouts on the reference's clock."""

    material: SessionMaterial
    results: tuple[SeriesResult, ...] = ()
    unpaired: tuple[Availability, ...] = ()
    session: Session | None = None
    warnings: tuple[str, ...] = ()
    thirds: dict[str, tuple[float, float]] = field(default_factory=dict)
