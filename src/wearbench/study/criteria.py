"""Whether acceptance figures are met, not met, or cannot be told yet: the person's own and the trade's."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from wearbench.core.agreement.verdict import MOST_CLUSTERS, Outcome, Scale, clusters_to_tell, verdict
from wearbench.quantities import QUANTITIES, Criterion
from wearbench.study.config import CriterionConfig, StudyConfig
from wearbench.study.declared import COLUMNS
from wearbench.wording import finite, join_words, plural

__all__ = ["CriterionOutcome", "criteria_that_turn", "judge_criteria", "judge_trade_figures"]

_OVERALL = (None, "", "all", "overall")
_SCALES: Final[dict[str, Scale]] = {
    "mae": "positive",
    "mape": "positive",
    "rmse": "positive",
    "within_tolerance": "share",
    "within_10_percent": "share",
    "within_greater": "share",
    "tracking_share": "share",
    "ccc": "coefficient",
}
"""How intervals are made; all others are symmetric, or nearly so."""

_ONE: Final = "one session cannot tell how sessions differ; record more, then this says how many would tell"

USUAL_SHARE: Final = 0.1
"""Relative tolerance that figures of the trade mean by "within the greater of"."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CriterionOutcome:
    """One criterion held against one device and quantity.

    Attributes
    ----------
    criterion : str
        Its name.
    origin : {"study", "trade"}
        Stated in study.toml, or a figure of the trade.
    device, quantity, statistic : str or None
    unit : str
    at_most, at_least : float or None
    value, low, high : float or None
    outcome : {"met", "not met", "cannot be told yet"}
        By the whole interval; the value alone settles nothing.
    kept : bool
        Whether the value itself keeps to the figure.
    n, clusters : int, str or None
        What the interval rests on: so many participants, or sessions of one.
    needed : int or None
        Smallest number of these that would tell if value and spread stay as they are; None where it is told already,
        cannot be worked out, or no number up to 1,000 would.
    why : str or None
        Why it cannot be told yet and what would tell, or how far the outcome speaks.
    source, how_sure, note : str
        Where the figure comes from and what it was written for.
    """

    criterion: str
    origin: Literal["study", "trade"]
    device: str | None
    quantity: str | None
    statistic: str
    unit: str
    at_most: float | None
    at_least: float | None
    value: float | None
    low: float | None
    high: float | None
    outcome: Outcome
    kept: bool
    n: int
    clusters: str | None
    needed: int | None
    why: str | None = None
    source: str = ""
    how_sure: str = ""
    note: str = ""

    @property
    def fails(self) -> bool:
        """Whether a run ends with exit code 2: not met, or a figure that the data cannot give at all."""
        return self.origin == "study" and (self.outcome == "not met" or self.value is None)


def judge_criteria(config: StudyConfig, document: Mapping[str, Any]) -> tuple[CriterionOutcome, ...]:
    """Hold each criterion of study.toml against the results over all readings.

    Parameters
    ----------
    config : StudyConfig
    document : mapping
        ``Results.document``.

    Returns
    -------
    tuple of CriterionOutcome
        One for each criterion, tested device and quantity it is about; without a value where no result speaks to it.

    Notes
    -----
    Agreement over all readings with the fitted clock; the declared one where there is no fitted one. The statistic
    ``tracking_share`` is the share of time in which the device followed the reference, missing time counted wrong.
    """
    return tuple(outcome for criterion in config.criteria for outcome in _outcomes(criterion, document))


def judge_trade_figures(document: Mapping[str, Any]) -> tuple[CriterionOutcome, ...]:
    """Hold the figures of the trade against the results over all readings.

    Parameters
    ----------
    document : mapping
        ``Results.document``.

    Returns
    -------
    tuple of CriterionOutcome
        One for each tested device and figure declared for its quantity; none where the results lack the statistic, or
        "within the greater of" was asked with another share than the figure means.
    """
    share = (document.get("settings") or {}).get("tolerance_share", USUAL_SHARE)
    found = []
    for (device, quantity), row in _rows(document).items():
        known = _known(document, device, quantity, row)
        for criterion in QUANTITIES[quantity].criteria if quantity in QUANTITIES else ():
            apart = criterion.statistic == "within_greater" and share != USUAL_SHARE
            if criterion.statistic in known and not apart:
                found.append(_judged(criterion, device, quantity, known[criterion.statistic], row, document))
    return tuple(found)


def criteria_that_turn(config: StudyConfig, document: Mapping[str, Any]) -> list[str]:
    """A sentence for each criterion whose outcome, or whose value's side, differs between the three columns.

    Parameters
    ----------
    config : StudyConfig
    document : mapping
        ``Results.document``.
    """
    by_key: dict[tuple[str, str | None, str | None], dict[str, CriterionOutcome]] = {}
    for column in COLUMNS:
        rows = {part: _of_column(document.get(part) or [], column) for part in ("agreement", "tracking")}
        for outcome in judge_criteria(config, {**document, **rows}) if rows["agreement"] else ():
            by_key.setdefault((outcome.criterion, outcome.device, outcome.quantity), {})[column] = outcome
    said = []
    for (name, device, _), found in by_key.items():
        words = {"met": "is met", "not met": "is not met", "cannot be told yet": "cannot be told yet"}
        if len({o.outcome for o in found.values()}) > 1:
            parts = [
                f"{word} in the column {_quoted(c for c, o in found.items() if o.outcome == outcome)}"
                for outcome, word in words.items()
                if any(o.outcome == outcome for o in found.values())
            ]
            said.append(f"criterion {name} ({device}) {join_words(parts)}")
        elif len({o.kept for o in found.values()}) > 1:
            yes, no = (_quoted(c for c, o in found.items() if o.kept == side) for side in (True, False))
            said.append(
                f"the value of criterion {name} ({device}) keeps to it in the column {yes} and not in {no}; "
                "no interval settles it"
            )
    return said


def _quoted(columns: Iterable[str]) -> str:
    return " and ".join(f'"{column}"' for column in columns)


def _of_column(rows: Iterable[Mapping[str, Any]], column: str) -> list[Mapping[str, Any]]:
    return [{**row, "by": "all"} for row in rows if (row.get("by"), row.get("group")) == ("column", column)]


def _outcomes(criterion: CriterionConfig, document: Mapping[str, Any]) -> Iterator[CriterionOutcome]:
    rows = {
        (device, quantity): row
        for (device, quantity), row in _rows(document).items()
        if criterion.device in (None, device) and criterion.quantity in (None, quantity)
    }
    for (device, quantity), row in rows.items():
        known = _known(document, device, quantity, row)
        found = known.get(criterion.statistic)
        if found is None:
            why = f"the results have no statistic {criterion.statistic}; they have {', '.join(sorted(known)) or 'none'}"
            found = {"why": why}
        yield _judged(criterion, device, quantity, found, row, document)
    if not rows:
        found = {"why": "the results hold nothing it is about"}
        yield _judged(criterion, criterion.device, criterion.quantity, found, {}, document)


def _rows(document: Mapping[str, Any]) -> dict[tuple[str, str], Mapping[str, Any]]:
    """Agreement over everything, by device and quantity; with the fitted clock where there is one."""
    rows: dict[tuple[str, str], Mapping[str, Any]] = {}
    for row in document.get("agreement") or []:
        overall = row.get("by") in _OVERALL and row.get("readings") == "all"
        key = (str(row.get("device")), str(row.get("quantity")))
        if overall and row.get("clock") in ("fitted", "declared") and (key not in rows or row["clock"] == "fitted"):
            rows[key] = row
    return rows


def _known(
    document: Mapping[str, Any], device: str, quantity: str, agreement: Mapping[str, Any]
) -> dict[str, Mapping[str, Any]]:
    """Statistics of one device by name, the tracking share with them if the results hold it."""
    known = dict(agreement.get("statistics") or {})
    for row in document.get("tracking") or []:
        if row.get("by") in _OVERALL and (row.get("device"), row.get("quantity")) == (device, quantity):
            known["tracking_share"] = row
    return known


def _judged(
    criterion: CriterionConfig | Criterion,
    device: str | None,
    quantity: str | None,
    found: Mapping[str, Any],
    row: Mapping[str, Any],
    document: Mapping[str, Any],
) -> CriterionOutcome:
    value, low, high = (x if finite(x) else None for x in (found.get("value"), found.get("low"), found.get("high")))
    at_most, at_least = criterion.at_most, criterion.at_least
    trade = criterion if isinstance(criterion, Criterion) else None
    outcome = verdict(low, high, at_most=at_most, at_least=at_least) if value is not None else "cannot be told yet"
    clusters, n = _clusters(row), int(found.get("n") or 0)
    kept = value is not None and verdict(value, value, at_most=at_most, at_least=at_least) == "met"
    needed, why = None, None
    if value is None:
        why = found.get("why") or "no value"
    elif outcome == "cannot be told yet":
        if low is None or high is None:
            why = str(found.get("why") or "without an interval nothing is settled")
            why = why.removesuffix(": no interval can be given")
        else:
            confidence = float((document.get("settings") or {}).get("confidence") or 0.95)
            scale = _SCALES.get(criterion.statistic, "plain")
            if clusters and n >= 2 and low <= value <= high:
                needed = clusters_to_tell(
                    value, low, high, n, at_most=at_most, at_least=at_least, scale=scale, confidence=confidence
                )
                why = _would_tell(clusters, n, needed, kept=kept)
            else:
                why = _ONE if clusters is None or n < 2 else "the value lies outside its own interval"
    elif clusters is None:
        why = "of this one session only: no general claim"
    return CriterionOutcome(
        criterion=criterion.name,
        origin="study" if trade is None else "trade",
        device=device,
        quantity=quantity,
        statistic=criterion.statistic,
        unit=str(row.get("unit") or ""),
        at_most=at_most,
        at_least=at_least,
        value=value,
        low=low,
        high=high,
        outcome=outcome,
        kept=kept,
        n=n,
        clusters=clusters,
        needed=needed,
        why=why,
        source=criterion.source or "",
        how_sure="own" if trade is None else trade.how_sure,
        note="" if trade is None else _note(trade, row),
    )


def _clusters(row: Mapping[str, Any]) -> str | None:
    """What intervals of this row rest on; None where one session leaves nothing but its own stretches."""
    if int(row.get("n_participants") or 0) >= 2:
        return "participants"
    return "sessions" if int(row.get("n_sessions") or 0) >= 2 else None


def _would_tell(clusters: str, n: int, needed: int | None, *, kept: bool) -> str:
    if needed is None:
        return (
            f"if value and spread stay as they are, not even {MOST_CLUSTERS:,} {clusters} would tell: the value lies "
            "on the limit or next to it"
        )
    shown = f"{needed} {clusters} in all would show that it is {'met' if kept else 'not met'}"
    return f"if value and spread stay as they are, {shown}, {needed - n} more than now"


def _note(criterion: Criterion, row: Mapping[str, Any]) -> str:
    """What a figure of the trade was written for, and whether the study is as large as it asks."""
    people, pairs = int(row.get("n_participants") or 0), int(row.get("n_pairs") or 0)
    asked = []
    if people < criterion.participants:
        asked.append(f"{plural(criterion.participants, 'participant')}, here {people}")
    if pairs < criterion.pairs:
        asked.append(f"{criterion.pairs:,} pairs, here {pairs:,}")
    return "; ".join([*([criterion.note] if criterion.note else []), *(f"asks for at least {a}" for a in asked)])
