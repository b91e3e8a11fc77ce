"""Episodes keep their ids from run to run."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from wearbench.study import Results
from wearbench.study.episodeids import earlier_document, with_kept_ids

START = datetime(2031, 1, 12, 9, 0, tzinfo=UTC)


def episode(number: int, first: int, last: int, *, state: str = "halved", event: int = 0, device: str = "band") -> Any:
    """An episode of S01 from one second to another."""
    return {
        "id": f"S01-E{number}",
        "event": f"S01-V{event or number}",
        "session": "S01",
        "device": device,
        "quantity": "heart_rate",
        "state": state,
        "start": START + timedelta(seconds=first),
        "end": START + timedelta(seconds=last),
    }


def results(*episodes: Any, **tables: Any) -> Results:
    document = {"sessions": [{"session": "S01"}], "episodes": list(episodes), **tables}
    pairs = pl.DataFrame(
        {"episode": [e["id"] for e in episodes] + [None], "event": [e["event"] for e in episodes] + [None]},
        schema={"episode": pl.String(), "event": pl.String()},
    )
    return Results(document=document, pairs=pairs, traces=pl.DataFrame())


def ids(found: Results) -> list[tuple[str, str]]:
    return [(e["id"], e["event"]) for e in found.document["episodes"]]


def test_first_run_numbers_in_order_of_time() -> None:
    found = with_kept_ids(results(episode(1, 0, 10), episode(2, 50, 60)), None)
    assert ids(found) == [("S01-E1", "S01-V1"), ("S01-E2", "S01-V2")]
    assert found.document["sessions"] == [{"session": "S01", "last_episode": 2}]


def test_an_episode_that_appears_before_others_takes_a_number_of_its_own() -> None:
    first = with_kept_ids(results(episode(1, 100, 160), episode(2, 300, 400)), None)
    again = with_kept_ids(results(episode(1, 10, 20), episode(2, 102, 158), episode(3, 290, 400)), first.document)
    assert ids(again) == [("S01-E3", "S01-V3"), ("S01-E1", "S01-V1"), ("S01-E2", "S01-V2")]
    assert again.pairs["episode"].to_list() == ["S01-E3", "S01-E1", "S01-E2", None]
    assert again.pairs["event"].to_list() == ["S01-V3", "S01-V1", "S01-V2", None]


def test_a_number_is_never_given_twice() -> None:
    first = with_kept_ids(results(episode(1, 100, 160), episode(2, 300, 400)), None)
    gone = with_kept_ids(results(episode(1, 100, 160)), first.document)
    back = with_kept_ids(results(episode(1, 100, 160), episode(2, 500, 600)), gone.document)
    assert ids(back) == [("S01-E1", "S01-V1"), ("S01-E3", "S01-V3")]
    assert back.document["sessions"][0]["last_episode"] == 3


def test_a_relabelled_episode_is_the_same_and_its_own_state_goes_first() -> None:
    first = with_kept_ids(results(episode(1, 100, 200, state="astray"), episode(2, 200, 260)), None)
    again = with_kept_ids(results(episode(1, 150, 260), episode(2, 100, 150, state="off_ratio")), first.document)
    assert {e["state"]: e["id"] for e in again.document["episodes"]} == {"halved": "S01-E2", "off_ratio": "S01-E1"}


def test_another_devices_episode_at_the_same_time_is_another() -> None:
    first = with_kept_ids(results(episode(1, 100, 200, device="loop")), None)
    again = with_kept_ids(results(episode(1, 100, 200), episode(2, 100, 200, device="loop")), first.document)
    assert {e["device"]: e["id"] for e in again.document["episodes"]} == {"loop": "S01-E1", "band": "S01-E2"}


def test_events_stay_together_and_all_tables_follow() -> None:
    first = with_kept_ids(results(episode(1, 100, 200, event=1), episode(2, 200, 220, state="between", event=1)), None)
    again = with_kept_ids(
        results(
            episode(1, 10, 30),
            episode(2, 100, 200, event=2),
            episode(3, 200, 220, state="between", event=2),
            affected=[{"state": "halved", "longest": "S01-E2", "sessions": ["S01"]}],
        ),
        first.document,
    )
    assert ids(again) == [("S01-E3", "S01-V3"), ("S01-E1", "S01-V1"), ("S01-E2", "S01-V1")]
    assert again.document["affected"] == [{"state": "halved", "longest": "S01-E1", "sessions": ["S01"]}]


def test_the_same_episodes_again_change_nothing() -> None:
    first = with_kept_ids(results(episode(1, 100, 160), episode(2, 160, 170, event=1)), None)
    again = with_kept_ids(results(episode(1, 100, 160), episode(2, 160, 170, event=1)), first.document)
    assert again.document == first.document


def test_results_that_cannot_be_read_are_no_earlier_run(tmp_path: Path) -> None:
    assert earlier_document(tmp_path) is None
    place = tmp_path / "results" / "results.json"
    place.parent.mkdir()
    place.write_text("{torn")
    assert earlier_document(tmp_path) is None
    place.write_text(json.dumps({"episodes": []}))
    assert earlier_document(tmp_path) == {"episodes": []}
