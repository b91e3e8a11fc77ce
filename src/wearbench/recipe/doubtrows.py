"""The headline with doubtful stretches of the reference left out and kept: a table of the document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from wearbench.recipe.rowparts import by_series
from wearbench.recipe.sessionresult import DoubtfulKept, SessionResult
from wearbench.settings import Settings

__all__ = ["doubt_effect_rows"]

_STATES: Final = ("halved", "doubled", "off_ratio", "cadence_locked", "frozen", "astray")


def doubt_effect_rows(
    ordered: list[SessionResult], agreement: Sequence[Mapping[str, Any]], settings: Settings
) -> list[dict[str, Any]]:
    """One row a device, quantity and statistic: its value without and with doubtful reference.

    Parameters
    ----------
    ordered : list of SessionResult
    agreement : sequence of mapping
        Rows of the document's agreement.
    settings : Settings
        ``affected_s`` says how long a failure must hold in a session.

    Returns
    -------
    list of dict
        ``mae`` and ``bias`` from the agreement; ``tracking_share``, and for each failure that occurs either way
        ``affected_<state>``, the share of judged sessions that held it for long enough in all.
    """
    out: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        told = {r.material.name: s.doubtful for r, s in group if s.doubtful is not None}
        if not told:
            continue
        key = {"device": device, "quantity": quantity}
        rest = {
            "seconds_doubtful": sum(d.doubtful_s for d in told.values()),
            "sessions_doubtful": sorted(name for name, d in told.items() if d.doubtful_s > 0),
            "n_sessions": len(told),
        }
        for statistic, with_it, without in (
            *_errors(agreement, device, quantity),
            ("tracking_share", _tracking(told, kept=True), _tracking(told, kept=False)),
            *_affected(told, settings.affected_s),
        ):
            why = None if with_it is not None and without is not None else "nothing was judged"
            row = {"statistic": statistic, "with_doubtful": with_it, "without_doubtful": without}
            out.append({**key, **row, **rest, "why": why})
    return out


def _errors(
    agreement: Sequence[Mapping[str, Any]], device: str, quantity: str
) -> list[tuple[str, float | None, float | None]]:
    def value(by: str, statistic: str) -> float | None:
        for row in agreement:
            mine = (row["device"], row["quantity"], row["by"]) == (device, quantity, by)
            if mine and row["readings"] == "all" and row["clock"] == "fitted":
                found = row["statistics"].get(statistic) or {}
                return None if found.get("value") is None else float(found["value"])
        return None

    return [(name, value("doubtful_reference", name), value("all", name)) for name in ("mae", "bias")]


def _seconds(one: DoubtfulKept, *, kept: bool) -> Mapping[str, float]:
    return one.with_doubtful if kept else one.without


def _tracking(told: Mapping[str, DoubtfulKept], *, kept: bool) -> float | None:
    whole = sum(sum(_seconds(d, kept=kept).values()) + d.missing_s for d in told.values())
    right = sum(_seconds(d, kept=kept).get("faithful", 0.0) for d in told.values())
    return right / whole if whole > 0 else None


def _affected(told: Mapping[str, DoubtfulKept], least_s: float) -> list[tuple[str, float | None, float | None]]:
    def share(state: str, *, kept: bool) -> float | None:
        judged = [_seconds(d, kept=kept) for d in told.values()]
        judged = [seconds for seconds in judged if seconds]
        if not judged:
            return None
        return sum(seconds.get(state, 0.0) >= least_s for seconds in judged) / len(judged)

    occurred = {state for d in told.values() for state in (*d.without, *d.with_doubtful)}
    return [
        (f"affected_{state}", share(state, kept=True), share(state, kept=False))
        for state in _STATES
        if state in occurred
    ]
