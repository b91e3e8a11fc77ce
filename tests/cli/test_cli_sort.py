from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "heap"))

from heaps import DAY, course, digests, small_heap, write_band, write_strap


@pytest.fixture
def heap(tmp_path: Path) -> Path:
    return small_heap(tmp_path / "heap")


def test_proposal_changes_nothing(wearbench: Callable[..., Any], heap: Path):
    before = digests(heap)
    done = wearbench("sort", heap, "--quiet")
    assert done.code == 0
    assert done.out.splitlines()[-1] == "Nothing was copied. To copy, give the same command with --into STUDY --yes"
    assert digests(heap) == before


def test_into_and_yes_make_a_study_that_check_reads(wearbench: Callable[..., Any], heap: Path, tmp_path: Path):
    study = tmp_path / "study"
    done = wearbench("sort", heap, "--into", study, "--timezone", "Europe/Oslo", "--yes", "--json", "--quiet")
    assert done.code == 0
    told = json.loads(done.out)
    assert told["copied"] == [file["path"] for file in told["files"]]
    assert [s["session"] for s in told["sessions"]] == ["2031-01-12", "2031-01-13", "2031-01-14"]
    assert told["sessions"][0]["start"].endswith("+01:00")
    assert wearbench("check", study, "--json", "--quiet").code == 0


def test_yes_needs_a_study(wearbench: Callable[..., Any], heap: Path):
    done = wearbench("sort", heap, "--yes")
    assert done.code == 1
    assert done.err == ("wearbench: expected --into with the folder of a study, since --yes makes copies [usage]\n")


def test_heap_that_is_not_there(wearbench: Callable[..., Any], tmp_path: Path):
    done = wearbench("sort", tmp_path / "none", "--quiet")
    assert done.code == 1
    assert done.err == f"wearbench: {tmp_path / 'none'}: expected a folder of recordings, found none [no-such-file]\n"


def test_pair_without_two_sides(wearbench: Callable[..., Any], heap: Path):
    done = wearbench("sort", heap, "--device", "band")
    assert done.err == "wearbench: --device: expected two sides joined by =, got 'band' [usage]\n"


def test_answers_from_a_file(wearbench: Callable[..., Any], tmp_path: Path):
    heap, study = tmp_path / "heap", tmp_path / "study"
    rate = course(1200, 1)
    write_strap(heap / "a.csv", DAY, rate, 1)
    write_band(heap / "b.csv", DAY, rate, local_h=1, heading="Zeit;Puls")
    (heap / "c.png").write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00")
    answers = tmp_path / "answers.toml"
    answers.write_text(
        'timezone = "Europe/Oslo"\nignore = "*.png"\n'
        '[devices]\n"a.csv" = "chest"\n"b.csv" = "wrist"\n'
        '[layout_of]\n"b.csv" = "lab"\n[layouts.lab]\ntime = "Zeit"\n[layouts.lab.columns]\n"Puls" = "heart_rate"\n',
        encoding="utf-8",
    )
    done = wearbench("sort", heap, "--into", study, "--answers", answers, "--yes", "--json", "--quiet")
    assert done.code == 0, done.err
    told = json.loads(done.out)
    assert told["questions"] == []
    assert told["copied"] == ["raw/2031-01-12/chest.csv", "raw/2031-01-12/wrist.csv"]
    checked = json.loads(wearbench("check", study, "--json", "--quiet").out)
    assert [len(file["recordings"]) for file in checked["files"]] == [1, 1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('zone = "UTC"\n', ':1: zone: unknown key. Did you mean "zones"? [unknown-key]\n'),
        ('timezone = "Oslo"\n', ""),
    ],
)
def test_wrong_answers_are_refused(wearbench: Callable[..., Any], heap: Path, tmp_path: Path, text: str, said: str):
    answers = tmp_path / "answers.toml"
    answers.write_text(text, encoding="utf-8")
    done = wearbench("sort", heap, "--answers", answers, "--quiet")
    assert done.code == 1
    assert done.err.endswith(said)


def test_second_run_goes_on_with_the_study_zone(wearbench: Callable[..., Any], tmp_path: Path):
    heap, study = tmp_path / "heap", tmp_path / "study"
    for day in range(2):
        start = DAY + timedelta(days=day)
        write_strap(heap / f"strap{day}.csv", start, course(1200, day), day)
        write_band(heap / f"export ({day}).csv", start, course(1200, day), local_h=1, seed=day)
    wearbench("sort", heap, "--into", study, "--timezone", "Europe/Oslo", "--yes", "--quiet")
    start = DAY + timedelta(days=3)
    write_strap(heap / "strap3.csv", start, course(1200, 3), 3)
    write_band(heap / "export (3).csv", start, course(1200, 3), local_h=1, seed=3)
    done = wearbench("sort", heap, "--into", study, "--yes", "--json", "--quiet")
    assert json.loads(done.out)["copied"] == ["raw/2031-01-15/strap.csv", "raw/2031-01-15/wearable.csv"]


OWN_WORDS = (
    '# my study, by hand\r\nschema = 1\r\ntitle   =   "Rowing"   # two spaces\r\n\r\n[devices]\r\n'
    'strap.role = "reference"  # the chest one\r\n  [devices.band]\r\n  role = "tested"\r\n# the end'
)


def test_new_device_gets_a_section_and_not_a_byte_above_it_changes(
    wearbench: Callable[..., Any], heap: Path, tmp_path: Path
):
    study = tmp_path / "study"
    study.mkdir()
    config = study / "study.toml"
    config.write_bytes(OWN_WORDS.encode())
    for day in range(3):
        start = DAY + timedelta(days=day)
        write_band(heap / f"loop {day}.csv", start, course(1200, day) + 3, step=5, seed=70 + day)
    options = ("--device", "export*=band", "--device", "loop*=loop", "--quiet")
    said = wearbench("sort", heap, "--into", study, *options)
    assert "  loop: tested, new: it gets a section in study.toml; 3 files of heart_rate, such as loop 0.csv" in (
        said.out.splitlines()
    )
    assert config.read_bytes() == OWN_WORDS.encode()
    done = wearbench("sort", heap, "--into", study, *options, "--yes")
    assert done.code == 0, done.err
    assert config.read_bytes() == OWN_WORDS.encode() + b'\r\n\r\n[devices.loop]\r\nrole = "tested"\r\n'
    assert (study / "raw" / "2031-01-12" / "loop.csv").is_file()
    assert wearbench("check", study, "--quiet").code == 0


def test_section_that_cannot_be_added_is_asked_for(wearbench: Callable[..., Any], heap: Path, tmp_path: Path):
    study = tmp_path / "study"
    study.mkdir()
    config = study / "study.toml"
    text = 'schema = 1\ndevices = { strap = { role = "reference" }, other = { role = "tested" } }\n'
    config.write_text(text, encoding="utf-8")
    done = wearbench("sort", heap, "--into", study, "--yes", "--quiet")
    assert done.code == 1
    assert done.err.startswith(f'wearbench: {config}: cannot be given the sections of "wearable": ')
    assert done.err.endswith("Add them by hand, then run the command again [devices-by-hand]\n")
    assert config.read_text(encoding="utf-8") == text
    assert not (study / "raw").exists()


def test_answer_that_is_needed_first_is_named_at_the_end(wearbench: Callable[..., Any], tmp_path: Path):
    heap = tmp_path / "heap"
    write_strap(heap / "strap.csv", DAY, course(1200, 1), 1)
    write_band(heap / "export.csv", DAY, course(1200, 1), local_h=1)
    done = wearbench("sort", heap, "--quiet")
    assert (
        done.out.splitlines()[-1]
        == "Nothing was copied. Answer question 1, then give the command with --into STUDY --yes"
    )


def test_zone_of_a_session_as_an_answer(wearbench: Callable[..., Any], tmp_path: Path):
    heap, study = tmp_path / "heap", tmp_path / "study"
    write_strap(heap / "strap.csv", DAY, course(1200, 1), 1)
    write_band(heap / "export.csv", DAY, course(1200, 1), local_h=5.75)
    zone = ("--timezone", "Europe/Oslo", "--session-zone", "2031-01-12=Asia/Kathmandu")
    done = wearbench("sort", heap, "--into", study, *zone, "--yes", "--json", "--quiet")
    told = json.loads(done.out)
    assert [s["timezone"] for s in told["sessions"]] == ["Asia/Kathmandu"]
    assert told["questions"] == []
    rows = (study / "sessions.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0] == "session,start,end,timezone"
    assert rows[1].endswith(",Asia/Kathmandu")
    assert "stamps read in Asia/Kathmandu for 2031-01-12, as answered" in (study / "origins.csv").read_text("utf-8")
