"""On which side of a change each session lies: firmware, app and server sightings, what sessions.csv names."""

from __future__ import annotations

from types import SimpleNamespace as Some
from typing import Any

from wearbench.recipe.turns import Turn, turns_of
from wearbench.recipe.versions import Firmware
from wearbench.study import Session
from wearbench.study.tables import Version

DAY_MS = 86_400_000


def _turns(
    ran: list[Firmware], *, seen: tuple[Version, ...] = (), columns: list[dict[str, str]] | None = None
) -> list[Turn]:
    names = tuple(f"S{i}" for i in range(1, len(ran) + 1))
    told = columns or [{}] * len(ran)
    sessions = [Session(name=n, start_ms=i * DAY_MS, columns=told[i]) for i, n in enumerate(names)]
    results = tuple((Some(material=Some(origin_ms=i * DAY_MS)), Some(ran=f)) for i, f in enumerate(ran))
    occasions: Any = Some(history=Some(device="band"), names=names, results=results)
    study: Any = Some(sessions=sessions, versions=seen)
    return turns_of(occasions, study)


def told(version: str) -> Firmware:
    return Firmware(version=version, how="sessions.csv")


def between(old: str, new: str) -> Firmware:
    return Firmware(version="", how="unknown", between=(old, new))


NONE = Firmware(version="", how="unknown")


def test_each_two_versions_that_follow_one_another() -> None:
    turns = _turns([told("1"), told("1"), between("1", "2"), told("2"), told("3")])
    assert turns == [
        Turn(what="firmware", before="1", after="2", first=(0, 1), second=(3,), unknown=(2,)),
        Turn(what="firmware", before="2", after="3", first=(3,), second=(4,)),
    ]


def test_one_version_is_no_change() -> None:
    assert _turns([told("1"), NONE, told("1")]) == []
    assert _turns([NONE, NONE]) == []


def test_app_and_server_by_their_sightings() -> None:
    """App 7 was seen on day 1, app 8 on day 3: on day 2 it may have been either, and of day 0 nothing is known. Another
    device's are not its own."""
    seen = (
        Version(device="band", part="app", seen_at_ms=1 * DAY_MS, version="7"),
        Version(device="band", part="app", seen_at_ms=3 * DAY_MS, version="8"),
        Version(device="loop", part="server", seen_at_ms=2 * DAY_MS, version="x"),
    )
    (turn,) = _turns([NONE] * 5, seen=seen)
    assert turn == Turn(what="app", before="7", after="8", first=(1,), second=(3, 4), unknown=(2,))


def test_what_the_table_of_sessions_names() -> None:
    columns = [{"change": "old strap"}, {"change": "old strap"}, {"change": "new strap"}, {}]
    (turn,) = _turns([NONE] * 4, columns=columns)
    assert (turn.what, turn.before, turn.after, turn.first, turn.second) == (
        "declared",
        "old strap",
        "new strap",
        (0, 1),
        (2,),
    )
    own = [c | {"change.band": "a" if i < 1 else "b"} for i, c in enumerate(columns)]
    (mine,) = _turns([NONE] * 4, columns=own)
    assert (mine.before, mine.after, mine.first, mine.second) == ("a", "b", (0,), (1, 2, 3))
