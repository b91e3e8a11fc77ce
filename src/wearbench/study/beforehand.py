"""What the results say of the declaration, in words: the three columns, what is systematic, where the study departs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from wearbench.study.declaration import TRACKING
from wearbench.study.declared import COLUMNS, column_value
from wearbench.wording import STATE_LABEL, finite, half_width, number, plural, share

__all__ = ["EQUAL", "beforehand_lines", "columns_differ", "primary_words", "statistic_words", "systematic_lines"]

EQUAL: Final = "Everything, declared rules, plus decisions: the three are the same here, since nothing was left out."
_PERCENT: Final = ("mape",)


def columns_differ(document: Mapping[str, Any]) -> bool:
    """Whether the results hold three columns; without rules and decisions they are one."""
    return any(row.get("by") == "column" for row in document.get("agreement") or [])


def statistic_words(name: str, found: Mapping[str, Any] | None, *, unit: str) -> tuple[str, str]:
    """A statistic's value as it is read, and its interval (or why there is none)."""
    if not found or not finite(found.get("value")):
        return "–", str((found or {}).get("why") or "nothing is left")
    low, high = found.get("low"), found.get("high")
    if name == TRACKING or name.startswith("within_"):
        value, *ends = (share(x) for x in (found["value"], low, high))
    else:
        wide = half_width(found)
        tail = " %" if name in _PERCENT else f" {unit}" if name not in ("ccc", "n") and unit else ""
        value, *ends = (number(x, uncertainty=wide) for x in (found["value"], low, high))
        value += tail
    return value, f"{ends[0]} to {ends[1]}" if finite(low) and finite(high) else str(found.get("why") or "")


def primary_words(document: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """The primary number in each column: column, value, interval."""
    primary = (document.get("declared") or {}).get("primary") or {}
    if not primary:
        return []
    unit = next((r["unit"] for r in document.get("agreement") or [] if r["quantity"] == primary["quantity"]), "")
    return [
        (column, *statistic_words(primary["statistic"], column_value(document, column, **primary), unit=unit))
        for column in COLUMNS
    ]


def systematic_lines(document: Mapping[str, Any]) -> Iterator[str]:
    """Each failure of the primary device held against what was declared to be called systematic."""
    declared = document.get("declared") or {}
    primary, rule = declared.get("primary") or {}, declared.get("systematic") or {}
    for row in rule.get("states") or []:
        if (row["device"], row["quantity"]) != (primary.get("device"), primary.get("quantity")):
            continue
        found = row["share"]
        word = "systematic" if row["systematic"] else "not systematic"
        low, high = found.get("low"), found.get("high")
        limit = rule["share_of_sessions"]
        settled = finite(low) and (low >= limit if row["systematic"] else finite(high) and high < limit)
        yield (
            f"{STATE_LABEL.get(row['state'], row['state'])}: {row['n_affected']} of "
            f"{plural(row['n_sessions'], 'session')}, {word} as declared"
            + ("" if settled else f"; the interval ({share(low)} to {share(high)}) does not settle it")
        )


def beforehand_lines(document: Mapping[str, Any]) -> list[str]:
    """What a run prints of the declaration; nothing without one.

    Parameters
    ----------
    document : mapping
        ``Results.document``.
    """
    declared = document.get("declared") or {}
    if not declared.get("decision"):
        return []
    primary = declared["primary"]
    lines = [f"Declared beforehand as {declared['decision']} ({declared['hash']}); this is run {declared['look']}:"]
    told = primary_words(document)
    head = f"  {primary['statistic']} of {primary['device']}: "
    if columns_differ(document):
        lines.append(head + ", ".join(f"{value} ({column})" for column, value, _ in told))
    else:
        lines.append(f"{head}{told[0][1]}")
    lines += [f"  {line}" for line in systematic_lines(document)]
    gone = [row["said"] for row in document.get("deviations") or []]
    lines += [f"  ! departs: {said}" for said in gone] or ["  Nothing departs from the declaration."]
    return lines
