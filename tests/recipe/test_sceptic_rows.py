"""Benefit of the doubt and the map of choices, worked by hand on tiny invented sessions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from wearbench.core.agreement import grouped_sums
from wearbench.recipe.alternatives import near_least
from wearbench.recipe.scepticrows import benefit_rows, choice_rows
from wearbench.recipe.sessionresult import Alternative
from wearbench.recipe.studyalternatives import StudyAlternatives, is_affected
from wearbench.settings import Settings

SETTINGS = Settings()
FAULT = [{"device": "band", "quantity": "heart_rate", "state": "halved", "fault": True, "least_seconds": 60.0}]


def judged(
    name: str = "",
    *,
    halved: float,
    right: float = 540.0,
    shift: float = 0.0,
    error: float = 2.0,
    readings: int = 99,
    pairs: int = 10,
) -> Alternative:
    """One way of judging a session: seconds halved and right, and ten pairs that are all off by ``error`` bpm."""
    reference = np.linspace(90.0, 150.0, pairs)
    return Alternative(
        name=name,
        shift_s=shift,
        averaging_s=8.0,
        seconds={"faithful": right, "halved": halved},
        sure_s={"halved": halved} if halved else {},
        readings={"halved": readings} if halved else {},
        blocks=grouped_sums(reference + error, reference, group=np.repeat([0, 1], pairs // 2), tolerance=5.0),
    )


def gathered(*kept: tuple[Alternative, ...], **more: Any) -> StudyAlternatives:
    n = len(kept)
    told: dict[str, Any] = {
        "participants": tuple(f"rower-{k}" for k in range(n)),
        "firmware": ("",) * n,
        "trust": ("good",) * n,
        "newest": "",
        "strided": (True,) * n,
    }
    return StudyAlternatives(
        device="band",
        quantity="heart_rate",
        unit="bpm",
        sessions=tuple(f"S{k + 1:02d}" for k in range(n)),
        kept=kept,
        blocks_faithful=np.array([60.0, 60.0, 0.0]),
        blocks_judged=np.array([60.0, 60.0, 60.0]),
        **told | more,
    )


def of_claim(rows: list[dict[str, Any]], claim: str) -> dict[str, dict[str, Any]]:
    return {row["analysis"]: row for row in rows if row["claim"] == claim}


def test_a_session_is_affected_from_the_seconds_asked_in_two_readings_or_more() -> None:
    assert is_affected(judged(halved=60.0), "halved", least_s=60.0)
    assert not is_affected(judged(halved=59.0), "halved", least_s=60.0)
    assert not is_affected(judged(halved=600.0, readings=1), "halved", least_s=60.0)
    assert not is_affected(judged(halved=60.0), "frozen", least_s=0.0)


def test_both_ends_together_matter_only_near_the_least_that_counts() -> None:
    # 100 s; the clock alone takes 10, the averaging alone 5: twice that leaves 70 s, which still counts. Of 80 s it
    # leaves 80 - 2 * 15 = 50, which would not.
    for seconds, near in ((100.0, False), (80.0, True), (59.0, False)):
        clock = [judged(halved=seconds - 10.0), judged(halved=seconds + 20.0)]
        averaging = [judged(halved=seconds - 5.0)]
        assert near_least(judged(halved=seconds), clock, averaging, least_s=60.0) is near
    assert near_least(judged(halved=70.0), [judged(halved=0.0)], [], least_s=60.0)
    assert not near_least(judged(halved=70.0), [], [], least_s=60.0)


def test_benefit_takes_the_corner_that_flatters_most_in_each_session() -> None:
    # As analysed 3 of 3 sessions. In S01 a later clock leaves 50 s, under the minute asked; in S02 it leaves 80 s,
    # which still counts; S03 has nothing that could move. So 2 of 3.
    one = gathered(
        (judged(halved=90.0), judged("clock_early", halved=120.0), judged("clock_late", halved=50.0, shift=0.4)),
        (judged(halved=100.0), judged("clock_late", halved=80.0, shift=0.3), judged("corner", halved=85.0)),
        (judged(halved=300.0), judged("widths_wider", halved=0.0)),
    )
    row = next(r for r in benefit_rows([one], FAULT, SETTINGS) if r["what"] == "halved")
    assert (row["n_affected"], row["n_affected_flattered"], row["n_sessions"], row["n_fixed"]) == (3, 2, 3, 1)
    assert row["analysed"]["value"] == 1.0
    assert row["flattered"]["value"] == pytest.approx(2 / 3)
    assert row["sessions"] == [
        {"session": "S01", "clock_moved_s": 0.4, "averaging_s": 8.0, "analysed": 90.0, "flattered": 0.0},
        {"session": "S02", "clock_moved_s": 0.3, "averaging_s": 8.0, "analysed": 100.0, "flattered": 80.0},
    ]


def test_benefit_in_mean_error_is_that_of_the_kindest_pairs_of_each_session() -> None:
    # Errors of 2 and 4 bpm, ten pairs each: 3. With the kindest, 1 and 4: 2.5.
    one = gathered(
        (judged(halved=0.0, error=2.0), judged("averaging_longer", halved=0.0, error=-1.0)),
        (judged(halved=0.0, error=4.0), judged("averaging_longer", halved=0.0, error=5.0)),
    )
    row = next(r for r in benefit_rows([one], [], SETTINGS) if r["what"] == "mae")
    assert row["analysed"]["value"] == pytest.approx(3.0)
    assert row["flattered"]["value"] == pytest.approx(2.5)
    assert [s["session"] for s in row["sessions"]] == ["S01"]


def test_benefit_is_never_worse_than_the_analysis() -> None:
    # Errors of 1 and 9 bpm over ten pairs each: 5. In the first session a corner with 0.9 bpm has two pairs only: alone
    # it is kinder, together (1.8 + 90) / 12 = 7.65 is not. Nothing is gained, and the analysis stays.
    few = replace(judged("clock_early", halved=0.0, error=0.9), blocks=judged(halved=0.0, error=0.9, pairs=2).blocks)
    one = gathered((judged(halved=0.0, error=1.0), few), (judged(halved=0.0, error=9.0),))
    row = next(r for r in benefit_rows([one], [], SETTINGS) if r["what"] == "mae")
    assert (row["analysed"]["value"], row["flattered"]["value"]) == (pytest.approx(5.0), pytest.approx(5.0))
    assert row["sessions"] == []


def test_a_fault_holds_where_it_is_still_seen() -> None:
    # One of two sessions. Without that session none is left; with wider states it is gone; the clock changes nothing.
    one = gathered(
        (judged(halved=90.0), judged("clock_early", halved=95.0), judged("widths_wider", halved=20.0)),
        (judged(halved=0.0), judged("clock_early", halved=0.0), judged("widths_wider", halved=0.0)),
    )
    rows = of_claim(choice_rows([one], FAULT, SETTINGS), "halved")
    assert list(rows) == ["as_analysed", "clock_early", "widths_wider", "worst_left_out"]
    assert {name: (r["n_affected"], r["n_sessions"], r["holds"]) for name, r in rows.items()} == {
        "as_analysed": (1, 2, True),
        "clock_early": (1, 2, True),
        "widths_wider": (0, 2, False),
        "worst_left_out": (0, 1, False),
    }
    assert rows["worst_left_out"]["words"] == "without the worst session (S01)"


def test_a_share_of_sessions_wholly_above_a_half_must_stay_there() -> None:
    # 8 of 8: exact interval 63 to 100 %, above a half. 7 of 8 under another choice: 47 to 100 %, not any more.
    sessions = [(judged(halved=90.0), judged("frozen_later", halved=30.0 if k == 0 else 90.0)) for k in range(8)]
    rows = of_claim(choice_rows([gathered(*sessions)], FAULT, SETTINGS), "halved")
    assert rows["as_analysed"]["low"] == pytest.approx(0.6306, abs=1e-4)  # 0.025 ** (1 / 8)
    assert rows["frozen_later"]["low"] == pytest.approx(0.4735, abs=1e-4)
    assert rows["frozen_later"]["holds"] is False
    assert rows["worst_left_out"]["holds"] is True  # 7 of 7: from 59 %


def test_bias_holds_while_its_interval_says_the_same_of_its_direction() -> None:
    # Each session is off by one figure; under the other choice one of three turns round, and zero is in the interval.
    errors = ((4.0, 4.0), (5.0, 5.0), (6.0, -6.0))
    one = gathered(*((judged(halved=0.0, error=a), judged("unmended", halved=0.0, error=b)) for a, b in errors))
    rows = of_claim(choice_rows([one], [], SETTINGS), "bias")
    assert (rows["as_analysed"]["value"], rows["unmended"]["value"]) == (pytest.approx(5.0), pytest.approx(1.0))
    assert rows["as_analysed"]["low"] > 0 > rows["unmended"]["low"]
    assert (rows["as_analysed"]["holds"], rows["unmended"]["holds"]) == (True, False)


def test_sessions_are_left_out_by_clock_firmware_and_person() -> None:
    kept = [(judged(halved=h),) for h in (90.0, 0.0, 70.0, 0.0)]
    one = gathered(
        *kept,
        participants=("ann", "bo", "ann", "bo"),
        trust=("weak", "good", "good", "declared"),
        firmware=("2.0", "2.0", "2.1", "2.1"),
        newest="2.1",
    )
    rows = of_claim(choice_rows([one], FAULT, SETTINGS), "halved")
    assert {name: (r["n_affected"], r["n_sessions"]) for name, r in rows.items()} == {
        "as_analysed": (2, 4),
        "good_clocks": (1, 3),
        "newest_firmware": (1, 2),
        "worst_left_out": (1, 3),
        "person_left_out": (0, 2),
    }


def test_one_session_alone_is_judged_by_blocks_and_loses_nobody() -> None:
    one = gathered((judged(halved=90.0), judged("clock_early", halved=80.0)))
    rows = choice_rows([one], FAULT, SETTINGS)
    assert list(of_claim(rows, "halved")) == ["as_analysed", "clock_early"]
    track = of_claim(rows, "tracking")["as_analysed"]
    assert (track["value"], track["n"]) == (pytest.approx(2 / 3), 3)
    assert "3 blocks of one session" in track["method"]


def test_cadence_can_only_be_followed_where_one_was_recorded() -> None:
    locked = Alternative(
        name="",
        shift_s=0.0,
        averaging_s=8.0,
        seconds={"faithful": 500.0, "cadence_locked": 100.0},
        sure_s={"cadence_locked": 100.0},
        readings={"cadence_locked": 100},
        blocks=judged(halved=0.0).blocks,
    )
    one = gathered((locked,), (judged(halved=0.0),), (judged(halved=0.0),), strided=(True, True, False))
    assert one.affected(one.analysed.picks, "cadence_locked", least_s=60.0) == (1, 2)
