"""Whether the acceptance figures of study.toml are met."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from wearbench.study.config import CriterionConfig, StudyConfig
from wearbench.study.declared import COLUMNS

__all__ = ["CriterionOutcome", "criteria_that_turn", "judge_criteria"]

_OVERALL = (None, "", "all", "overall")


@dataclass(frozen=True, kw_only=True, slots=True)
class CriterionOutcome:
    """One criterion held against one device and quantity.

    ``met`` compares the value itself; ``sure`` tells whether its whole interval is on the same side. A value that
    cannot be given is not met, with the reason in ``why``.
    """

    criterion: str
    device: str | None
    quantity: str | None
    statistic: str
    at_most: float | None
    at_least: float | None
    value: float | None
    low: float | None
    high: float | None
    met: bool
    sure: bool
    why: str | None = None


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
        One for each criterion, tested device and quantity it is about; a criterion that no result speaks to is not met.

    Notes
    -----
    Agreement over all readings with the fitted clock; the declared one where there is no fitted one. The statistic
    ``tracking_share`` is the share of time in which the device followed the reference, missing time counted wrong.
    """
    return tuple(outcome for criterion in config.criteria for outcome in _outcomes(criterion, document))


def criteria_that_turn(config: StudyConfig, document: Mapping[str, Any]) -> list[str]:
    """A sentence for each criterion that is met in one of the three columns and not in another.

    Parameters
    ----------
    config : StudyConfig
    document : mapping
        ``Results.document``.
    """
    met: dict[tuple[str, str | None, str | None], dict[str, bool]] = {}
    for column in COLUMNS:
        rows = {part: _of_column(document.get(part) or [], column) for part in ("agreement", "tracking")}
        for outcome in judge_criteria(config, rows) if rows["agreement"] else ():
            key = (outcome.criterion, outcome.device, outcome.quantity)
            met.setdefault(key, {})[column] = outcome.met
    said = []
    for (name, device, _), by_column in met.items():
        if len(set(by_column.values())) > 1:
            yes, no = (
                " and ".join(f'"{c}"' for c, is_met in by_column.items() if is_met == word) for word in (True, False)
            )
            said.append(f"criterion {name} ({device}) is met in the column {yes} and not in {no}")
    return said


def _of_column(rows: Iterable[Mapping[str, Any]], column: str) -> list[Mapping[str, Any]]:
    return [{**row, "by": "all"} for row in rows if (row.get("by"), row.get("group")) == ("column", column)]


def _outcomes(criterion: CriterionConfig, document: Mapping[str, Any]) -> Iterator[CriterionOutcome]:
    rows: dict[tuple[str, str], Mapping[str, Any]] = {}
    for row in _overall(document):
        fits = criterion.device in (None, row.get("device")) and criterion.quantity in (None, row.get("quantity"))
        key = (str(row.get("device")), str(row.get("quantity")))
        if fits and (key not in rows or row.get("clock") == "fitted"):
            rows[key] = row
    for (device, quantity), row in rows.items():
        known = {**(row.get("statistics") or {}), **_tracking(document, device, quantity)}
        found = known.get(criterion.statistic)
        if found is None:
            why = f"the results have no statistic {criterion.statistic}; they have {', '.join(sorted(known)) or 'none'}"
            found = {"why": why}
        yield _judged(criterion, device, quantity, found)
    if not rows:
        yield _judged(criterion, criterion.device, criterion.quantity, {"why": "the results hold nothing it is about"})


def _overall(document: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """Rows of the agreement over everything."""
    for row in document.get("agreement") or []:
        if row.get("by") in _OVERALL and row.get("readings") == "all" and row.get("clock") in ("fitted", "declared"):
            yield row


def _tracking(document: Mapping[str, Any], device: str, quantity: str) -> dict[str, Mapping[str, Any]]:
    """The tracking share of one device as a statistic, if the results hold it."""
    for row in document.get("tracking") or []:
        if row.get("by") in _OVERALL and (row.get("device"), row.get("quantity")) == (device, quantity):
            return {"tracking_share": row}
    return {}


def _judged(
    criterion: CriterionConfig, device: str | None, quantity: str | None, found: Mapping[str, Any]
) -> CriterionOutcome:
    value, low, high = found.get("value"), found.get("low"), found.get("high")
    sides = {_met(criterion, end) for end in (low, high) if end is not None}
    met = value is not None and _met(criterion, value)
    return CriterionOutcome(
        criterion=criterion.name,
        device=device,
        quantity=quantity,
        statistic=criterion.statistic,
        at_most=criterion.at_most,
        at_least=criterion.at_least,
        value=value,
        low=low,
        high=high,
        met=met,
        sure=low is not None and high is not None and sides == {met},
        why=None if value is not None else found.get("why") or "no value",
    )


def _met(criterion: CriterionConfig, value: float) -> bool:
    return (criterion.at_most is None or value <= criterion.at_most) and (
        criterion.at_least is None or value >= criterion.at_least
    )
