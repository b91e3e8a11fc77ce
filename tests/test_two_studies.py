"""Two studies held against each other: two sessions each, every number by hand.

Camp A: rowing 600 s a session, off by 1 and 3; stairs 300 s, off by 10 and at half the rate. Camp B: rowing 300 s, off
by 2 and 4; stairs 600 s, off by 5 and 7; and 600 s at the erg that A knows nothing of. Rowing was done for 1,800 s in
both, and so were stairs: each weighs a half, though A mostly rowed.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from scipy import stats

from wearbench.errors import UsageError
from wearbench.findings.twostudies import CAVEAT, TwoStudies, compare_studies, comparison_lines
from wearbench.study.results import PAIRS, TRACES, Results

START = datetime(2031, 1, 12, 8, tzinfo=UTC)
A = (
    ("A1", "P1", (("rowing", 600, 1.0, "faithful"), ("stairs", 300, 10.0, "halved"))),
    ("A2", "P1", (("rowing", 600, 3.0, "faithful"), ("stairs", 300, 10.0, "halved"))),
)
B = (
    ("B1", "P1", (("rowing", 300, 2.0, "faithful"), ("stairs", 600, 5.0, "faithful"), ("erg", 600, 0.0, "faithful"))),
    ("B2", "P1", (("rowing", 300, 4.0, "faithful"), ("stairs", 600, 7.0, "faithful"))),
)


def study(sessions: Any, *, devices: tuple[str, ...] = ("band",), episodes: Any = (), **settings: Any) -> Results:
    rows = []
    for number, (session, participant, stretches) in enumerate(sessions):
        at = START + timedelta(days=number)
        for activity, seconds, off, state in stretches:
            for _ in range(seconds // 10):
                for device in devices:
                    rows.append(
                        dict.fromkeys(PAIRS)
                        | {
                            **{"session": session, "participant": participant, "device": device, "unit": "bpm"},
                            **{"reference_device": "patch", "quantity": "heart_rate", "activity": activity},
                            **{"time": at, "start": at - timedelta(seconds=5), "end": at, "seconds": 10.0},
                            **{"tested": 120.0 + off, "reference": 120.0, "covered": 1.0, "mended": 0.0},
                            **{"state": state, "probability": 0.99, "used": True, "source_row": len(rows)},
                        }
                    )
                at += timedelta(seconds=10)
    document = {
        "devices": [{"device": d, "label": d, "role": "tested"} for d in devices],
        "sessions": [{"session": s[0], "participant": s[1]} for s in sessions],
        "settings": {"confidence": 0.95, "affected_s": 60.0, **settings},
        "tool": {"name": "wearbench", "version": "0.1.0"},
        "episodes": list(episodes),
    }
    traces = pl.DataFrame(schema=TRACES)
    return Results(document=document, pairs=pl.DataFrame(rows, schema=PAIRS), traces=traces)


def compared(first: Results, second: Results, **given: Any) -> TwoStudies:
    return compare_studies(first, second, names=("camp-a", "camp-b"), **given)


def row(found: TwoStudies, measure: str, state: str | None = None) -> dict[str, Any]:
    (one,) = [r for r in found.rows if (r["measure"], r["state"]) == (measure, state)]
    return one


def test_error_over_what_both_did() -> None:
    """A: (2 + 10) / 2 = 6; B: (3 + 6) / 2 = 4.5. Without allowing for it A would look better: 4.67 against 5 (without
    the erg). Jackknife of A: 6.5 and 5.5, of B: 5.5 and 3.5, so variances 0.25 and 1; Welch's df 1.25^2 / 1.0625."""
    found = row(compared(study(A), study(B)), "mae")
    assert (found["first"], found["second"]) == (pytest.approx(6.0), pytest.approx(4.5))
    half = stats.t.ppf(0.975, 1.25**2 / 1.0625) * math.sqrt(1.25)
    difference = found["difference"]
    assert difference["value"] == pytest.approx(-1.5)
    assert (difference["low"], difference["high"]) == (pytest.approx(-1.5 - half), pytest.approx(-1.5 + half))
    assert difference["method"] == "directly standardised over 2 cells, jackknife over 4 clusters, Welch's t"


def test_time_right_and_sessions_affected() -> None:
    found = compared(study(A), study(B))
    right = row(found, "tracking_share")
    assert (right["first"], right["second"]) == (pytest.approx(0.5), pytest.approx(1.0))
    hit = row(found, "sessions_affected", "halved")
    assert (hit["n_first"], hit["n_second"]) == ([2, 2], [0, 2])
    # Score intervals of 2 of 2 and 0 of 2 (Newcombe 1998): 1 / (1 + z^2 / 2) = 0.3424 to 1, and its mirror.
    assert hit["difference"]["high"] == pytest.approx(-1 + math.hypot(1 - 0.3424, 0.6576), abs=1e-4)


def test_cells_and_what_is_left_out() -> None:
    found = compared(study(A), study(B))
    assert found.by == ("activity",)
    assert [(c["what"], c["weight"]) for c in found.cells] == [
        ("rowing", pytest.approx(0.5)),
        ("stairs", pytest.approx(0.5)),
    ]
    assert found.left_out == (
        {"what": "erg", "seconds_first": 0.0, "seconds_second": 600.0, "why": "only in the second"},
    )


def test_a_study_with_itself_differs_by_nothing() -> None:
    found = compared(study(A), study(A))
    assert [r["difference"]["value"] for r in found.rows] == pytest.approx([0.0] * len(found.rows))


def test_silence_counts_as_not_right_where_it_fell() -> None:
    """Ninety seconds without a value while rowing in A1: rowing is right for 1,200 of 1,290 s."""
    silent = {
        **{"session": "A1", "device": "band", "quantity": "heart_rate", "state": "missing", "seconds": 90.0},
        **{"start": START + timedelta(seconds=100), "end": START + timedelta(seconds=190)},
    }
    found = compared(study(A, episodes=[silent]), study(B))
    weights = {c["what"]: c["weight"] for c in found.cells}
    assert weights["rowing"] == pytest.approx(1890 / 3690)
    right = row(found, "tracking_share")
    assert right["first"] == pytest.approx(1200 / 1290 * weights["rowing"])
    assert row(found, "sessions_affected", "missing")["n_first"] == [1, 2]


def test_lines() -> None:
    lines = list(comparison_lines(compared(study(A), study(B, affected_s=30.0))))
    assert lines[2:] == [
        "Compared over what both did, each weighed by the time in both: rowing (50 %) and stairs (50 %).",
        "Left out: erg, only in the second.",
        "  right 50 % and 100 % of the time; second less first +50 points, the sessions do not vary: no interval can "
        "be given",
        "  off by 6.0 and 4.5 bpm; second less first −1.5 bpm, 95 % −8.4 to +5.4, no difference shown",
        "  bias +6.0 and +4.5 bpm; second less first −1.5 bpm, 95 % −8.4 to +5.4, no difference shown",
        "  sessions with “about half”: 2 of 2 sessions and 0 of 2 sessions; second less first −100 points, 95 % −100 "
        "to −7.0",
        "The two were analysed with different settings: affected_s.",
        CAVEAT,
    ]


def test_without_activities_nothing_is_standardised() -> None:
    plain = [(s, p, tuple((None, *rest) for _, *rest in parts)) for s, p, parts in A]
    found = compared(study(plain), study(plain))
    assert found.by == ()
    assert "Neither activity nor intensity is told in both: compared over everything, not standardised." in (
        list(comparison_lines(found))
    )


def test_what_cannot_be_compared_is_said() -> None:
    with pytest.raises(UsageError) as nothing:
        compared(study(A), study([("B1", "P1", (("erg", 600, 0.0, "faithful"),))]))
    assert str(nothing.value) == (
        "expected something that was done in both studies, got rowing and stairs in the first and erg in the second"
    )
    two = study(A, devices=("band", "loop"))
    with pytest.raises(UsageError) as which:
        compared(two, two)
    assert str(which.value) == (
        "expected --device to name a tested device of camp-a (band and loop), got no device named"
    )
    with pytest.raises(UsageError) as other:
        compared(study(A), two, devices=(None, "pod"))
    assert str(other.value) == 'expected --other to name a tested device of camp-b (band and loop), got "pod"'
    assert compared(study(A), two).second["device"] == "band"
