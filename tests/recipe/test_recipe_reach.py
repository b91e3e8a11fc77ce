"""Readings of other days that lie in a session's folder cost nothing but themselves."""

from __future__ import annotations

from pathlib import Path

from worn_sessions import Heart, Worn, rr_csv, run

HEART = Heart()


def test_readings_days_away_from_the_reference_are_left_out_and_said(tmp_path: Path) -> None:
    near = Worn(offset_s=33.0).csv(HEART)
    heading, *rows = near.strip().split("\n")
    _, *later = Worn(offset_s=33.0).csv(HEART, day=3).strip().split("\n")
    alone = run(tmp_path / "alone", {"raw/s/patch.csv": rr_csv(HEART), "raw/s/band.csv": near})
    both = run(
        tmp_path / "both",
        {"raw/s/patch.csv": rr_csv(HEART), "raw/s/band.csv": "\n".join([heading, *rows, *later]) + "\n"},
    )
    assert both.pairs.equals(alone.pairs)
    said = [w["said"] for w in both.document["warnings"] if w["slug"] == "far-from-reference"]
    far, all_ = len(later), len(rows) + len(later)
    assert said == [
        f"raw/s: {far:,} of {all_:,} readings of band lie more than 14.25 h from the reference;"
        " left out (give the session's start and end in sessions.csv, or put the export in raw/_all)"
    ]
