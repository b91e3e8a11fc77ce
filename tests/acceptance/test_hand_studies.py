"""Twelve small studies whose findings are derived by hand.

The derivations stand in the docstrings. Counts and seconds come from what the files hold; exact intervals are Clopper
and Pearson's (1934), from scipy's beta quantiles; means have Student's t; shares of time have Korn and Graubard's
(1998) effective number, worked out here. Sentences are pinned whole. Of the accuracy sentence the limits of agreement
are left out: their choice has tests of its own.
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
from hand_study import (
    SECONDS,
    Session,
    Told,
    analysed,
    exact,
    held,
    run,
    seconds_in,
    silent,
    t_half,
    times,
    true,
    write,
)
from scipy import stats
from traced import walk

from wearbench.study import Declaration, Primary, Systematic, record_declaration

OWN = ("nothing_judged", "tracking", "accuracy", "one_session", "lapses", "unsure", "not_seen", "missing", "clock")
CLOCK = "Its clock was declared, not fitted (0.00 s). All that is said here rests on that."
NO_CADENCE = " Whether it was stuck to cadence cannot be told: no cadence was recorded beside it."


@pytest.fixture(autouse=True)
def walked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever a study finds leads to rows that give its numbers."""

    def and_walked(folder: Path) -> Told:
        told = analysed(folder)
        walk([asdict(f) for f in told.findings], told.results.document, told.results.pairs)
        return told

    monkeypatch.setattr("hand_study.analysed", and_walked)


def own_kinds(told: Told, device: str = "band") -> set[str]:
    """Kinds of finding that this module speaks of."""
    return {k for k in told.kinds(device) if k in OWN or k.startswith("state_") or k == "reference_doubtful"}


def share_interval(right: list[float], asked: float = SECONDS) -> tuple[float, float]:
    """Korn and Graubard (1998) over sessions of equal length.

    p is all right over all asked seconds; V its jackknife variance over the sessions; the effective number is
    p (1 - p) / V times (z / t)^2; the interval that of so many draws. Where all are right, each session counts once.
    """
    f, n = np.array(right), len(right)
    p = f.sum() / (n * asked)
    if p in (0.0, 1.0):
        return exact(round(p * n), n)
    without = (f.sum() - f) / ((n - 1) * asked)
    variance = (n - 1) / n * float(np.sum(np.square(without - p)))
    number = p * (1 - p) / variance * float((stats.norm.ppf(0.975) / stats.t.ppf(0.975, n - 1)) ** 2)
    x = p * number
    return float(stats.beta.ppf(0.025, x, number - x + 1)), float(stats.beta.ppf(0.975, x + 1, number - x))


def test_1_clean_device(tmp_path: Path) -> None:
    """Twelve sessions at 120 bpm; the band reads 1, 2 or 3 bpm too high, four sessions each.

    Mean difference and mean error: 2. Sessions: s = sqrt((4 + 0 + 4) / 11) = 0.853; t(11) 2.201 x 0.853 / sqrt(12) =
    0.542: +1.46 to +2.54. Of sizes the upper end is on the logarithm: 2 exp(0.542 / 2) = 2.62.
    Right for 12 x 600 s = 2 h of 2 h. With no wrong session in twelve the share is at least 0.025^(1/12) = 73.5 %, and
    what strikes up to 26.5 % of sessions could be unseen.
    """
    told = run(tmp_path / "study", [Session(devices={"band": true(more=k % 3 + 1)}) for k in range(12)])
    half = t_half([k % 3 + 1 for k in range(12)])
    assert (round(2 - half, 2), round(2 + half, 2), round(2 * np.exp(half / 2), 2)) == (1.46, 2.54, 2.62)
    assert exact(12, 12)[0] == pytest.approx(0.025 ** (1 / 12))
    assert told.claim("tracking") == (
        "It was right for 100 % of the time (95 % interval 74 % to 100 %). That is 2 h of the 2 h in which it should "
        "have given a value beside a trustworthy reference. So it was in every session."
    )
    assert told.claim("accuracy").startswith(
        "It was off by 2.00 bpm (95 % interval 1.46 to 2.62) on average, over all readings. On balance it read too "
        "high: +2.00 bpm (95 % interval +1.46 to +2.54). About 19 of 20 readings lie between "
    )
    assert told.claim("not_seen") == (
        "Not seen for 1 min or more in any session: “about half”, “about double” and “stuck on one value”. With 12 "
        "sessions without it, something that strikes up to 26 % of sessions could still have gone unseen." + NO_CADENCE
    )
    assert told.claim("clock") == CLOCK
    assert own_kinds(told) == {"tracking", "accuracy", "not_seen", "clock"}
    assert told.faults() == set()
    assert {f.scope for f in told.findings} == {
        "Band, heart rate: one person, one unit, 12 sessions, left wrist, firmware 2.1, against Chest patch"
    }


def test_2_half_rate_in_nine_of_twelve(tmp_path: Path) -> None:
    """Eight sessions with 120 s of half rate, one with 490 s, three without.

    9 of 12: exact 42.8 to 94.5 %. Longest 490 s = 8 min 10 s; 8 x 120 + 490 = 1450 s = 24 min 10 s, shown in whole
    minutes. Right for 7200 - 1450 = 5750 s = 79.9 %; sessions from 110/600 = 18 % to 100 %. While halved, D = -60:
    the mean error is 60 x 1450 / 7200 = 12.08, and so low.
    """
    sessions = [Session(devices={"band": times(0.5, (200, 320))}) for _ in range(8)]
    sessions += [Session(devices={"band": times(0.5, (100, 590))})]
    sessions += [Session(devices={"band": true()}) for _ in range(3)]
    told = run(tmp_path / "study", sessions)
    assert [round(100 * x, 1) for x in exact(9, 12)] == [42.8, 94.5]
    low, high = share_interval([480.0] * 8 + [110.0] + [600.0] * 3)
    assert told.claim("state_halved") == (
        "In 9 of 12 sessions (exact 95 %: 43 to 95 %) it read about half the true heart rate for at least 1 min, "
        "longest 8 min 10 s (S09-E1). 24 min in all."
    )
    assert told.claim("tracking") == (
        f"It was right for 80 % of the time (95 % interval {100 * low:.0f} % to {100 * high:.0f} %). That is 1 h 36 "
        "min of the 2 h in which it should have given a value beside a trustworthy reference. Session by session this "
        "went from 18 % to 100 %."
    )
    assert told.claim("accuracy").startswith("It was off by 12 bpm (95 % interval ")
    assert "On balance it read too low: −12 bpm" in told.claim("accuracy")
    assert told.claim("not_seen") == (
        "Not seen for 1 min or more in any session: “about double” and “stuck on one value”. With 12 sessions without "
        "it, something that strikes up to 26 % of sessions could still have gone unseen." + NO_CADENCE
    )
    assert own_kinds(told) == {"tracking", "accuracy", "state_halved", "not_seen", "clock"}
    evidence = told.finding("state_halved").evidence
    assert evidence["fault"] is True
    assert evidence["sessions"] == [f"S{k:02d}" for k in range(1, 10)]
    assert (evidence["seconds"], evidence["n_sessions"], evidence["share"]) == (1450.0, 12, 0.75)


def test_3_one_halved_session_of_one_is_an_anecdote(tmp_path: Path) -> None:
    """One session: 490 of 600 s halved; 110 s = 1 min 50 s right, 18 %. No share of sessions, no interval of one."""
    told = run(tmp_path / "study", [Session(devices={"band": times(0.5, (100, 590))})])
    assert told.claim("one_session") == "One session is an anecdote; more sessions, on other days, would make it more."
    assert told.claim("state_halved") == (
        "In this one session it read about half the true heart rate, longest 8 min 10 s (S01-E1). 8 min 10 s in all."
    )
    assert told.claim("tracking") == (
        "In this one session it was right for 18 % of the time. That is 1 min 50 s of the 10 min in which it should "
        "have given a value beside a trustworthy reference."
    )
    assert told.claim("not_seen") == (
        "Not seen for 1 min or more in any session: “about double” and “stuck on one value”. One session without it "
        "says little." + NO_CADENCE
    )
    assert own_kinds(told) == {"tracking", "accuracy", "one_session", "state_halved", "not_seen", "clock"}
    assert "of sessions" not in " ".join(f.claim for f in told.findings if f.evidence["kind"] in OWN)
    assert told.finding("tracking").scope == (
        "Band, heart rate: one person, one unit, one session, left wrist, firmware 2.1, against Chest patch"
    )


def test_4_none_of_twenty_gives_the_upper_bound(tmp_path: Path) -> None:
    """Twenty sessions, all exactly right: 1 - 0.025^(1/20) = 16.8 % of sessions could be struck; 20 x 10 min."""
    told = run(tmp_path / "study", [Session(devices={"band": true()}) for _ in range(20)])
    assert round(100 * exact(0, 20)[1], 1) == 16.8
    assert told.claim("not_seen") == (
        "Not seen for 1 min or more in any session: “about half”, “about double” and “stuck on one value”. With 20 "
        "sessions without it, something that strikes up to 17 % of sessions could still have gone unseen." + NO_CADENCE
    )
    assert told.claim("tracking").startswith(
        "It was right for 100 % of the time (95 % interval 83 % to 100 %). That is 3 h 20 min of the 3 h 20 min in "
    )
    assert told.claim("accuracy") == (
        "It was off by 0.00 bpm (no interval: all sessions give the same value) on average, over all readings. Its "
        "mean difference was 0.00 bpm (no interval: all sessions give the same value); without an interval no leaning "
        "can be claimed. Limits of agreement cannot be given: all differences are identical."
    )
    assert told.faults() == set()


def test_5_all_of_six_gives_the_lower_bound(tmp_path: Path) -> None:
    """90, 100, ... 140 s of half rate in six rowing sessions.

    0.025^(1/6) = 54.1 % or more. In all 690 s = 11 min 30 s, longest 140 s = 2 min 20 s in S06; right for
    3600 - 690 = 2910 s = 80.8 %, 48 min of the hour.
    """
    sessions = [Session(devices={"band": times(0.5, (100, 190 + 10 * k))}, activity="rowing") for k in range(6)]
    told = run(tmp_path / "study", sessions)
    assert round(100 * exact(6, 6)[0], 1) == 54.1
    assert told.claim("state_halved") == (
        "In all 6 sessions of rowing (exact 95 %: 54 % or more) it read about half the true heart rate for at least "
        "1 min, longest 2 min 20 s (S06-E1). 11 min 30 s in all."
    )
    low, high = share_interval([510.0 - 10 * k for k in range(6)])
    assert told.claim("tracking") == (
        f"It was right for 81 % of the time (95 % interval {100 * low:.0f} % to {100 * high:.0f} %). That is 48 min of "
        "the 1 h in which it should have given a value beside a trustworthy reference. Session by session this went "
        "from 77 % to 85 %."
    )


def test_6_half_rate_where_cadence_is_half_as_well(tmp_path: Path) -> None:
    """120 bpm, 60 steps a minute, and the band at 60 for 120 s in three of four sessions: both explanations fit.

    3 of 4: exact 19.4 to 99.4 %. What fits cannot be called unseen: only doubling and freezing are, in four sessions
    up to 1 - 0.025^(1/4) = 60.2 %.
    """
    sessions = [Session(devices={"band": times(0.5, (200, 320))}, cadence=60.0) for _ in range(3)]
    told = run(tmp_path / "study", [*sessions, Session(devices={"band": true()}, cadence=60.0)])
    assert [round(100 * x, 1) for x in exact(3, 4)] == [19.4, 99.4]
    assert told.claim("state_halved") == (
        "In 3 of 4 sessions (exact 95 %: 19 to 99.4 %) it read about half the true heart rate for at least 1 min, "
        "longest 2 min (S01-E1). 6 min in all. In 3 of 3 episodes “stuck to cadence” fits as well: the two cannot be "
        "told apart."
    )
    assert told.claim("not_seen") == (
        "Not seen for 1 min or more in any session: “about double” and “stuck on one value”. With 4 sessions without "
        "it, something that strikes up to 60 % of sessions could still have gone unseen."
    )
    assert told.faults() == {"state_halved"}


def test_7_a_value_held_while_the_rate_rises(tmp_path: Path) -> None:
    """The rate rises from 80 to 140 over 600 s, 0.1 a second; three of five sessions hold a value for 200 s.

    The held run is the 200 readings and the one whose value they repeat: 201 s = 3 min 21 s, in all 603 s = 10 min 3 s.
    3 of 5: exact 14.7 to 94.7 %. Errors of a held session: 0.1 x (1 + 2 + ... + 200) = 2010, over 600 s 3.35; over
    all five sessions 3 x 3.35 / 5 = 2.01. Right for 3000 - 603 = 2397 s = 79.9 %.
    """
    rise = ((0.0, 80.0), (600.0, 140.0))
    sessions = [Session(devices={"band": held((200, 400))}, rate=rise) for _ in range(3)]
    told = run(tmp_path / "study", sessions + [Session(devices={"band": true()}, rate=rise) for _ in range(2)])
    assert [round(100 * x, 1) for x in exact(3, 5)] == [14.7, 94.7]
    assert told.claim("state_frozen") == (
        "In 3 of 5 sessions (exact 95 %: 15 to 95 %) it held one value while the true heart rate moved, for at least "
        "1 min, longest 3 min 21 s (S01-E1). 10 min 3 s in all."
    )
    assert told.claim("tracking").startswith("It was right for 80 % of the time (95 % interval ")
    assert "That is 40 min of the 50 min in which" in told.claim("tracking")
    assert told.claim("accuracy").startswith("It was off by 2.0 bpm (95 % interval ")
    assert told.faults() == {"state_frozen"}
    assert seconds_in(told.results) == {"faithful": 2397.0, "frozen": 603.0}


def test_8_drop_outs(tmp_path: Path) -> None:
    """No rows for 30, 90 and 240 s in three of eight sessions.

    The step over each is a second longer, and the reading before it stands for at most 1.5 s: 29.5, 89.5 and 239.5 s
    are missing, together 358.5 s = 5 min 58 s, 7.5 % of 4800 s. A minute or more in two of eight: exact 3.2 to 65.1 %.
    Right for 4441.5 s = 92.5 %; counted as right, all of it. The worst session has 360.5 of 600 s = 60 %.
    """
    sessions = [Session(devices={"band": silent((100, 100 + n))}) for n in (30, 90, 240)]
    told = run(tmp_path / "study", sessions + [Session(devices={"band": true()}) for _ in range(5)])
    assert [round(100 * x, 1) for x in exact(2, 8)] == [3.2, 65.1]
    assert told.claim("missing") == (
        "It gave no value for 5 min 58 s (7 % of the time), in 3 sessions; the longest gap was 4 min (S03-E1). For 1 "
        "min or more in 2 of 8 sessions (exact 95 %: 3 to 65 %)."
    )
    low, high = share_interval([570.5, 510.5, 360.5] + [600.0] * 5)
    assert (round(100 * low), round(100 * high, 1)) == (71, 99.5)
    assert told.claim("tracking") == (
        "It was right for 93 % of the time (95 % interval 71 % to 99.5 %). That is 1 h 14 min of the 1 h 20 min in "
        "which it should have given a value beside a trustworthy reference. Session by session this went from 60 % to "
        "100 %. Time without a value (5 min 58 s) counts as wrong here; counted as right it would be 100 %."
    )
    assert told.faults() == {"missing"}
    assert told.finding("missing").evidence["sessions"] == ["S02", "S03"]


def test_9_two_devices_on_the_same_sessions(tmp_path: Path) -> None:
    """The band halves for 100 s in two of four sessions, the loop never: each has findings of its own.

    Band, 2 of 4: exact 6.8 to 93.2 %; 200 s = 3 min 20 s; right for 2200 of 2400 s = 91.7 %, 37 of 40 min.
    Loop: none of four, 100 % with 0.025^(1/4) = 39.8 % at least.
    """
    sessions = [Session(devices={"band": times(0.5, (100, 200)), "loop": true()}) for _ in range(2)]
    told = run(tmp_path / "study", sessions + [Session(devices={"band": true(), "loop": true()}) for _ in range(2)])
    assert [round(100 * x, 1) for x in exact(2, 4)] == [6.8, 93.2]
    assert told.claim("state_halved") == (
        "In 2 of 4 sessions (exact 95 %: 7 to 93 %) it read about half the true heart rate for at least 1 min, longest "
        "1 min 40 s (S01-E1). 3 min 20 s in all."
    )
    assert "That is 37 min of the 40 min in which" in told.claim("tracking")
    assert told.claim("tracking", "loop") == (
        "It was right for 100 % of the time (95 % interval 40 % to 100 %). That is 40 min of the 40 min in which it "
        "should have given a value beside a trustworthy reference. So it was in every session."
    )
    assert (told.faults("band"), told.faults("loop")) == ({"state_halved"}, set())
    ids = [f.id for f in told.findings]
    assert len(set(ids)) == len(ids)


def test_10_before_and_after_a_change_of_firmware(tmp_path: Path) -> None:
    """Four sessions on 2.0 with 120 s of half rate each, then four on 2.1 without.

    4 of 8: exact 15.7 to 84.3 %. By firmware, from the tables: right for 480 of 600 s = 80 % and for 100 %; mean error
    60 x 120 / 600 = 12 and 0 bpm.
    """
    sessions = [Session(devices={"band": times(0.5, (100, 220))}, firmware="2.0") for _ in range(4)]
    told = run(tmp_path / "study", sessions + [Session(devices={"band": true()}) for _ in range(4)])
    assert [round(100 * x, 1) for x in exact(4, 8)] == [15.7, 84.3]
    assert told.claim("state_halved") == (
        "In 4 of 8 sessions (exact 95 %: 16 to 84 %) it read about half the true heart rate for at least 1 min, "
        "longest 2 min (S01-E1). 8 min in all."
    )
    assert {f.scope for f in told.findings} == {
        "Band, heart rate: one person, one unit, 8 sessions, left wrist, firmware 2.0 and 2.1, against Chest patch"
    }
    by = {r["group"]: r for r in told.results.document["tracking"] if r["by"] == "firmware"}
    assert [by[v]["value"] for v in ("2.0", "2.1")] == [0.8, 1.0]
    rows = [r for r in told.results.document["agreement"] if r["by"] == "firmware" and r["readings"] == "all"]
    mae = {r["group"]: r["statistics"]["mae"]["value"] for r in rows if r["clock"] in ("declared", "fitted")}
    assert mae == pytest.approx({"2.0": 12.0, "2.1": 0.0}, abs=1e-3)


def test_11_a_reference_that_sees_every_second_beat(tmp_path: Path) -> None:
    """In two of five sessions the patch counts every second beat for 100 s; the band is right all along.

    The band must not be called doubled. 200 s = 3 min 20 s of 3000 s (6.7 %) are left out, 2800 s = 47 min are judged,
    all right. With them the mean error would be (120 - 60) x 200 / 3000 = 4.0 bpm.
    """
    sessions = [Session(devices={"band": true()}, skipped=((200, 300),)) for _ in range(2)]
    told = run(tmp_path / "study", sessions + [Session(devices={"band": true()}) for _ in range(3)])
    assert told.faults() == set()
    assert told.finding("not_seen").evidence["states"] == ["halved", "doubled", "frozen"]
    assert told.claim("tracking") == (
        "It was right for 100 % of the time (95 % interval 48 % to 100 %). That is 47 min of the 47 min in which it "
        "should have given a value beside a trustworthy reference. So it was in every session. Another 3 min 20 s "
        "could not be judged."
    )
    doubtful = told.finding("reference_doubtful").evidence
    assert (doubtful["seconds"], doubtful["sessions"]) == (pytest.approx(200.0, abs=2.0), ["S01", "S02"])
    assert doubtful["mae_without"] == pytest.approx(0.0, abs=1e-3)
    assert doubtful["mae_with"] == pytest.approx(4.0, abs=0.02)


def test_12_three_people(tmp_path: Path) -> None:
    """Four sessions each; half rate for 100 s in three of the first person's and one of the second's.

    4 of 12: exact 9.9 to 65.1 %; two of three people; 400 s = 6 min 40 s. Right for 6800 of 7200 s = 94.4 %.
    """
    struck = (0, 1, 2, 4)
    sessions = [
        Session(devices={"band": times(0.5, (100, 200)) if k in struck else true()}, person=f"p{k // 4 + 1}")
        for k in range(12)
    ]
    told = run(tmp_path / "study", sessions)
    assert [round(100 * x, 1) for x in exact(4, 12)] == [9.9, 65.1]
    assert told.claim("state_halved") == (
        "In 4 of 12 sessions (exact 95 %: 10 to 65 %) it read about half the true heart rate for at least 1 min, "
        "longest 1 min 40 s (S01-E1). 6 min 40 s in all. It struck two of three people."
    )
    assert told.claim("tracking").startswith("It was right for 94 % of the time (95 % interval ")
    assert {f.scope for f in told.findings} == {
        "Band, heart rate: three people, 12 sessions, left wrist, firmware 2.1, against Chest patch (number of units "
        "not told)"
    }


def test_lapses_are_told_and_are_no_fault(tmp_path: Path) -> None:
    """Half rate for 20, 30 and 34 s in three of five sessions: 84 s, never a minute, so no fault.

    None of five sessions counts: up to 1 - 0.025^(1/5) = 52.2 % could.
    """
    sessions = [Session(devices={"band": times(0.5, (100, 100 + n))}) for n in (20, 30, 34)]
    told = run(tmp_path / "study", sessions + [Session(devices={"band": true()}) for _ in range(2)])
    assert told.faults() == set()
    assert told.claim("lapses") == (
        "Shorter lapses, too short to count (under 1 min in a session, or one reading): “about half”, 1 min 24 s in "
        "all in 3 sessions."
    )
    assert told.claim("not_seen").startswith(
        "Not seen for 1 min or more in any session: “about half”, “about double” and “stuck on one value”. With 5 "
        "sessions without it, something that strikes up to 52 % of sessions could still have gone unseen."
    )


def test_a_declaration_says_how_long_a_failure_must_hold(tmp_path: Path) -> None:
    """The same study, but 25 s were declared beforehand: 30 and 34 s count, two of five: exact 5.3 to 85.3 %."""
    folder = tmp_path / "study"
    write(folder, [Session(devices={"band": times(0.5, (100, 100 + n)) if n else true()}) for n in (20, 30, 34, 0, 0)])
    declaration = Declaration(
        question="Does it halve?",
        primary=Primary(statistic="mae", device="band", quantity="heart_rate"),
        sessions_planned=5,
        stopping="after five",
        systematic=Systematic(share_of_sessions=0.5, least_seconds=25.0),
    )
    record_declaration(folder, declaration)
    told = analysed(folder)
    assert [round(100 * x, 1) for x in exact(2, 5)] == [5.3, 85.3]
    assert told.claim("state_halved") == (
        "In 2 of 5 sessions (exact 95 %: 5 to 85 %) it read about half the true heart rate for at least 25 s, longest "
        "34 s (S03-E1). 1 min 4 s in all."
    )
    assert told.claim("lapses") == (
        "Shorter lapses, too short to count (under 25 s in a session, or one reading): “about half”, 20 s in all in 1 "
        "session."
    )


def test_following_a_cadence_that_one_session_alone_recorded(tmp_path: Path) -> None:
    """The band shows 85, the cadence, for 100 s beside 150 bpm; the other three sessions have no cadence to follow."""
    rate = ((0.0, 150.0), (600.0, 150.0))
    locked = Session(
        devices={"band": lambda r: np.where(np.arange(r.size) // 100 == 2, 85.0, r)}, rate=rate, cadence=85.0
    )
    told = run(
        tmp_path / "study", [locked, *(Session(devices={"band": true(more=k)}, rate=rate) for k in (1.0, 2.0, 3.0))]
    )
    assert told.claim("state_cadence_locked") == (
        "In the only session that could show it, it agreed with the cadence rather than with the heart rate for at "
        "least 1 min, longest 1 min 40 s (S01-E1). 1 min 40 s in all. Only 1 session had a cadence beside it."
    )


def test_a_held_value_that_is_right_is_no_fault(tmp_path: Path) -> None:
    """The rate swings between 117 and 123, and the band says 120 throughout: at most 3 bpm off, so nothing is wrong."""
    corners = [(50.0 * k, 123.0 if k % 2 else 117.0) for k in range(13)]
    steady = Session(devices={"band": lambda rate: np.full(rate.size, 120.0)}, rate=corners)
    told = run(tmp_path / "study", [steady for _ in range(4)])
    assert told.faults() == set()
    assert told.finding("not_seen").evidence["states"] == ["halved", "doubled", "frozen"]
