"""Small study folders and invented results for the tests of this directory and of the command line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from wearbench.study import PAIRS, TRACES, Results

STUDY = """\
schema = 1
title = "Rowing, wrist band against chest patch"
timezone = "Europe/Oslo"

[devices.patch]
role = "reference"

[devices.band]
role = "tested"
label = "Wrist band"
"""


def make_study(folder: Path, toml: str = STUDY) -> Path:
    """A study with one session of two devices."""
    folder.mkdir(exist_ok=True)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    add(folder, "raw/s01/patch.csv", "time,heart_rate\n2031-01-12T09:00:00,90\n2031-01-12T09:00:01,91\n")
    add(folder, "raw/s01/band.csv", "time,heart_rate\n2031-01-12T09:00:00,92\n2031-01-12T09:00:01,93\n")
    return folder


def add(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def statistic(value: float | None, why: str | None = None) -> dict[str, Any]:
    if value is None:
        return {"value": None, "low": None, "high": None, "method": None, "n": 2, "why": why or "too few"}
    return {"value": value, "low": value - 1, "high": value + 1, "method": "t on sessions", "n": 2, "why": None}


def invented_results(mape: float | None = 2.5) -> Results:
    """Results with every part filled; all numbers invented."""
    start, end = datetime(2031, 1, 12, 8, 0, tzinfo=UTC), datetime(2031, 1, 12, 8, 0, 5, tzinfo=UTC)
    pair = dict.fromkeys(PAIRS) | {
        "session": "s01",
        "participant": "p1",
        "device": "band",
        "reference_device": "patch",
        "quantity": "heart_rate",
        "unit": "bpm",
        "time": start,
        "start": start,
        "end": end,
        "seconds": 5.0,
        "tested": 92.0,
        "reference": 90.1,
        "covered": 1.0,
        "mended": 0.0,
        "state": "faithful",
        "used": True,
        "source_row": 2,
    }
    trace = {
        "session": "s01",
        "device": "band",
        "role": "tested",
        "quantity": "heart_rate",
        "time": start,
        "value": 92.0,
        "doubtful": False,
    }
    row = {"device": "band", "quantity": "heart_rate", "by": "all", "group": None}
    document: dict[str, Any] = {
        "schema": 1,
        "made": end,
        "tool": {"name": "wearbench", "version": "0.1.0"},
        "settings": {"min_covered": 0.8},
        "parameters": {"band": {"sd_log": float("nan")}},
        "inputs": [{"path": "raw/s01/band.csv", "sha256": "0" * 64, "bytes": 70}],
        "repairs": [{"slug": "bom", "said": "a byte order mark was skipped", "file": None, "line": None, "count": 1}],
        "files_left_out": [{"path": "raw/s01/belt.csv", "why": "belt is no device of study.toml"}],
        "decisions_used": [],
        "devices": [{"device": "band", "label": "Wrist band", "role": "tested"}],
        "sessions": [
            {"session": "s01", "participant": "p1", "activity": None, "firmware": None, "start": start, "end": None}
        ],
        "clock": [
            {
                "session": "s01",
                "device": "band",
                "at": start,
                "offset_s": 3.25,
                "low_s": 3.0,
                "high_s": 3.5,
                "drift_ppm": 0.0,
                "offset_is": "clock_minus_delay",
                "method": "search",
                "trust": "good",
                "candidates": [{"offset_s": 3.25, "loss": 0.1}],
            }
        ],
        "windows": [{"device": "band", "averaging_s": 5.0, "delay_s": 0.0}],
        "agreement": [
            {
                **row,
                "reference_device": "patch",
                "unit": "bpm",
                "readings": "all",
                "clock": "fitted",
                "n_pairs": 2,
                "n_sessions": 1,
                "n_participants": 1,
                "statistics": {"bias": statistic(1.9), "mape": statistic(mape)},
            }
        ],
        "states": [{**row, "state": "faithful", "seconds": 5.0, "share": 1.0}],
        "flow": [{"device": "band", "quantity": "heart_rate", "step": "worn", "seconds": 5.0}],
        "episodes": [
            {
                "id": "s01-E1",
                "event": "s01-V1",
                "session": "s01",
                "device": "band",
                "quantity": "heart_rate",
                "state": "halved",
                "also": None,
                "start": start,
                "end": end,
                "seconds": 5.0,
                "tested_mean": 45.5,
                "reference_mean": 90.0,
                "ratio": 0.505,
                "probability": 0.99,
            }
        ],
        "findings": [
            {
                "id": "F-band-1",
                "device": "band",
                "claim": "The wrist band read 1.9 bpm high.",
                "scope": "one person, one unit, one session",
                "evidence": {"kind": "accuracy"},
            }
        ],
        "warnings": ["one session is an anecdote"],
    }
    return Results(
        document=document,
        pairs=pl.DataFrame([pair], schema=PAIRS),
        traces=pl.DataFrame([trace], schema=TRACES),
    )
