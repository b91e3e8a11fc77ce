"""Tables of the document about clocks, windows and learned parameters, and what is proposed."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import Any

import numpy as np

from wearbench.recipe.learning import StudyParameters
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.rowparts import instant
from wearbench.recipe.sessionresult import SeriesResult, SessionResult

__all__ = ["clock_rows", "parameter_rows", "proposal_rows", "window_rows"]

_OFFSETS = ("clock_offset", "clock_epoch")


def parameter_rows(parameters: StudyParameters) -> dict[str, Any]:
    """What was learned over the study, by device and quantity."""
    out: dict[str, Any] = {}
    for (device, quantity), learned in parameters.series.items():
        out[f"{device}/{quantity}"] = {
            "averaging_s": learned.averaging.averaging_s,
            "averaging_low_s": learned.averaging.low_s,
            "averaging_high_s": learned.averaging.high_s,
            "averaging_how": learned.averaging.method,
            "delay_s": learned.delay_s,
            "delay_how": learned.delay_how,
            **{f"states_{f.name}": getattr(learned.states, f.name) for f in dataclasses.fields(learned.states)},
        }
    for quantity, (low, high) in parameters.thirds.items():
        out[f"thirds/{quantity}"] = {"low": low, "high": high}
    return out


def clock_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """The clock of each series of each session."""
    rows = []
    for r in ordered:
        for s in r.results:
            split, delay = s.split, s.split.delay
            move = split.offset_s - s.clock.shift_s
            rows.append(
                {
                    "session": r.material.name,
                    "device": s.device,
                    "quantity": s.quantity,
                    "at": instant(r.material, s.clock.at_s - s.series.after_stamp_s),
                    "offset_s": split.offset_s,
                    "low_s": split.low_s,
                    "high_s": split.high_s,
                    "drift_ppm": s.clock.drift_ppm,
                    "drift_low_ppm": s.clock.drift_low_ppm,
                    "drift_high_ppm": s.clock.drift_high_ppm,
                    "offset_is": split.offset_is,
                    "delay_s": delay.delay_s,
                    "delay_low_s": delay.low_s,
                    "delay_high_s": delay.high_s,
                    "delay_how": delay.how,
                    "method": s.clock.method,
                    "trust": s.clock.trust,
                    "why": s.clock.why or None,
                    "looks_like": next((p.said for p in s.proposals if p.kind in _OFFSETS), None),
                    "candidates": [
                        {"offset_s": c.shift_s + move, "loss": c.loss, "n": c.n} for c in s.clock.candidates
                    ],
                }
            )
    return rows


def proposal_rows(ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """What the data suggest and nobody has decided; spans are on the device's own stamps."""
    return [
        {
            "kind": p.kind,
            "session": r.material.name,
            "device": p.device,
            "quantity": p.quantity,
            "said": p.said,
            "from": None if p.from_s is None else _own_stamp(r.material, s, p.from_s),
            "to": None if p.to_s is None else _own_stamp(r.material, s, p.to_s),
            "shift_s": p.shift_s,
            "evidence": p.evidence,
        }
        for r in ordered
        for s in r.results
        for p in s.proposals
    ]


def _own_stamp(material: SessionMaterial, s: SeriesResult, seconds: float) -> datetime:
    """An instant of a series on the device's own stamps, before anybody moved them."""
    at = min(int(np.searchsorted(s.series.time_s, seconds - 1e-6)), s.series.time_s.size - 1)
    return instant(material, float(s.series.stamp_s[at]))


def window_rows(parameters: StudyParameters, ordered: list[SessionResult]) -> list[dict[str, Any]]:
    """Averaging and delay of each device and quantity."""
    return [
        {
            "device": device,
            "quantity": quantity,
            "averaging_s": learned.averaging.averaging_s,
            "low_s": learned.averaging.low_s,
            "high_s": learned.averaging.high_s,
            "method": learned.averaging.method,
            "delay_s": 0.0 if learned.delay_s is None else learned.delay_s,
            "delay_known": learned.delay_s is not None,
            "delay_low_s": learned.delay_low_s,
            "delay_high_s": learned.delay_high_s,
            "delay_how": learned.delay_how,
            "usual_interval_s": _usual(device, quantity, ordered),
        }
        for (device, quantity), learned in parameters.series.items()
    ]


def _usual(device: str, quantity: str, ordered: list[SessionResult]) -> float | None:
    gaps = [
        float(np.median(np.diff(s.series.time_s)))
        for r in ordered
        for s in r.results
        if (s.device, s.quantity) == (device, quantity) and s.series.time_s.size > 1
    ]
    return float(np.median(gaps)) if gaps else None
