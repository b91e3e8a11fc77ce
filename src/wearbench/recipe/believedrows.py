"""What the wearer would have seen of each session, beside what was true: tables of the document."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.believed import LEAST_RANGE, Believed, believed_of, seconds_in_thirds, span_of
from wearbench.core.clustermedian import cluster_median
from wearbench.recipe.rowparts import by_series, estimate_row, participant_of
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["believed_rows", "believed_summary_rows"]

F64 = NDArray[np.float64]

THIRDS: Final = ("low", "middle", "high")
_SUMMED: Final = ("mean_difference", "maximum_difference", "high_third_difference_s")
_FLAT: Final = f"the reference ranged over less than {LEAST_RANGE:g}"


def believed_rows(ordered: list[SessionResult], study: Study) -> list[dict[str, Any]]:
    """One row a session of each device with a state model: mean, maximum, time in thirds, shown and true.

    Parameters
    ----------
    ordered : list of SessionResult
    study : Study

    Returns
    -------
    list of dict
        ``session_`` thirds divide the range of the session's own reference, ``study_`` thirds what lies between the
        5 % and the 95 % value of the reference over all sessions of the device.
    """
    out: list[dict[str, Any]] = []
    for (device, quantity), group in by_series(ordered).items():
        if not study.config.all_quantities[quantity].state_model:
            continue
        columns = [_columns(s) for _, s in group]
        span = span_of(*(np.concatenate([c[k] for c in columns]) for k in (1, 2)))
        for (r, s), column in zip(group, columns, strict=True):
            told = _told(r, s, column)
            if told is not None:
                head = {"device": device, "quantity": quantity, "unit": s.unit, "session": r.material.name}
                out.append({**head, "activity": _activity(r), **_row(s, told, column, span)})
    return out


def _columns(s: SeriesResult) -> tuple[F64, F64, F64]:
    """Readings, reference and seconds of what was shown beside a trustworthy reference."""
    used = s.pairs.used
    return s.pairs.tested[used], s.pairs.reference[used], s.pairs.seconds[used]


def _told(r: SessionResult, s: SeriesResult, column: tuple[F64, F64, F64]) -> Believed | None:
    reference = r.material.reference_for(s.quantity)
    used = s.pairs.used
    if reference is None or not used.any():
        return None
    return believed_of(
        *column,
        reference=reference.running.without_doubtful(),
        first_s=float(s.pairs.start_s[used].min()),
        last_s=float(s.pairs.end_s[used].max()),
    )


def _row(s: SeriesResult, told: Believed, column: tuple[F64, F64, F64], span: tuple[float, float]) -> dict[str, Any]:
    silent = sum(t.seconds for t in s.state_times if t.by == "all" and t.state == "missing")
    return {
        "n": told.n,
        "seconds": told.seconds,
        "missing_seconds": silent,
        "shown_mean": told.shown_mean,
        "true_mean": told.true_mean,
        "mean_difference": told.shown_mean - told.true_mean,
        "shown_maximum": told.shown_maximum,
        "true_maximum": told.true_maximum,
        "maximum_difference": told.shown_maximum - told.true_maximum,
        "true_maximum_5_s": told.true_peak if math.isfinite(told.true_peak) else None,
        **_thirds("session", column, (told.low, told.high)),
        **_thirds("study", column, span),
    }


def _thirds(name: str, column: tuple[F64, F64, F64], span: tuple[float, float]) -> dict[str, Any]:
    """Edges and seconds of one division into thirds; null with the reason where it means nothing."""
    low, high = span
    wide = high - low >= LEAST_RANGE
    tested, true, seconds = column
    out: dict[str, Any] = {
        f"{name}_third_from": low + (high - low) / 3 if wide else None,
        f"{name}_third_to": low + 2 * (high - low) / 3 if wide else None,
    }
    for what, values in (("shown", tested), ("true", true)):
        each = seconds_in_thirds(values, seconds, low=low, high=high) if wide else (None, None, None)
        out |= {f"{what}_{name}_{third}_s": held for third, held in zip(THIRDS, each, strict=True)}
    return out | {f"{name}_thirds_why": None if wide else _FLAT}


def _activity(r: SessionResult) -> str | None:
    return r.session.activity if r.session is not None else None


def believed_summary_rows(rows: list[dict[str, Any]], study: Study, settings: Settings) -> list[dict[str, Any]]:
    """Median over sessions of each difference, shown less true, and the sessions with least and most.

    Parameters
    ----------
    rows : list of dict
        From :func:`believed_rows`.
    study : Study
    settings : Settings

    Returns
    -------
    list of dict
        ``worst_session`` is the one furthest from 0.
    """
    out: list[dict[str, Any]] = []
    for device, quantity in dict.fromkeys((row["device"], row["quantity"]) for row in rows):
        mine = [row for row in rows if (row["device"], row["quantity"]) == (device, quantity)]
        for statistic in _SUMMED:
            known = {r["session"]: d for r in mine if (d := _difference(r, statistic)) is not None}
            if not known:
                continue
            people = sorted({participant_of(study, s) for s in known})
            estimate = cluster_median(
                np.array(list(known.values())),
                participant=np.array([people.index(participant_of(study, s)) for s in known], dtype=np.int64),
                session=np.arange(len(known), dtype=np.int64),
                confidence=settings.confidence,
                seed=settings.seed,
                name=f"{device}/{quantity}/{statistic}",
            )
            out.append(
                {
                    "device": device,
                    "quantity": quantity,
                    "statistic": statistic,
                    **estimate_row(estimate),
                    "n_sessions": len(known),
                    "n_participants": len(people),
                    "lowest": min(known.values()),
                    "highest": max(known.values()),
                    "worst_session": max(known, key=lambda s: abs(known[s])),
                }
            )
    return out


def _difference(row: dict[str, Any], statistic: str) -> float | None:
    if statistic != "high_third_difference_s":
        return float(row[statistic])
    shown, true = row["shown_study_high_s"], row["true_study_high_s"]
    return None if shown is None else float(shown - true)
