from __future__ import annotations

from pathlib import Path

import pytest
from study_folders import STUDY, add, make_study

from wearbench.errors import StudyError
from wearbench.study import FileName, load_study, parse_file_name

NAMES = {"devices": ("patch", "band"), "quantities": ("heart_rate", "rr")}
GRAMMAR = "<device>[.<quantity>][.part<N>][@<copy>].<ext>"


@pytest.mark.parametrize(
    ("name", "parsed"),
    [
        ("band.csv", FileName(device="band", extension="csv")),
        ("band.heart_rate.CSV", FileName(device="band", quantity="heart_rate", extension="csv")),
        ("band.part2.fit", FileName(device="band", part=2, extension="fit")),
        (
            "patch.rr.part10@phone2.txt",
            FileName(device="patch", quantity="rr", part=10, copy="phone2", extension="txt"),
        ),
        ("patch@phone-2.edf", FileName(device="patch", copy="phone-2", extension="edf")),
    ],
)
def test_names_are_taken_apart(name: str, parsed: FileName):
    assert parse_file_name(name, **NAMES) == parsed


@pytest.mark.parametrize(
    ("name", "message", "slug"),
    [
        ("band", f'expected a name like {GRAMMAR}, got "band" without an extension', "file-name"),
        (
            "belt.csv",
            'expected a device of study.toml ("patch" or "band"), got "belt". To add it, write in study.toml: '
            '[devices.belt] and below it role = "tested"',
            "device-not-declared",
        ),
        (
            "Band.csv",
            'expected a device of study.toml ("patch" or "band"), got "Band". Did you mean "band"? To add it, write in '
            'study.toml: [devices.Band] and below it role = "tested"',
            "device-not-declared",
        ),
        (
            "my export.csv",
            f'expected a name like {GRAMMAR} that starts with a device ("patch" or "band"), got "my export"',
            "file-name",
        ),
        (
            "band.hart_rate.csv",
            f'expected a name like {GRAMMAR}, got "band.hart_rate.csv", where "hart_rate" is no quantity and no part. '
            'Did you mean "heart_rate"?',
            "file-name",
        ),
        (
            "band.part1.part2.csv",
            f'expected a name like {GRAMMAR}, got "band.part1.part2.csv", where "part2" is no quantity and no part',
            "file-name",
        ),
        (
            "band@.csv",
            'expected the name of a copy after @ (letters, digits, _ and -), got ""',
            "file-name",
        ),
    ],
)
def test_names_that_cannot_be_taken_apart(name: str, message: str, slug: str):
    with pytest.raises(StudyError) as caught:
        parse_file_name(name, **NAMES)
    assert str(caught.value) == message
    assert caught.value.slug == slug


def costs(folder: Path) -> list[str]:
    return [str(p) for p in load_study(folder).problems if p.slug != "participant-unnamed"]


def test_parts_are_in_order_and_copies_apart(tmp_path: Path):
    make_study(tmp_path)
    for name in ("band.part10.fit", "band.part2.fit", "band.part1.fit", "patch.rr@phone1.txt", "patch.rr@phone2.txt"):
        add(tmp_path, f"raw/s10/{name}", "x")
    add(tmp_path, "raw/s2/patch.rr.txt", "x")
    add(tmp_path, "raw/s2/patch.ecg.edf", "x")
    study = load_study(tmp_path)
    assert [session.name for session in study.sessions] == ["s01", "s2", "s10"]
    held = {(r.device, r.quantity, r.copy): [file.path.name for file in r.parts] for r in study.sessions[2].recordings}
    assert held == {
        ("band", None, None): ["band.part1.fit", "band.part2.fit", "band.part10.fit"],
        ("patch", "rr", "phone1"): ["patch.rr@phone1.txt"],
        ("patch", "rr", "phone2"): ["patch.rr@phone2.txt"],
    }
    assert costs(tmp_path) == [
        "raw/s10/band.part1.fit: expected parts without a gap, found no part 3, 4, 5, 6, 7, 8, 9; "
        "the others are joined",
        "raw/s2: no tested device was recorded in this session: it counts as time without values",
    ]


@pytest.mark.parametrize(
    ("names", "files", "left"),
    [
        (("band.csv", "band.fit"), '"raw/s02/band.csv" and "raw/s02/band.fit"', "both files"),
        (
            ("band.part1.csv", "band.part1.fit", "band.part2.fit"),
            '"raw/s02/band.part1.csv", "raw/s02/band.part1.fit" and "raw/s02/band.part2.fit"',
            "these 3 files",
        ),
        (("band.csv", "band.part1.csv"), '"raw/s02/band.csv" and "raw/s02/band.part1.csv"', "both files"),
    ],
)
def test_two_files_that_claim_one_recording_are_both_named(
    tmp_path: Path, names: tuple[str, ...], files: str, left: str
):
    make_study(tmp_path)
    for name in ("patch.csv", *names):
        add(tmp_path, f"raw/s02/{name}", "time,heart_rate\n")
    assert costs(tmp_path) == [
        f"raw/s02/{names[0]}: expected one file for this recording, got {files}. If they are parts, name them .part1, "
        ".part2; if they are copies of one recorder, @phone1, @phone2; otherwise keep one of them. "
        f"Left out: {left}.",
        "raw/s02: no tested device was recorded in this session: it counts as time without values",
    ]


def test_what_is_not_a_recording(tmp_path: Path):
    make_study(tmp_path)
    for name in ("stray.csv", "s01/.DS_Store", "s01/belt.csv", "s01/old/band.csv", "s02/Thumbs.db"):
        add(tmp_path, f"raw/{name}", "x")
    assert costs(tmp_path) == [
        'raw/s01/belt.csv: expected a device of study.toml ("patch" or "band"), got "belt". To add it, write in '
        'study.toml: [devices.belt] and below it role = "tested". Left out: this file.',
        "raw/s01/old: expected files here, got a folder. Files in it are not looked at. Left out: this folder.",
        "raw/stray.csv: expected raw files inside a session's folder, got a file here. Move it to "
        "raw/<session>/stray.csv. Left out: this file.",
        "raw/s02: expected recordings in this folder, found none that can be used. Left out: this session.",
    ]


def test_sessions_without_a_reference_count_for_availability(tmp_path: Path):
    make_study(tmp_path)
    (tmp_path / "raw/s01/patch.csv").unlink()
    add(tmp_path, "sessions.csv", "session,participant\ns01,p\ns1,p\n")
    assert costs(tmp_path) == [
        'sessions.csv:3: session: expected a folder raw/s1, found none. Did you mean "s01"? Left out: this row.',
        "raw/s01: no reference was recorded in this session: it counts for availability, not for accuracy",
    ]


def test_a_study_without_roles_or_recordings(tmp_path: Path):
    (tmp_path / "study.toml").write_text('schema = 1\n[devices.pod]\nrole = "context"\n', encoding="utf-8")
    assert costs(tmp_path) == [
        "raw: expected a folder raw with a folder for each session, found none",
        'study.toml: expected a device with role = "reference", found none: availability can be told, accuracy cannot',
        'study.toml: expected a device with role = "tested", found none: there is nothing to judge',
        "raw: expected at least one session with a recording (raw/<session>/<device>.<ext>), found none",
    ]


def test_exports_that_span_sessions(tmp_path: Path):
    make_study(tmp_path)
    (tmp_path / "raw/s01/band.csv").unlink()
    add(tmp_path, "raw/_all/band.csv", "time,heart_rate\n")
    add(
        tmp_path,
        "sessions.csv",
        "session,start,end,participant\ns01,2031-01-12T09:00:00,60,p\ns02,2031-01-13T09:00:00,,p\n",
    )
    study = load_study(tmp_path)
    assert [s.name for s in study.sessions] == ["s01", "s02"]
    assert [(r.session, r.device) for r in study.spanning] == [(None, "band")]
    context = study.read_context(study.spanning[0].parts[0], study.sessions[0])
    start = study.sessions[0].start_ms
    assert context.keep_ms == (start, start + 60_000)
    assert costs(tmp_path) == [
        "raw/s02: expected start and end in sessions.csv, to cut the exports in raw/_all to this session, found none. "
        "Left out: exports in raw/_all, for this session.",
        "raw/s02: no reference was recorded in this session: it counts for availability, not for accuracy",
    ]


def test_own_quantities_and_layouts_reach_the_reader(tmp_path: Path):
    toml = STUDY + 'layout = "wrist"\n[layouts.wrist]\ntime = "when"\n[quantities.lactate]\nunit = "mmol/l"\n'
    make_study(tmp_path, toml)
    add(tmp_path, "raw/s01/band.lactate.csv", "x")
    study = load_study(tmp_path)
    context = next(study.read_context(f) for f in study.files() if f.name.quantity == "lactate")
    assert context.layout is not None
    assert (context.layout.time, context.own_quantities, context.quantity) == (
        ("when",),
        {"lactate": "mmol/l"},
        "lactate",
    )
    assert context.shown == "raw/s01/band.lactate.csv"
