"""What the card knows of a study."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "study"))

from study_folders import STUDY, add, make_study

from wearbench.planner import Card, card_of
from wearbench.planner.card import MOST_DEVICES, _next_name
from wearbench.study import load_study


def card(folder: Path, session: str | None = None) -> Card:
    return card_of(load_study(folder), session=session)


@pytest.mark.parametrize(
    ("taken", "name"),
    [
        ((), "s01"),
        (("s01", "s02"), "s03"),
        (("S09", "S10"), "S11"),
        (("s99",), "s100"),
        (("s1", "s3"), "s4"),
        (("row-2a",), "row-3a"),
        (("s01", "s02", "trial7"), "s03"),
        (("s01", "S02"), "S03"),
        (("p1-s1", "p1-s2"), "p1-s3"),
        (("monday", "tuesday"), None),
        (("2031-01-12", "2031-01-13"), None),
        (("20310112",), None),
        (("12.01.2031",), None),
        (("2031-01-12 am", "s01"), "s02"),
    ],
)
def test_next_free_name(taken: tuple[str, ...], name: str | None) -> None:
    assert _next_name(taken) == name


def test_card_is_filled_in_from_study(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "camp", STUDY + 'firmware = "1.9"\nwear_site = "left wrist"\n')
    made = card(folder)
    assert (made.title, made.session, made.zone) == ("Rowing, wrist band against chest patch", "s02", "Europe/Oslo")
    assert (made.participant, made.recorded, made.left_out) == (None, False, ())
    patch, band = made.devices
    assert (patch.label, patch.role, patch.wear_site, patch.firmware) == ("patch", "reference", None, None)
    assert (band.label, band.role, band.wear_site, band.firmware) == ("Wrist band", "tested", "left wrist", "1.9")
    assert (band.firmware_seen, band.files) == (None, ("raw/s02/band.csv",))


def test_sessions_that_are_planned_or_empty_are_taken(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "camp")
    add(folder, "sessions.csv", "session,participant,activity,timezone,wear_site.band\ns05,P1,stairs,UTC,right wrist\n")
    (folder / "raw" / "s06").mkdir()
    assert card(folder).session == "s07"
    planned = card(folder, "s05")
    assert (planned.participant, planned.activity, planned.zone) == ("P1", "stairs", "UTC")
    assert (planned.devices[1].wear_site, planned.recorded) == ("right wrist", False)
    assert card(folder, "s01").recorded


def test_version_seen_last_counts(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "camp", STUDY + 'firmware = "1.0"\n')
    add(
        folder,
        "sessions.csv",
        "session,start,end,firmware\ns01,2031-01-12T09:00:00,2031-01-12T10:00:00,2.0\n",
    )
    patch, band = card(folder).devices
    assert (patch.firmware, band.firmware, band.firmware_seen) == (None, "2.0", "2031-01-12")
    add(
        folder,
        "versions.csv",
        "device,part,seen_at,version\nband,device,2031-01-13T00:30:00,2.1\nband,app,2031-01-14T09:00:00,7\n"
        "band,device,2031-01-02T09:00:00,1.8\n",
    )
    band = card(folder).devices[1]
    assert (band.firmware, band.firmware_seen) == ("2.1", "2031-01-13")


def test_only_participant_is_filled_in(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "camp")
    add(folder, "participants.csv", "participant\nP1\n")
    assert card(folder).participant == "P1"
    add(folder, "participants.csv", "participant\nP1\nP2\n")
    assert card(folder).participant is None


def test_files_are_named_as_in_the_latest_session_or_among_exports_that_span_sessions(tmp_path: Path) -> None:
    toml = STUDY + '\n[devices.loop]\nrole = "tested"\n\n[devices.pod]\nrole = "context"\n'
    folder = make_study(tmp_path / "camp", toml)
    for name in ("patch.rr.part1.csv", "patch.rr.part2.csv", "patch.ecg.edf", "band@phone2.fit"):
        add(folder, f"raw/s02/{name}", "x")
    add(folder, "raw/_all/loop.csv", "x")
    assert {device.name: device.files for device in card(folder).devices} == {
        "patch": ("raw/s03/patch.ecg.edf", "raw/s03/patch.rr.csv"),
        "band": ("raw/s03/band.fit",),
        "loop": ("raw/_all/loop.csv",),
        "pod": ("raw/s03/pod.____",),
    }


def test_references_come_first_and_what_has_no_room_is_named(tmp_path: Path) -> None:
    toml = STUDY.split("[devices")[0] + "".join(f'[devices.b{n}]\nrole = "tested"\n' for n in range(9))
    folder = make_study(tmp_path / "camp", toml + '[devices.patch]\nrole = "reference"\n')
    made = card(folder)
    assert len(made.devices) == MOST_DEVICES
    assert made.devices[0].name == "patch"
    assert made.left_out == ("b5", "b6", "b7", "b8")
