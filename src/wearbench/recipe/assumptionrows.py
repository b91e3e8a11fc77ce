"""Tables of the document about what limits rest on: assumptions, which limits lead, and all others for reviewers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.core.agreement import Assumption, Estimate, PrimaryChoice, check_assumptions, choose_primary
from wearbench.core.agreement.assumptions import clusters_of_pairs
from wearbench.core.agreement.assumptionslopes import uneven_spread
from wearbench.core.agreement.reviewers import for_reviewers, leading_limits
from wearbench.core.agreement.sums import block_index, correlation_time_s
from wearbench.core.clusters import Clusters
from wearbench.errors import CannotTell
from wearbench.quantities import QUANTITIES
from wearbench.recipe.rowparts import estimate_row
from wearbench.settings import Settings

__all__ = ["assumption_tables"]

_LOOKED_AT: Final = ("all", "activity", "firmware")
"""Groupings whose pairs are looked at; thirds of the reference are cut by what a slope would be fitted to."""
_KEYS: Final = ("device", "quantity", "unit", "by", "group", "readings", "clock")
_NOT_LOOKED_AT: Final = (
    "Assumptions are looked at over all pairs and by activity and firmware; here the usual limits stand."
)


def assumption_tables(
    agreement: Sequence[dict[str, Any]], pairs: pl.DataFrame, settings: Settings
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of agreement with the limits that lead, rows of assumptions, and rows for reviewers.

    Parameters
    ----------
    agreement : sequence of dict
        As `agreement_rows` makes them.
    pairs : polars.DataFrame
        The columns of ``PAIRS``.
    settings : Settings

    Returns
    -------
    tuple of list of dict
    """
    led: list[dict[str, Any]] = []
    assumptions: list[dict[str, Any]] = []
    reviewers: list[dict[str, Any]] = []
    for row in agreement:
        part = _part(row, pairs)
        if part is None or part.tested.size != row["n_pairs"]:
            led.append({**row, "primary": "repeated", "primary_why": _NOT_LOOKED_AT, "primary_limits": []})
            continue
        keys = {key: row[key] for key in _KEYS}
        found = _looked_at(part, row, settings) if row["readings"] == "all" else ()
        assumptions += [{**keys, **_assumption_row(a)} for a in found]
        choice = _choice(part, found, row)
        led.append(
            {
                **row,
                "primary": choice.primary,
                "primary_why": choice.why,
                "primary_limits": _leading(part, choice, settings),
            }
        )
        if row["by"] == "all":
            reviewers += [{**keys, **each} for each in _reviewer_rows(part, choice, row, settings)]
    return led, assumptions, reviewers


class _Part:
    """Pairs of one group as arrays, in order of session and time."""

    def __init__(self, frame: pl.DataFrame) -> None:
        frame = frame.sort("session", "end", "source_row", maintain_order=True)
        self.tested: NDArray[np.float64] = frame["tested"].to_numpy()
        self.reference: NDArray[np.float64] = frame["reference"].to_numpy()
        self.session: NDArray[Any] = frame["session"].fill_null("").to_numpy()
        self.participant: NDArray[Any] = frame["participant"].fill_null("").to_numpy()
        self.activity: NDArray[Any] = frame["activity"].fill_null("").to_numpy()
        at = frame["end"].dt.epoch("us").to_numpy()
        self.time_s = (at - at[0]) / 1e6 if at.size else np.zeros(0)
        self.right: NDArray[np.bool_] = frame["state"].eq_missing("faithful").to_numpy()
        self.judged = bool(frame["state"].is_not_null().any())
        self.clusters, _ = clusters_of_pairs(frame.height, session=self.session, participant=self.participant)
        if self.clusters.unit == "none" and frame.height > 1:
            block_s = max(60.0, 5.0 * correlation_time_s(self.time_s, self.tested - self.reference))
            block = block_index(self.time_s, block_s=block_s)
            if int(block.max()) > 0:
                self.clusters = Clusters(unit="blocks", index=block, count=int(block.max()) + 1, nested=False)


def _part(row: dict[str, Any], pairs: pl.DataFrame) -> _Part | None:
    """The pairs behind a row of agreement, or None where they are not told apart in the table of pairs."""
    if row["clock"] != "fitted" or row["by"] not in _LOOKED_AT or not pairs.height:
        return None
    same = (pl.col("device") == row["device"]) & (pl.col("quantity") == row["quantity"]) & pl.col("used")
    if row["by"] != "all":
        same &= pl.col(row["by"]) == row["group"]
    if row["readings"] == "faithful":
        same &= pl.col("state") == "faithful"
    wanted = ("session", "participant", "activity", "end", "source_row", "tested", "reference", "state")
    return _Part(pairs.lazy().filter(same).select(wanted).collect())


def _looked_at(part: _Part, row: dict[str, Any], settings: Settings) -> tuple[Assumption, ...]:
    quantity = row["quantity"]
    return check_assumptions(
        part.tested,
        part.reference,
        session=part.session,
        participant=part.participant,
        time_s=part.time_s if part.clusters.unit in ("blocks", "none") else None,
        faithful=part.right if part.judged else None,
        confidence=settings.confidence,
        unit=row["unit"],
        what=QUANTITIES[quantity].label if quantity in QUANTITIES else quantity.replace("_", " "),
    )


def _choice(part: _Part, found: Sequence[Assumption], row: dict[str, Any]) -> PrimaryChoice:
    if row["readings"] == "faithful":
        return PrimaryChoice(primary="repeated", why="These readings were chosen for being right.")
    fan = any(a.name == "uneven_spread" and a.outcome == "violated" for a in found)
    fits = False
    if fan and float(part.tested.min()) > 0 and float(part.reference.min()) > 0:
        logs = np.log(part.tested), np.log(part.reference)
        fits = uneven_spread(*logs, clusters=part.clusters).outcome == "holds"
    return choose_primary(found, clusters=part.clusters, n_pairs=part.tested.size, ratio_fits=fits)


def _leading(part: _Part, choice: PrimaryChoice, settings: Settings) -> list[dict[str, Any]]:
    use = part.right if choice.primary == "two_part" else np.ones(part.tested.size, dtype=np.bool_)
    try:
        limits = leading_limits(
            choice.primary,
            part.tested[use],
            part.reference[use],
            cluster=part.clusters.index[use],
            confidence=settings.confidence,
        )
    except CannotTell:
        return []
    return [
        {
            "at": at,
            "readings": "faithful" if choice.primary == "two_part" else "all",
            "scale": "ratio" if choice.primary == "ratio" else "difference",
            "bias": _worded(each.bias, part.clusters),
            "limit_low": _worded(each.low, part.clusters),
            "limit_high": _worded(each.high, part.clusters),
        }
        for at, each in limits
    ]


def _reviewer_rows(part: _Part, choice: PrimaryChoice, row: dict[str, Any], settings: Settings) -> list[dict[str, Any]]:
    quantity = row["quantity"]
    several = len(set(part.activity.tolist()) - {""}) > 1
    found = for_reviewers(
        part.tested,
        part.reference,
        cluster=part.clusters.index,
        session=part.session if part.clusters.unit == "participants" else None,
        activity=part.activity if several else None,
        tolerance=QUANTITIES[quantity].tolerance if quantity in QUANTITIES else None,
        confidence=settings.confidence,
        seed=settings.seed,
        name=f"{row['device']}/{row['quantity']}/{row['readings']}",
    )
    return [
        {
            "family": each.family,
            "statistic": each.statistic,
            "at": each.at,
            "primary": each.family == choice.primary,
            **_worded(each.estimate, part.clusters),
        }
        for each in found
    ]


def _worded(estimate: Estimate, clusters: Clusters) -> dict[str, Any]:
    """A row of an estimate from units by code, with what the units are in place of participants."""
    units = {"none": "sessions"}.get(clusters.unit, clusters.unit)
    row = estimate_row(estimate)
    for key in ("method", "why"):
        if row[key] and units != "participants":
            row[key] = row[key].replace("participants", units).replace("participant", units[:-1])
    return row


def _assumption_row(assumption: Assumption) -> dict[str, Any]:
    row = asdict(assumption)
    return {"assumption": row.pop("name"), **row}
