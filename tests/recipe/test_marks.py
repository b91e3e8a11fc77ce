"""Sync marks part clock from delay: taps at known instants on devices whose clock and delay are known."""

from __future__ import annotations

import numpy as np
import pytest
from recorded import run, stamps, study, wear, write_session

FAST_S = 40.0
LATE_S = 6.0


def tapped(folder, name, seed, *, fast_s=FAST_S, late_s=LATE_S, acts=(30.0, 3500.0), miss_s=(0.0, 0.0), marks=True):
    """A session of an hour; the band is fast and shows its values late, and both were tapped at known instants."""
    worn = wear(seed, length_s=3600, offset_s=fast_s, delay_s=late_s)
    write_session(folder, name, worn)
    if not marks:
        return
    path = folder / "marks.csv"
    rows = [] if path.exists() else ["session,device,time,kind"]
    for act, missed in zip(acts, miss_s, strict=True):
        rows.append(f"{name},patch,{stamps([act])[0]},tap")
        rows.append(f"{name},band,{stamps([act + fast_s + missed])[0]},tap")
    with path.open("a", encoding="utf-8") as file:
        file.write("\n".join(rows) + "\n")


def clocks(results):
    return {c["session"]: c for c in results.document["clock"]}


def warned(results, slug):
    return [w["said"] for w in results.document["warnings"] if w["slug"] == slug]


def test_forty_seconds_fast_and_six_late(tmp_path):
    tapped(study(tmp_path), "S1", 1)
    results = run(tmp_path)
    clock = clocks(results)["S1"]
    assert clock["offset_is"] == "clock"
    assert clock["offset_s"] == pytest.approx(-FAST_S, abs=0.01)
    assert clock["low_s"] < -FAST_S < clock["high_s"]
    assert clock["delay_s"] == pytest.approx(LATE_S, abs=1.5)
    assert clock["delay_low_s"] < LATE_S < clock["delay_high_s"]
    assert clock["trust"] == "good"
    assert warned(results, "marks-disagree") == []
