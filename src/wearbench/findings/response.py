"""How late and how slowly it answered when the true value moved."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import finite, number, plural

__all__ = ["say_response"]

_FEWEST: Final = 3
"""Steps under which nothing is said."""


def say_response(subject: Subject) -> Iterator[Said]:
    """Time to two thirds and to nine tenths of a jump; how far peaks were missed."""
    found = _of(subject, "t63_s")
    if found is not None:
        yield "response", _late(subject, found), _evidence(subject, found, "t63_s", "t90_s")
    elif (slow := _of(subject, "t63_to_t90_s")) is not None:
        claim = (
            f"How late it answered a jump of the {subject.what} cannot be told, because its clock and its delay cannot "
            f"be told apart. From two thirds of the way to nine tenths it took {_seconds(slow)}, whatever its clock "
            f"({_counted(slow)})."
        )
        yield "response", claim, _evidence(subject, slow, "t63_to_t90_s", "time_constant_s")
    peak = _row(subject, "direction", "peak", "shortfall_bpm")
    if peak is not None and finite(peak.get("low")) and peak["low"] > 0:
        span = f"{number(peak['low'], decimals=0)} to {number(peak['high'], decimals=0)}"
        claim = (
            f"Where the {subject.what} turned at once, its highest value stayed {number(peak['value'], decimals=0)} "
            f"{subject.unit} ({span}) below the true top (median of {plural(int(peak['n_steps']), 'peak')})."
        )
        yield "response_peaks", claim, {**_numbers(peak), "made_from": [_key(subject, peak)]}


def _late(subject: Subject, found: dict[str, Any]) -> str:
    claim = f"After a jump of the {subject.what} it took {_seconds(found)} to cover two thirds of the way "
    claim += f"({_counted(found)})"
    whole = _of(subject, "t90_s")
    claim += f", and {_seconds(whole)} to cover nine tenths." if whole is not None else "."
    up, down = (_row(subject, "direction", way, "t63_s") for way in ("up", "down"))
    if up is not None and down is not None:
        claim += f" To two thirds: rising {_short(up)}, falling {_short(down)}."
    return claim + " Only jumps that it followed are counted."


def _row(subject: Subject, by: str, group: str, statistic: str) -> dict[str, Any] | None:
    """A row with a value from enough steps, or None."""
    for row in subject.responses:
        if (row.get("by"), row.get("group"), row.get("statistic")) == (by, group, statistic):
            enough = finite(row.get("value")) and int(row.get("n_steps") or 0) >= _FEWEST
            return row if enough else None
    return None


def _of(subject: Subject, statistic: str) -> dict[str, Any] | None:
    return _row(subject, "all", "all", statistic)


def _short(row: dict[str, Any]) -> str:
    places = 1 if abs(float(row["value"])) < 10 else 0
    value, low, high = (number(row[k], decimals=places) for k in ("value", "low", "high"))
    known = finite(row.get("low")) and finite(row.get("high"))
    return f"{value} s ({low} to {high})" if known else f"{value} s"


def _seconds(row: dict[str, Any]) -> str:
    return _short(row) if finite(row.get("low")) else f"{_short(row)} (no interval: {row.get('why')})"


def _counted(row: dict[str, Any]) -> str:
    steps, sessions = int(row["n_steps"]), int(row.get("n_sessions") or 0)
    return f"median of {plural(steps, 'jump')} in {plural(sessions, 'session')}"


def _key(subject: Subject, row: dict[str, Any]) -> dict[str, Any]:
    keys = {name: row[name] for name in ("by", "group", "statistic")}
    return {"table": "responses", "keys": {"device": subject.device, "quantity": subject.quantity, **keys}}


def _numbers(row: dict[str, Any]) -> dict[str, Any]:
    return {name: row.get(name) for name in ("value", "low", "high", "n_steps", "n_sessions", "n_found", "method")}


def _evidence(subject: Subject, found: dict[str, Any], *statistics: str) -> dict[str, Any]:
    rows = [r for name in statistics if (r := _of(subject, name)) is not None]
    ways = [_row(subject, "direction", way, statistics[0]) for way in ("up", "down")]
    rows += [r for r in ways if r is not None]
    more = {f"{r['group']}_{r['statistic']}": _numbers(r) for r in rows}
    return {**_numbers(found), "rows": more, "made_from": [_key(subject, r) for r in rows]}
