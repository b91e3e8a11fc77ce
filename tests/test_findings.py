"""Findings: whole sentences, stable ids, and no claim stronger than its interval."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import polars as pl
import pytest

from invented_results import invented
from wearbench.core.resample import exact_proportion
from wearbench.findings import Finding, find, subjects
from wearbench.study.results import PAIRS
from wearbench.wording import duration, number, share, signed


def kinds(findings: list[Finding], device: str = "band-a") -> dict[str, Finding]:
    return {f.evidence["kind"]: f for f in findings if f.device == device}


def statistic(value: float | None, low: float | None = None, high: float | None = None, why: str | None = None) -> Any:
    return {"value": value, "low": low, "high": high, "method": "t", "n": 12, "why": why}


def pairs_of(sessions: int, *, people: int = 6) -> pl.DataFrame:
    """Two readings a session, right; only what findings look at besides the document."""
    rows = {
        "session": [f"S{k // 2 + 1:02d}" for k in range(2 * sessions)],
        "participant": [f"P{k // 2 % people}" for k in range(2 * sessions)],
        "device": ["band"] * 2 * sessions,
        "quantity": ["heart_rate"] * 2 * sessions,
        "wear_site": ["left wrist"] * 2 * sessions,
        "firmware": ["2.1"] * 2 * sessions,
        "seconds": [1.0] * 2 * sessions,
        "used": [True] * 2 * sessions,
        "state": ["faithful"] * 2 * sessions,
    }
    frame = pl.DataFrame(rows)
    missing = [pl.lit(None, dtype=kind).alias(name) for name, kind in PAIRS.items() if name not in frame.columns]
    return frame.with_columns(missing).select(list(PAIRS))


def document_of(**parts: Any) -> dict[str, Any]:
    return {
        "settings": {"confidence": 0.95},
        "devices": [{"device": "band", "label": "Band", "role": "tested"}],
        **parts,
    }


def agreement(by: str = "all", group: str = "all", readings: str = "all", n: int = 12, **statistics: Any) -> Any:
    return {
        "device": "band",
        "reference_device": "patch",
        "quantity": "heart_rate",
        "unit": "bpm",
        "by": by,
        "group": group,
        "readings": readings,
        "clock": "fitted",
        "n_pairs": 2 * n,
        "n_sessions": n,
        "n_participants": 6,
        "statistics": statistics,
    }


def seconds(**states: float) -> list[Any]:
    return [
        {
            "device": "band",
            "quantity": "heart_rate",
            "by": "all",
            "group": "all",
            "state": s,
            "seconds": t,
            "share": 0.0,
        }
        for s, t in states.items()
    ]


def episode(session: str, state: str, length: float, number_: int = 1, also: str | None = None) -> Any:
    return {
        "id": f"{session}-E{number_}",
        "session": session,
        "device": "band",
        "quantity": "heart_rate",
        "state": state,
        "also": also,
        "seconds": length,
    }


def claims(document: dict[str, Any], pairs: pl.DataFrame) -> dict[str, str]:
    return {f.evidence["kind"]: f.claim for f in find(document, pairs)}


def test_failure_state_whole_sentence() -> None:
    hit = [f"S{k:02d}" for k in range(1, 10)]
    episodes = [episode(s, "halved", 490.0 if s == "S09" else 60.0) for s in hit]
    document = document_of(states=seconds(faithful=20000, halved=970), episodes=episodes)
    assert claims(document, pairs_of(12))["state_halved"] == (
        "In 9 of 12 sessions (exact 95 %: 43 to 95 %) it read about half the true heart rate for at least 1 min, "
        "longest 8 min 10 s (S09-E1). 16 min 10 s in all. It struck all six people."
    )


def test_failure_state_says_where_two_explanations_fit() -> None:
    episodes = [episode("S01", "halved", 60.0, also="cadence_locked"), episode("S02", "halved", 30.0)]
    document = document_of(states=seconds(faithful=2000, halved=90), episodes=episodes)
    assert claims(document, pairs_of(12))["state_halved"].endswith(
        "In 1 of 2 episodes “stuck to cadence” fits as well: the two cannot be told apart."
    )


def test_failure_state_uses_the_studys_own_count_of_sessions_affected() -> None:
    affected = [
        {"device": "band", "quantity": "heart_rate", "state": "halved", "sessions": ["S01"], "n_sessions": 12}
        | {"least_seconds": 30.0, "n_affected": 1, "share": statistic(1 / 12)}
    ]
    episodes = [episode("S01", "halved", 60.0), episode("S02", "halved", 5.0)]
    document = document_of(states=seconds(faithful=2000, halved=65), episodes=episodes, affected=affected)
    claim = claims(document, pairs_of(12))["state_halved"]
    assert claim.startswith("In 1 of 12 sessions (exact 95 %: 0.2 to 38 %) it read about half")
    assert "for at least 30 s, longest 1 min (S01-E1)." in claim


def test_states_never_seen_give_the_bound() -> None:
    document = document_of(states=seconds(faithful=2000))
    bound = exact_proportion(0, 12)[1]
    assert claims(document, pairs_of(12))["not_seen"] == (
        "Not seen for 1 min or more in any session: “about half”, “about double”, “stuck to cadence” and “stuck on one "
        f"value”. With 12 sessions without it, something that strikes up to {share(bound)} of sessions could still "
        "have gone unseen."
    )


def affected(state: str = "halved", *, sessions: tuple[str, ...] = (), n: int = 12, **more: Any) -> Any:
    """A row of sessions affected; nothing brief, nothing unsure."""
    k = len(sessions)
    return {
        "device": "band",
        "quantity": "heart_rate",
        "state": state,
        "fault": k > 0,
        "sessions": list(sessions),
        "n_affected": k,
        "n_sessions": n,
        "least_seconds": 60.0,
        "share": statistic(k / n if n else None),
        "seconds": 100.0 * k,
        "affected_seconds": 100.0 * k,
        "n_episodes": k,
        "n_also": 0,
        "longest_seconds": 100.0 if k else 0.0,
        "longest": f"{sessions[0]}-E1" if k else None,
        "brief_sessions": [],
        "brief_seconds": 0.0,
        "unsure_sessions": [],
        "unsure_seconds": 0.0,
        **more,
    }


def test_lapses_and_unsure_stretches_are_told_apart_and_are_no_fault() -> None:
    rows = [
        affected("halved", brief_sessions=["S01", "S02", "S05"], brief_seconds=34.0),
        affected("astray", brief_sessions=["S03"], brief_seconds=12.0),
        affected("frozen", unsure_sessions=["S04", "S07"], unsure_seconds=80.0),
    ]
    document = document_of(states=seconds(faithful=9000), affected=rows)
    found = {f.evidence["kind"]: f for f in find(document, pairs_of(12))}
    assert found["lapses"].claim == (
        "Shorter lapses, too short to count (under 1 min in a session, or one reading): “about half”, 34 s in all in 3 "
        "sessions; “wrong otherwise”, 12 s in all in 1 session."
    )
    assert found["unsure"].claim == "Not sure enough to count: “stuck on one value”, 1 min 20 s in all in 2 sessions."
    assert not any(f.evidence.get("fault") for f in found.values())
    assert not any(kind.startswith("state_") for kind in found)


def test_all_sessions_affected_give_the_lower_bound_and_none_the_upper() -> None:
    every = tuple(f"S{k:02d}" for k in range(1, 7))
    rows = [affected("halved", sessions=every, n=6), affected("doubled", n=6)]
    said = claims(document_of(states=seconds(faithful=9000), affected=rows), pairs_of(6, people=1))
    assert said["state_halved"] == (
        "In all 6 sessions (exact 95 %: 54 % or more) it read about half the true heart rate for at least 1 min, "
        "longest 1 min 40 s (S01-E1). 10 min in all."
    )
    assert said["not_seen"] == (
        "Not seen for 1 min or more in any session: “about double”. With 6 sessions without it, something that strikes "
        "up to 46 % of sessions could still have gone unseen."
    )


def test_following_the_cadence_is_counted_where_a_cadence_was_recorded() -> None:
    rows = [affected("cadence_locked", sessions=("S01",), n=4), affected("halved")]
    said = claims(document_of(states=seconds(faithful=9000), affected=rows), pairs_of(12, people=1))
    assert said["state_cadence_locked"] == (
        "In 1 of 4 sessions (exact 95 %: 0.6 to 81 %) it agreed with the cadence rather than with the heart rate for "
        "at least 1 min, longest 1 min 40 s (S01-E1). 1 min 40 s in all. Only 4 sessions had a cadence beside it."
    )
    few = [affected("halved"), affected("cadence_locked", n=4)]
    assert claims(document_of(states=seconds(faithful=9000), affected=few), pairs_of(12))["not_seen"] == (
        "Not seen for 1 min or more in any session: “about half”. With 12 sessions without it, something that strikes "
        "up to 26 % of sessions could still have gone unseen. Nor was “stuck to cadence”, which only 4 sessions with "
        "cadence could show (up to 60 %)."
    )


def test_sessions_of_one_activity_are_called_by_it() -> None:
    sessions = [{"session": f"S{k:02d}", "activity": "rowing", "columns": {}} for k in range(1, 13)]
    document = document_of(
        states=seconds(faithful=9000), affected=[affected(sessions=("S01", "S02"))], sessions=sessions
    )
    assert "In 2 of 12 sessions of rowing (exact" in claims(document, pairs_of(12))["state_halved"]


def test_scope_counts_units_where_the_sessions_name_them() -> None:
    sessions = [{"session": f"S{k:02d}", "columns": {"unit.band": f"u{k % 2}"}} for k in range(1, 13)]
    document = document_of(states=seconds(faithful=9000), sessions=sessions)
    (subject,) = subjects(document, pairs_of(12))
    assert subject.scope == "six people, two units, 12 sessions, left wrist, firmware 2.1"


def test_scope_says_what_is_not_told() -> None:
    pairs = pairs_of(12).with_columns(
        firmware=pl.lit(None, dtype=pl.String),
        wear_site=pl.lit(None, dtype=pl.String),
        reference_device=pl.lit("patch"),
    )
    (subject,) = subjects(document_of(states=seconds(faithful=9000)), pairs)
    assert subject.scope == (
        "six people, 12 sessions, against patch (number of units, wear site and firmware not told)"
    )


def test_accuracy_whole_sentence() -> None:
    row = agreement(
        mae=statistic(10.2, 7.2, 13.7),
        bias=statistic(-7.2, -11.3, -3.1),
        limit_low=statistic(-58.0, -65.0, -51.0),
        limit_high=statistic(44.0, 37.0, 51.0),
    )
    assert claims(document_of(agreement=[row]), pairs_of(12))["accuracy"] == (
        "It was off by 10.2 bpm (95 % interval 7.2 to 13.7) on average, over all readings. On balance it read too low: "
        "−7.2 bpm (95 % interval −11.3 to −3.1). About 19 of 20 readings lie between −58 and +44 bpm of the reference; "
        "the data allow −65 to +51."
    )


@pytest.mark.parametrize(("low", "high"), [(-3.0, 0.5), (0.0, 2.0), (-1.0, 1.0), (None, None)])
def test_no_leaning_is_claimed_when_the_interval_holds_zero_or_is_missing(
    low: float | None, high: float | None
) -> None:
    row = agreement(
        mae=statistic(3.0, 2.0, 4.0), bias=statistic(0.3, low, high, None if low is not None else "one pair")
    )
    claim = claims(document_of(agreement=[row]), pairs_of(12))["accuracy"]
    assert "too low" not in claim
    assert "too high" not in claim


def test_statistic_without_value_says_why() -> None:
    row = agreement(mae=statistic(None, why="no pairs"), bias=statistic(None, why="no pairs"))
    assert claims(document_of(agreement=[row]), pairs_of(12))["accuracy"] == (
        "How far it was off on average cannot be given: no pairs. Which way it leans cannot be given: no pairs."
    )


def test_faithful_readings_stand_beside_the_tracking_share_with_their_caution() -> None:
    rows = [agreement(mae=statistic(9.0, 6.0, 12.0)), agreement(readings="faithful", mae=statistic(1.1, 1.0, 1.2))]
    document = document_of(agreement=rows, states=seconds(faithful=800, halved=200))
    assert claims(document, pairs_of(12))["accuracy_faithful"] == (
        "While it was right (80 % of the time) it was off by 1.10 bpm (95 % interval 1.00 to 1.20) on average. These "
        "readings were chosen for being close, so this is not comparable with published errors."
    )
    alone = document_of(agreement=rows)
    assert "accuracy_faithful" not in claims(alone, pairs_of(12))


def test_tracking_counts_missing_time_both_ways() -> None:
    document = document_of(states=seconds(faithful=700, halved=200, missing=100))
    claim = claims(document, pairs_of(12))["tracking"]
    assert claim.startswith("It was right for 70 % of the time. That is 11 min 40 s of the 16 min 40 s in which")
    assert "Time without a value (1 min 40 s) counts as wrong here; counted as right it would be 80 %." in claim


def test_tracking_share_of_the_results_is_shown_with_its_interval() -> None:
    own = {"device": "band", "quantity": "heart_rate", "by": "all", "group": "all", "value": 0.83, "low": 0.71}
    own |= {"high": 0.92, "missing_all_right": 0.84, "faithful_seconds": 830.0, "judged_seconds": 990.0}
    own |= {"missing_seconds": 10.0, "method": "exact at the effective number of 6 participants"}
    document = document_of(states=seconds(faithful=1), tracking=[own])
    claim = claims(document, pairs_of(12))["tracking"]
    assert claim.startswith("It was right for 83 % of the time (95 % interval 71 % to 92 %). ")


@pytest.mark.parametrize(
    ("after", "said"),
    [
        ((2.0, 1.0, 3.0), "The two differ by more than their intervals (smaller error on 2.1);"),
        ((7.0, 4.0, 12.0), "The intervals overlap or are missing: no change can be claimed, and none ruled out."),
    ],
)
def test_firmware_is_described_never_claimed_beyond_the_interval(after: tuple[float, float, float], said: str) -> None:
    rows = [
        agreement("firmware", "2.0", mae=statistic(9.0, 6.0, 12.0)),
        agreement("firmware", "2.1", mae=statistic(*after)),
    ]
    pairs = pairs_of(12).with_columns(
        firmware=pl.when(pl.col("session") < "S07").then(pl.lit("2.0")).otherwise(pl.lit("2.1")),
        time=pl.datetime(2031, 1, 12, time_zone="UTC", time_unit="us") + pl.duration(hours=pl.int_range(24)),
    )
    assert said in claims(document_of(agreement=rows), pairs)["firmware"]


def test_activities_whose_intervals_overlap_may_be_chance() -> None:
    rows = [
        agreement("activity", "stairs", mae=statistic(9.0, 3.0, 15.0)),
        agreement("activity", "rest", mae=statistic(2.0, 1.0, 4.0)),
    ]
    assert claims(document_of(agreement=rows), pairs_of(12))["worst_activity"] == (
        "The largest mean error came with stairs: 9 bpm (95 % interval 3 to 15); the smallest with rest: 2.0 bpm (95 % "
        "interval 1.0 to 4.0). The intervals overlap or are missing, so this order may be chance."
    )


def test_clock_whole_sentence() -> None:
    fits = [
        {"session": f"S{k:02d}", "device": "band", "offset_s": 34.0, "low_s": 32.0, "high_s": 36.0}
        | {"offset_is": "clock_minus_delay", "trust": "good"}
        for k in range(1, 4)
    ]
    document = document_of(states=seconds(faithful=1), clock=fits)
    assert claims(document, pairs_of(3))["clock"] == (
        "Its clock was 34.0 s (±2.0) behind in all 3 sessions; whether its clock was off or its values came late "
        "cannot be told apart."
    )


def test_clock_that_moves_from_session_to_session() -> None:
    offsets = (-20.0, 30.0, 34.0)
    fits = [
        {"session": f"S{k:02d}", "device": "band", "offset_s": offset, "low_s": offset - 1, "high_s": offset + 1}
        | {"offset_is": "clock", "trust": "weak" if k == 1 else "good"}
        for k, offset in enumerate(offsets)
    ]
    document = document_of(states=seconds(faithful=1), clock=fits)
    assert claims(document, pairs_of(3))["clock"] == (
        "Its clock was 30.0 s (±1.0) behind in the middle session, from −20.0 to +34.0 s over 3 sessions (plus is "
        "behind). The fit is weak in 1 session: S01."
    )


def test_declared_clock_is_said_to_be_declared() -> None:
    fit = {"session": "S01", "device": "band", "offset_s": 0.0, "low_s": 0.0, "high_s": 0.0, "trust": "declared"}
    document = document_of(states=seconds(faithful=1), clock=[fit])
    assert claims(document, pairs_of(1))["clock"] == (
        "Its clock was declared, not fitted (0.00 s). All that is said here rests on that."
    )


def test_one_session_never_gets_a_general_claim() -> None:
    results = invented(sessions=1)
    findings = find(results.document, results.pairs)
    said = kinds(findings)
    assert said["one_session"].claim == (
        "One session is an anecdote; more sessions, on other days, would make it more."
    )
    assert not any(word in f.claim for f in findings for word in ("Share of sessions", "of 1 session", "in 1 of"))
    assert "worst_activity" not in said
    assert "firmware" not in said
    assert all(
        f.claim.startswith("In this one session it") for f in findings if f.evidence["kind"].startswith("state_")
    )
    assert all("one person, one unit, one session" in f.scope for f in findings)


def test_one_participant_is_said_in_every_scope() -> None:
    results = invented(sessions=5, participants=1)
    assert all("one person, one unit, 5 sessions" in f.scope for f in find(results.document, results.pairs))


def test_scope_names_people_sessions_site_and_firmware() -> None:
    results = invented(sessions=8, participants=4)
    scopes = {f.scope for f in find(results.document, results.pairs) if f.device == "band-a"}
    assert scopes == {
        "Band A, heart rate: four people, 8 sessions, left wrist, firmware 2.0 and 2.1, against Chest patch (number of "
        "units not told)"
    }


def test_ids_are_unique_and_do_not_change_with_the_data() -> None:
    first, second = invented(sessions=8), invented(sessions=12, seed=9)
    one, two = (find(r.document, r.pairs) for r in (first, second))
    assert len({f.id for f in one}) == len(one)
    both = {(f.device, f.evidence["kind"]) for f in one} & {(f.device, f.evidence["kind"]) for f in two}
    ids = [{(f.device, f.evidence["kind"]): f.id for f in each} for each in (one, two)]
    assert len(both) > 10
    assert all(ids[0][key] == ids[1][key] for key in both)


def test_finding_carries_evidence_that_json_can_hold() -> None:
    import json

    results = invented(sessions=6)
    for finding in find(results.document, results.pairs):
        assert finding.evidence["kind"]
        assert json.loads(json.dumps(asdict(finding), allow_nan=False))["id"] == finding.id


def test_device_whose_reference_is_missing_everywhere_is_not_judged() -> None:
    results = invented(sessions=3)
    pairs = results.pairs.with_columns(used=pl.lit(value=False), reason=pl.lit("no_reference"))
    document = {**results.document, "agreement": [], "states": [], "episodes": []}
    said = kinds(find(document, pairs))
    assert said["nothing_judged"].claim == (
        "Nothing could be judged: no reading has a trustworthy reference beside it (reasons: no reference)."
    )
    assert "tracking" not in said
    assert "accuracy" not in said


def test_device_without_any_pair_is_still_a_subject() -> None:
    results = invented(sessions=3)
    pairs = results.pairs.filter(pl.col("device") != "band-a")
    assert [s.device for s in subjects(results.document, pairs)] == ["band-a", "band-b"]
    find(results.document, pairs)


def test_nothing_at_all_gives_no_findings() -> None:
    assert find({}, pl.DataFrame(schema=PAIRS)) == []


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (0.2, "under 1 s"),
        (48, "48 s"),
        (490, "8 min 10 s"),
        (2460, "41 min"),
        (7500, "2 h 05 min"),
        (273_600, "3 d 4 h"),
        (None, "–"),
    ],
)
def test_duration(given: float | None, said: str) -> None:
    assert duration(given) == said


@pytest.mark.parametrize(
    ("value", "uncertainty", "said"),
    [(10.234, 3.2, "10.2"), (-7.16, 4.1, "−7.2"), (44.2, 7.0, "44"), (1.0892, 0.05, "1.09"), (-0.001, 3.0, "0.0")],
)
def test_number_is_rounded_by_its_uncertainty(value: float, uncertainty: float, said: str) -> None:
    assert number(value, uncertainty=uncertainty) == said


def test_share_is_never_rounded_to_all_or_nothing() -> None:
    assert [share(x) for x in (0.0, 0.0004, 0.004, 0.5, 0.996, 0.9999, 1.0, None)] == [
        *("0 %", "under 0.1 %", "0.4 %", "50 %", "99.6 %", "over 99.9 %", "100 %", "–")
    ]


def test_signed() -> None:
    assert [signed(x) for x in (3.0, -3.0, 0.0)] == ["+3.0", "−3.0", "0.00"]


def overlap(first: str, second: str, *, differ: int, both: int, **more: Any) -> Any:
    return {
        "kind": "export",
        "device": "band",
        "quantity": "heart_rate",
        "unit": "bpm",
        "first": f"raw/_all/{first}",
        "second": f"raw/_all/{second}",
        "n_both": both,
        "n_identical": both - differ,
        "n_filled": 0,
        "most": 31.0,
        "differences": [],
        **more,
    }


def difference(time: str) -> Any:
    return {"time": time, "first": 60.0, "second": 91.0}


SESSION = {"session": "S01", "start": "2031-01-12T08:00:00Z", "end": "2031-01-12T08:40:00Z"}


def test_exports_that_disagree_whole_sentence() -> None:
    told = [difference(f"2031-01-12T03:{k % 60:02d}:00Z") for k in range(214)]
    row = overlap("band@march11.csv", "band.csv", differ=214, both=20160, differences=told)
    (found,) = find(document_of(overlaps=[row], sessions=[SESSION], states=seconds(faithful=9.0)), pairs_of(1))[-1:]
    assert found.claim == (
        "Two exports of it cover the same time and do not say the same: 214 of the 20,160 values that band.csv and "
        "band@march11.csv share differ, by up to 31 bpm; those of band@march11.csv are used. None of it lies in a "
        "session that was compared."
    )
    assert found.evidence["rows"][0]["n_both"] - found.evidence["rows"][0]["n_identical"] == 214
    assert found.evidence["rows"][0]["span"] == ["2031-01-12T03:00:00+00:00", "2031-01-12T03:59:00+00:00"]
    assert found.evidence["sessions"] == []


def test_exports_that_disagree_inside_a_session_name_it_on_the_sessions_clock() -> None:
    row = overlap("band@b.csv", "band.csv", differ=1, both=10, differences=[difference("2031-01-12T07:30:00Z")])
    clock = [{"session": "S01", "device": "band", "quantity": "heart_rate", "offset_s": 3600.0, "trust": "good"}]
    document = document_of(overlaps=[row], sessions=[SESSION], clock=clock, states=seconds(faithful=9.0))
    said = claims(document, pairs_of(1))["exports_differ"]
    assert said.endswith("Some of that lies in 1 session compared here (S01).")
    assert claims({**document, "clock": []}, pairs_of(1))["exports_differ"].endswith(
        "None of it lies in a session that was compared."
    )


def test_exports_whose_differences_are_not_all_listed_clear_no_session() -> None:
    row = overlap("band@b.csv", "band.csv", differ=1200, both=2000, differences=[difference("2031-01-12T03:00:00Z")])
    said = claims(document_of(overlaps=[row], sessions=[SESSION], states=seconds(faithful=9.0)), pairs_of(1))
    assert said["exports_differ"].endswith("those of band@b.csv are used.")


def test_exports_that_agree_and_parts_are_no_finding() -> None:
    same = overlap("band@b.csv", "band.csv", differ=0, both=2000)
    part = overlap("band.part2.csv", "band.part1.csv", differ=3, both=20, kind="part")
    assert "exports_differ" not in claims(document_of(overlaps=[same, part], states=seconds(faithful=9.0)), pairs_of(1))


def test_exports_of_a_reference_are_told_too_with_an_id_that_stays() -> None:
    rows = [
        overlap("patch@b.csv", "patch.csv", differ=2, both=10, device="patch", quantity="rr", unit="ms", most=4.0),
        overlap("patch@c.csv", "patch.csv", differ=5, both=10, device="patch", quantity="rr", unit="ms", most=9.0),
    ]
    (found,) = find(document_of(overlaps=rows), pairs_of(1).clear())
    assert (found.device, found.scope) == ("patch", "patch, RR intervals")
    assert found.claim == (
        "2 pairs of its exports cover the same time and do not say the same: 5 of the 10 values that patch.csv and "
        "patch@c.csv share differ, by up to 9 ms; those of patch@c.csv are used; 2 of the 10 values that patch.csv and "
        "patch@b.csv share differ, by up to 4 ms; those of patch@b.csv are used."
    )
    assert found.id == find(document_of(overlaps=rows[:1]), pairs_of(1).clear())[0].id


def unknown_version(**changes: Any) -> Any:
    return {
        "device": "band",
        "quantity": "heart_rate",
        "before": "2.0",
        "after": "2.1",
        "sessions_before": ["S01"],
        "sessions_after": ["S03"],
        "sessions_unknown": ["S02"],
        "mae_change_as_before": -3.2,
        "mae_change_as_after": 1.4,
        "matters": True,
        **changes,
    }


def test_sessions_of_unknown_firmware_are_counted_both_ways() -> None:
    document = document_of(states=seconds(faithful=9.0), versions=[unknown_version()])
    assert claims(document, pairs_of(3))["firmware"] == (
        "Firmware: in 1 session (S02) it ran 2.0 or 2.1, which of the two is not known: counted as 2.0, the mean error "
        "falls by 3.2 bpm from 2.0 to 2.1; counted as 2.1, it rises by 1.4 bpm. The answer depends on it."
    )


def test_unknown_firmware_that_changes_nothing_says_so_and_one_side_alone_has_no_change() -> None:
    same = document_of(
        states=seconds(faithful=9.0), versions=[unknown_version(mae_change_as_after=-0.4, matters=False)]
    )
    assert claims(same, pairs_of(3))["firmware"].endswith(
        "counted as 2.1, it falls by 0.4 bpm. The direction is the same either way."
    )
    alone = document_of(states=seconds(faithful=9.0), versions=[unknown_version(mae_change_as_before=None)])
    assert claims(alone, pairs_of(3))["firmware"] == (
        "Firmware: in 1 session (S02) it ran 2.0 or 2.1, which of the two is not known."
    )
    known = document_of(states=seconds(faithful=9.0), versions=[unknown_version(sessions_unknown=[])])
    assert "firmware" not in claims(known, pairs_of(3))


def test_each_of_several_rhythms_says_what_it_cannot_show() -> None:
    rhythms = [
        {"device": "band", "quantity": "heart_rate", "rhythm": name, "usual_s": usual, "averaging_s": averaging}
        | {"share_of_time": part}
        for name, usual, averaging, part in (
            ("one value a second", 1.0, 8.0, 0.9),
            ("one value a minute", 60.0, 60.0, 0.1),
            ("all", None, None, 1.0),
        )
    ]
    document = document_of(states=seconds(faithful=9.0), rhythms=rhythms)
    assert claims(document, pairs_of(3))["rhythm"] == (
        "It kept two rhythms: one value a second (90 % of the time compared) and one value a minute (10 % of the time "
        "compared). Nothing can be seen under about 8 s where it gave one value a second and under about 2 min where "
        "it gave one value a minute."
    )


def test_clocks_hours_apart_are_told_in_hours_and_what_each_looks_like() -> None:
    asks = {
        "S02": "its clock is 1 h 01 min behind, which is the zone's own offset (UTC+01:00): UTC read as local time?",
        "S03": "its clock is 1 h 00 min behind, which is the zone's own offset (UTC+01:00): UTC read as local time?",
    }
    clock = [
        {"session": f"S0{k}", "device": "band", "quantity": "heart_rate", "offset_s": offset, "trust": trust}
        | {"low_s": offset - 1, "high_s": offset + 1, "offset_is": "clock", "looks_like": asks.get(f"S0{k}")}
        for k, offset, trust in ((1, 40.0, "good"), (2, 3660.0, "good"), (3, 3610.0, "good"), (4, -50000.0, "refused"))
    ]
    assert claims(document_of(states=seconds(faithful=9.0), clock=clock), pairs_of(4))["clock"] == (
        "Its clock was 1 h behind in the middle session, from 40 s behind to 1 h 01 min behind over 3 "
        "sessions. In S02 and S03: UTC read as local time? It could not be fitted in 1 session: S04."
    )
