from __future__ import annotations

import copy
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from study_folders import invented_results

from wearbench.study import change_lines, changes_between
from wearbench.study.results import plain


def document() -> dict[str, Any]:
    """Two sessions; episodes by the minute, numbers chosen by hand."""
    made: dict[str, Any] = plain(invented_results().document)
    session = made["sessions"][0]
    made["sessions"] = [{**session, "session": name} for name in ("S03", "S13")]
    made["inputs"] = [{"path": f"raw/{name}/band.csv", "sha256": "0" * 64, "bytes": 1} for name in ("S03", "S13")]
    made["settings"] = {"min_covered": 0.8, "workers": 0}
    made["episodes"] = [episode("E1", "S03", "halved", 0, 10), episode("E2", "S03", "frozen", 20, 25)]
    share = {"value": 0.83, "low": 0.75, "high": 0.9, "method": "t", "n": 2, "why": None}
    made["tracking"] = [{"device": "band", "quantity": "heart_rate", "by": "all", "group": "all", **share}]
    made["findings"] = [finding(1.0, 3.0)]
    return made


def episode(name: str, session: str, state: str, first: int, last: int) -> dict[str, Any]:
    return {
        "id": f"{session}-{name}",
        "session": session,
        "device": "band",
        "quantity": "heart_rate",
        "state": state,
        "start": f"2031-01-12T08:{first:02d}:00Z",
        "end": f"2031-01-12T08:{last:02d}:00Z",
    }


def finding(low: float | None, high: float | None, name: str = "F-1") -> dict[str, Any]:
    bias = {"value": 0.0 if low is None or high is None else (low + high) / 2, "low": low, "high": high}
    return {
        "id": name,
        "device": "band",
        "claim": "It read so. And more.",
        "evidence": {"kind": "accuracy", "statistics": {"bias": bias}},
    }


def moved(**parts: Any) -> dict[str, Any]:
    return {**copy.deepcopy(document()), **parts}


def told(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    return change_lines(changes_between(before, after), since="run 4")


def test_the_same_results_give_one_line():
    again = moved(made="2031-02-01T00:00:00Z", settings={"min_covered": 0.8, "workers": 2})
    assert told(document(), again) == ["Since run 4: nothing moved. No finding changed direction."]


def test_a_session_more_and_a_label_that_changed():
    after = document()
    after["sessions"].append({**after["sessions"][0], "session": "S14"})
    after["inputs"].append({"path": "raw/S14/band.csv", "sha256": "1" * 64, "bytes": 1})
    after["episodes"][0]["state"] = "cadence_locked"
    after["episodes"].append(episode("E1", "S14", "halved", 0, 10))
    after["tracking"][0] |= {"value": 0.81, "low": 0.74, "high": 0.88}
    assert told(document(), after) == [
        "Since run 4: +S14. Tracking share 83 -> 81 %. One episode in S03 relabelled. No finding changed direction.",
        "- tracking share 83 % (75 % to 90 %) -> 81 % (74 % to 88 %)",
        "- S03, band: about half -> stuck to cadence relabelled, 2031-01-12 08:00:00 to 08:10:00 UTC",
    ]
    assert told(after, document())[0].startswith("Since run 4: -S14. Tracking share 81 -> 83 %.")


@pytest.mark.parametrize(
    ("episodes", "kinds"),
    [
        # The one it shares most time with is the same one, whatever its id.
        ([("E7", "halved", 1, 9), ("E8", "frozen", 20, 25)], []),
        # Cut in two: the longer piece decides, the rest is no new one.
        ([("E1", "halved", 0, 3), ("E2", "astray", 3, 10), ("E3", "frozen", 20, 25)], ["episode_relabelled"]),
        ([("E1", "halved", 0, 6), ("E2", "astray", 6, 10), ("E3", "frozen", 20, 25)], []),
        # Touching is not overlapping.
        ([("E1", "halved", 10, 12), ("E2", "frozen", 20, 25)], ["episode_vanished", "episode_appeared"]),
        ([], ["episode_vanished", "episode_vanished"]),
        ([("E1", "halved", 0, 10), ("E2", "frozen", 20, 25), ("E3", "halved", 40, 41)], ["episode_appeared"]),
    ],
)
def test_episodes_are_matched_by_time(episodes: list[tuple[str, str, int, int]], kinds: list[str]):
    after = moved(episodes=[episode(name, "S03", state, first, last) for name, state, first, last in episodes])
    assert [change.kind for change in changes_between(document(), after)] == kinds


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ((1.0, 3.0), (-3.0, -1.0), "band: changed direction, from too high to too low [F-1]"),
        (
            (1.0, 3.0),
            (-0.5, 3.0),
            "band: read too high before; its interval now crosses zero, so no direction can be claimed [F-1]",
        ),
        ((-1.0, 1.0), (-3.0, -1.0), "band: no direction could be claimed before; now it reads too low [F-1]"),
        ((1.0, 3.0), (2.0, 4.0), None),
        ((1.0, 3.0), (None, None), None),
    ],
)
def test_directions(before: tuple[float, float], after: tuple[Any, Any], said: str | None):
    found = changes_between(moved(findings=[finding(*before)]), moved(findings=[finding(*after)]))
    assert [change.said for change in found] == ([] if said is None else [said])
    if said is not None:
        lines = change_lines(found, since="run 4")
        assert lines == ["Since run 4: One finding changed direction or crossed zero.", f"- {said}"]


def test_what_went_in_is_told_before_what_came_out():
    after = moved(
        tool={"name": "wearbench", "version": "0.2.0"},
        settings={"min_covered": 0.9},
        inputs=[
            {"path": "raw/S03/band.csv", "sha256": "2" * 64, "bytes": 1},
            {"path": "raw/S13/patch.csv", "sha256": "3" * 64, "bytes": 1},
        ],
        decisions_used=[{"id": "D3", "kind": "leave_out"}],
        declared={"look": 2, "hash": "01-23-45-67-89"},
        deviations=[{"what": "sessions", "said": "7 sessions instead of the 20 planned: 13 fewer"}],
        findings=[finding(1.0, 3.0, name="F-2")],
    )
    assert told(document(), after) == [
        "Since run 4: Three recordings changed. Setting changed: min_covered. No finding changed direction.",
        "- wearbench 0.1.0 -> 0.2.0",
        "- raw/S03/band.csv is another file now",
        "- raw/S13/band.csv is gone",
        "- raw/S13/patch.csv came",
        "- setting min_covered 0.8 -> 0.9",
        "- decision D3 (leave_out) new",
        "- declaration none -> 01-23-45-67-89",
        "- departs from it: 7 sessions instead of the 20 planned: 13 fewer",
        "- finding gone, band: It read so [F-1]",
        "- finding new, band: It read so [F-2]",
    ]


def test_numbers_that_move_by_less_than_is_shown_are_counted():
    after = document()
    after["tracking"][0]["value"] = 0.8301
    assert told(document(), after) == [
        "Since run 4: No finding changed direction.",
        "- 1 number moved by less than is shown.",
    ]
    after["tracking"][0]["value"] = 0.83 * (1 + 1e-12)
    assert changes_between(document(), after) == ()


def test_devices_are_named_where_there_are_several():
    before, after = document(), document()
    for one in (before, after):
        one["tracking"].append({**one["tracking"][0], "device": "loop"})
    after["tracking"][1] |= {"value": None, "low": None, "high": None, "why": "nothing was judged"}
    assert told(before, after) == [
        "Since run 4: Tracking share (loop, heart rate) 83 % -> –. No finding changed direction.",
        "- loop, heart rate: tracking share 83 % (75 % to 90 %) -> – (nothing was judged)",
    ]


def test_a_share_whose_interval_alone_moved_is_not_said_twice():
    after = document()
    after["tracking"][0]["low"] = 0.7
    assert told(document(), after) == [
        "Since run 4: No finding changed direction.",
        "- tracking share 83 % (75 % to 90 %) -> 83 % (70 % to 90 %)",
    ]


def bout(name: str, first_s: float, *, moved_s: float | None = None, clock: str | None = None) -> dict[str, Any]:
    """Five minutes of it."""
    start = datetime(2031, 1, 12, 8, tzinfo=UTC) + timedelta(seconds=first_s)
    return {
        "bout": name,
        "start": start.isoformat(),
        "end": (start + timedelta(minutes=5)).isoformat(),
        "clock": clock,
        "moved_s": moved_s,
    }


def with_bouts(*bouts: dict[str, Any]) -> dict[str, Any]:
    made = document()
    made["sessions"][0]["bouts"] = list(bouts)
    return made


def test_bouts_that_moved_with_a_clock():
    # three laps on the band's clock, written at 0, 300 and 600 s; its offset was -2 s, then -14.2 s
    before = with_bouts(*[bout(f"lap {n}", 300 * n - 2, moved_s=-2.0, clock="band") for n in range(3)])
    after = with_bouts(*[bout(f"lap {n}", 300 * n - 14.2, moved_s=-14.2, clock="band") for n in range(3)])
    assert told(before, after) == [
        "Since run 4: 3 bouts of S03 moved by 12 s with the clock of Wrist band. No finding changed direction.",
        "- 3 bouts of S03 moved by 12 s with the clock of Wrist band",
    ]
    (change,) = changes_between(before, after)
    assert change.about == "S03"
    assert change.after == pytest.approx({"lap 0": -12.2, "lap 1": -12.2, "lap 2": -12.2})


def test_bouts_that_hardly_moved_are_not_told():
    before = with_bouts(bout("lap 1", 0, moved_s=0.0, clock="band"))
    after = with_bouts(bout("lap 1", 2.9, moved_s=2.9, clock="band"))
    assert told(before, after) == ["Since run 4: nothing moved. No finding changed direction."]


def test_bouts_that_the_table_moved_came_and_went():
    before = with_bouts(bout("warm", 0), bout("hard", 300), bout("hard", 600), bout("gone", 900))
    after = with_bouts(bout("warm", 60), bout("hard", 300), bout("hard", 640), bout("cool", 900), bout("more", 1200))
    assert told(before, after)[1:] == [
        "- 2 bouts of S03 came",
        "- 1 bout of S03 went",
        "- 2 bouts of S03 moved by 40 s to 1 min because bouts.csv changed",
    ]


def test_bouts_of_results_that_do_not_say_whose_clock_they_are_on():
    older = bout("warm", 0)
    del older["clock"], older["moved_s"]
    after = with_bouts(bout("warm", 8, moved_s=8.0, clock="band"))
    assert told(with_bouts(older), after)[1:] == ["- 1 bout of S03 moved by 8 s"]
