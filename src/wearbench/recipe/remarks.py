"""What is said of a series in a session: warnings, and what a person may want to decide."""

from __future__ import annotations

import math
from typing import Any

from wearbench.core.clock import ClockFit
from wearbench.recipe.columnset import ColumnSet
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.expecting import HAND_S, in_place
from wearbench.recipe.places import Places
from wearbench.recipe.proposals import Proposal, of_offset, of_start, of_steps
from wearbench.recipe.rhythms import mode_not_started
from wearbench.recipe.versions import Firmware, same_version
from wearbench.recipe.wearing import propose_unworn

__all__ = ["proposals_of", "warnings_of"]


def proposals_of(one: Comparison, columns: ColumnSet, clock: ClockFit, *, offset_s: float) -> tuple[Proposal, ...]:
    """What the data of a series suggest.

    Parameters
    ----------
    one : Comparison
    columns : ColumnSet
    clock : ClockFit
    offset_s : float
        What brings the device's stamps onto the reference's clock.

    Returns
    -------
    tuple of Proposal
    """
    return _of_clock(one, clock, offset_s) + propose_unworn(
        one.series,
        one.quantity,
        clock,
        known=columns.judged.absent,
        expected=columns.expected,
        zone=one.device.zone or one.session.zone,
        origin_ms=one.origin_ms,
        steps=one.steps,
    )


def _of_clock(one: Comparison, clock: ClockFit, offset_s: float) -> tuple[Proposal, ...]:
    series, reference = one.series, one.reference
    if series.time_s.size == 0 or not (series.start_known and reference.start_known):
        return ()
    about: dict[str, Any] = {
        "device": series.device,
        "quantity": series.quantity,
        "origin_ms": one.origin_ms,
        "zone": one.device.zone or one.session.zone,
    }
    first, last = float(series.time_s[0]), float(series.time_s[-1])
    if clock.trust == "refused":
        if series.margin:  # where it was cut says nothing
            return ()
        return of_start(tested_s=first, reference_s=reference.first_s, **about)
    stepped = of_steps(one.steps, first_s=first, last_s=last, **about)
    if clock.trust == "declared" or not math.isfinite(clock.high_s - clock.low_s):
        return stepped
    return stepped + of_offset(clock, offset_s=offset_s, **about)


def warnings_of(
    one: Comparison,
    columns: ColumnSet,
    clock: ClockFit,
    *,
    places: Places,
    ran: Firmware,
    proposals: tuple[Proposal, ...],
) -> tuple[str, ...]:
    """Sentences about the series, without the session.

    Parameters
    ----------
    one : Comparison
    columns : ColumnSet
    clock : ClockFit
    places : Places
        Of its readings.
    ran : Firmware
    proposals : tuple of Proposal
        Said too.

    Returns
    -------
    tuple of str
    """
    label = one.device.label
    out = _of_times(one, columns, clock)
    out += [f"{label}: {p.said}" for p in proposals]
    if ran.how == "sessions.csv" and ran.file and not same_version(ran.version, ran.file):
        out.append(f"{label}: sessions.csv says firmware {ran.version}, its file {ran.file}; the first is used")
    not_started = mode_not_started(one.learned, one.modes, one.main, places.activities)
    return (*out, *([] if not_started is None else [f"{label} {not_started}"]))


def _of_times(one: Comparison, columns: ColumnSet, clock: ClockFit) -> list[str]:
    label = one.device.label
    out: list[str] = []
    if clock.trust == "refused":
        out.append(f"{label}: clock not told ({clock.why}); its readings are not paired in this session")
    elif clock.trust == "weak":
        out.append(f"{label}: clock weak ({clock.why or 'wide interval'}): {clock.method}")
    centre_s = in_place(one, columns.judged.window).centre_s
    if centre_s.size and clock.trust != "refused":
        early = columns.expected[1] - float(centre_s[-1])
        if float(centre_s[-1]) < columns.expected[0] or float(centre_s[0]) > columns.expected[1]:
            out.append(f"{label}: by its clock none of its values lies in this session; all of it counts as missing")
        elif early > HAND_S:
            out.append(
                f"{label} stops {early / 60:.0f} min before the reference; counted as missing (give the"
                " session's end in sessions.csv if it was taken off)"
            )
        late = float(centre_s[-1]) - one.reference.last_s
        if late > HAND_S and one.session.end_ms is None:
            # Where the session's end is known, what comes after it is another occasion's.
            out.append(f"the reference stops {late / 60:.0f} min before {label}; that time cannot be judged")
    return out
