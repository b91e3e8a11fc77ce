"""Sums of pairs by group, from which agreement is made; and of the same pairs taken otherwise."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement import block_sums, pair_sums
from wearbench.core.clock import ClockFit, cross_shift
from wearbench.core.pairing import REASONS, Pairs
from wearbench.recipe.clocks import searches_clock
from wearbench.recipe.columns import Column
from wearbench.recipe.comparison import Comparison, paired
from wearbench.recipe.places import Places
from wearbench.recipe.readings import clock_stamps
from wearbench.recipe.sessionresult import SumsRow
from wearbench.recipe.windows import as_stamped_shift

__all__ = ["THIRD_NAMES", "Group", "groups_of", "sums_of", "sums_otherwise", "third_of"]

B8 = NDArray[np.bool_]
Group = tuple[str, str, B8]
"""By what, its name, and which readings belong to it."""

THIRD_NAMES = ("lowest third", "middle third", "highest third")
_BY_HAND = tuple(REASONS.index(r) for r in ("left_out", "not_worn", "rule"))
_NOT_PAIRED = (*_BY_HAND, REASONS.index("clock_unknown"))


def third_of(pairs: Pairs, thirds: tuple[float, float]) -> NDArray[np.int64]:
    """In which third of the study's reference each pair lies; 0 without a reference."""
    with np.errstate(invalid="ignore"):
        return (pairs.reference >= thirds[0]).astype(int) + (pairs.reference >= thirds[1])


def groups_of(one: Comparison, pairs: Pairs, places: Places, *, firmware: str) -> list[Group]:
    """The groups agreement is told of: all, each activity, the firmware, thirds of the reference."""
    everything = np.ones(pairs.tested.size, dtype=np.bool_)
    groups: list[Group] = [("all", "all", everything)]
    groups += [("activity", name, places.activity == name) for name in places.activities]
    if firmware:
        groups.append(("firmware", firmware, everything))
    if one.thirds is not None:
        cell = third_of(pairs, one.thirds)
        groups += [("reference_third", THIRD_NAMES[i], cell == i) for i in range(3)]
    return groups


def sums_of(one: Comparison, column: Column, groups: list[Group]) -> tuple[SumsRow, ...]:
    """Sums of the pairs of each group, over all readings and over the faithful ones."""
    pairs = column.window.pairs
    used = pairs.used
    faithful = used & (column.states.state == 0)
    rows: list[SumsRow] = []
    for by, group, mask in groups:
        rows += _rows(one, pairs, used & mask, readings="all", by=by, group=group)
        if one.quantity.state_model:
            rows += _rows(one, pairs, faithful & mask, readings="faithful", by=by, group=group)
    return tuple(rows)


def sums_otherwise(one: Comparison, column: Column, clock: ClockFit) -> tuple[SumsRow, ...]:
    """Sums of the column's pairs taken otherwise: doubtful reference kept, clock cross-fitted, clock as stamped."""
    if not one.quantity.state_model:
        return ()
    reason, n = column.window.pairs.reason, one.series.time_s.size
    kept = paired(one, clock, keep_doubtful=True).pairs
    manual = np.isin(reason, _NOT_PAIRED)
    rows = _rows(one, kept, kept.used & ~manual, by="doubtful_reference", group="kept")
    if clock.trust != "refused" and searches_clock(one.device, one.quantity):
        # Blocks of time are those of the fit, whose stamps had one centre.
        time_s = clock_stamps(one.series) + one.lengths.move_s
        crossed = paired(one, clock, shift_s=cross_shift(clock, time_s)).pairs
        rows += _rows(one, crossed, crossed.used & ~manual, clock="cross_fitted")
    near = 0.0
    if one.series.start_s is None:
        near = as_stamped_shift(one.device, averaging_s=one.averaging_s, delay_s=one.learned.delay_s or 0.0)
    stamped = paired(one, clock, shift_s=np.full(n, near)).pairs
    rows += _rows(one, stamped, stamped.used & ~np.isin(reason, _BY_HAND), clock="declared")
    return tuple(rows)


def _rows(
    one: Comparison,
    pairs: Pairs,
    mask: B8,
    *,
    readings: str = "all",
    clock: str = "fitted",
    by: str = "all",
    group: str = "all",
) -> list[SumsRow]:
    """A row, or none where the mask holds no pair."""
    if not mask.any():
        return []
    tested, reference = pairs.tested[mask], pairs.reference[mask]
    middle = 0.5 * (pairs.start_s + pairs.end_s)[mask]
    order = np.argsort(middle, kind="stable")
    terms: dict[str, Any] = {"tolerance": one.quantity.tolerance, "tolerance_share": one.settings.tolerance_share}
    return [
        SumsRow(
            readings=readings,
            clock=clock,
            by=by,
            group=group,
            sums=pair_sums(tested, reference, **terms),
            blocks=block_sums(tested[order], reference[order], time_s=middle[order], **terms),
        )
    ]
