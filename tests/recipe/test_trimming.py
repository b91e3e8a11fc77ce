"""An export that spans sessions: what of it is a session's, once the clock is known."""

from __future__ import annotations

import numpy as np
from recorded import START, run, stamps, study, wear, write_session


def exported(tmp_path, *, value_at):
    """A session of 20 minutes inside an export that says 70 for half an hour at either end; told times."""
    folder = study(tmp_path / "study")
    worn = wear(4, offset_s=25.0, length_s=1200)
    write_session(folder, "S1", worn)
    (folder / "raw" / "S1" / "band.csv").unlink()
    rest = np.arange(0.0, 1800.0, 1.0)
    time_s = np.concatenate([rest - 1830.0, worn.time_s, 1230.0 + rest])
    value = value_at(np.concatenate([np.full(rest.size, 70.0), worn.value, np.full(rest.size, 70.0)]), worn)
    keep = np.isfinite(value)
    lines = [f"{t},{v:.0f}" for t, v in zip(stamps(time_s[keep]), value[keep], strict=True)]
    (folder / "raw" / "_all").mkdir(parents=True)
    (folder / "raw" / "_all" / "band.csv").write_text("\n".join(["time,heart_rate", *lines]) + "\n", encoding="utf-8")
    day = START.strftime("%Y-%m-%d")
    (folder / "sessions.csv").write_text(f"session,start,end\nS1,{day}T09:00:00Z,{day}T09:20:00Z\n", encoding="utf-8")
    return run(folder)


def test_readings_beside_the_session_are_not_counted(tmp_path):
    """The reference covers 1200 s at most: no more than that and half a window at either end can count."""
    results = exported(tmp_path, value_at=lambda value, worn: value)
    pairs = results.pairs
    assert 1150 <= pairs.height <= 1225
    end_s = (pairs["end"].dt.epoch("ms") / 1000.0).to_numpy() - START.timestamp()
    assert end_s.min() > -10.0
    assert end_s.max() < 1210.0
    unjudged = next(t for t in results.document["tracking"] if t["by"] == "all")["unjudged_seconds"]
    assert unjudged < 60.0


def test_an_export_without_values_in_the_session_is_missing_there(tmp_path):
    results = exported(tmp_path, value_at=lambda value, worn: np.where(value == 70.0, value, np.nan))
    tracking = next(t for t in results.document["tracking"] if t["by"] == "all")
    assert tracking["judged_seconds"] == 0
    assert results.document["proposals"] == []
