"""One tested series of one session beside its reference, with all that the study says of the two."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearbench.core.clock import ClockFit
from wearbench.core.modes import Modes
from wearbench.core.steps import ClockStep
from wearbench.quantities import Quantity
from wearbench.recipe.learning import SeriesParameters
from wearbench.recipe.marks import Marked
from wearbench.recipe.material import ReferenceMaterial, Series
from wearbench.recipe.windows import Lengths, Windowed, half_of, windowed
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, Session, Study

__all__ = ["Comparison", "paired"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """What the second pass over one tested series starts from.

    Attributes
    ----------
    series, reference : Series, ReferenceMaterial
    context : tuple of Series
    device, quantity : DeviceConfig, Quantity
        Of the tested series.
    session : Session
        Its bouts on the reference's clock.
    origin_ms : int
        Second 0.
    study, settings : Study, Settings
    learned : SeriesParameters
        As they are in this session.
    modes, main : Modes, int
        The modes its readings came in, and the one its clock is about.
    lengths : Lengths
        Of each reading's window.
    steps : tuple of ClockStep
        Stretches on another clock than the rest.
    marked : Marked
        What sync marks tell of its clock.
    thirds : tuple of float or None
        Edges between thirds of the reference, over the study.
    within_s : tuple of float or None
        Where its centre shift can lie, where another device has its clock.
    """

    series: Series
    reference: ReferenceMaterial
    context: tuple[Series, ...]
    device: DeviceConfig
    quantity: Quantity
    session: Session
    origin_ms: int
    study: Study
    settings: Settings
    learned: SeriesParameters
    modes: Modes
    main: int
    lengths: Lengths
    steps: tuple[ClockStep, ...] = ()
    thirds: tuple[float, float] | None = None
    marked: Marked = field(default_factory=Marked)
    within_s: tuple[float, float] | None = None

    @property
    def half_s(self) -> float:
        """From stamp to window centre on a right clock without delay."""
        return 0.0 if self.series.start_s is not None else half_of(self.device) * self.averaging_s

    @property
    def averaging_s(self) -> float:
        """Averaging of the mode its clock is about."""
        return self.learned.averaging.averaging_s

    @property
    def hold_s(self) -> float:
        """How long a value may be held by a recorder that writes only changes."""
        return self.device.hold_s or 0.0


def paired(one: Comparison, clock: ClockFit, *, shift_s: F64 | None = None, keep_doubtful: bool = False) -> Windowed:
    """Windows of the series on the reference's clock, and the reference over them.

    Parameters
    ----------
    one : Comparison
    clock : ClockFit
    shift_s : float64 array, optional
        Centre shift for each reading, in place of the fit's own.
    keep_doubtful : bool
        Use windows with doubtful reference too.

    Returns
    -------
    Windowed
    """
    return windowed(
        one.series,
        one.reference.running,
        one.quantity,
        one.settings,
        clock=clock,
        lengths=one.lengths,
        hold_s=one.hold_s,
        shift_s=shift_s,
        keep_doubtful=keep_doubtful,
    )
