from __future__ import annotations

import json
from pathlib import Path

import pytest
from study_folders import STUDY, add, make_study


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_card_without_a_study_is_blank(wearbench, here):
    done = wearbench("card")
    assert (done.code, done.out, done.err) == (0, "Card: card.pdf\n", "")
    assert Path("card.pdf").read_bytes().startswith(b"%PDF-")


def test_card_of_a_study_names_the_next_session(wearbench, here):
    make_study(here / "camp")
    done = wearbench("card", "camp", "--out", "next.html", "--paper", "letter")
    assert (done.code, done.out) == (0, "Rowing, wrist band against chest patch: session s02\nCard: next.html\n")
    page = Path("next.html").read_text(encoding="utf-8")
    assert "raw/s02/band.csv" in page
    assert "@page{size:215.9mm 279.4mm" in page


def test_card_as_json(wearbench, here):
    make_study(here / "camp")
    told = json.loads(wearbench("card", "camp", "--session", "s01", "--json").out)
    assert told["warnings"] == ["session s01 has recordings already"]
    assert (told["page"], told["card"]["session"], told["card"]["zone"]) == ("card.pdf", "s01", "Europe/Oslo")
    assert [device["label"] for device in told["card"]["devices"]] == ["patch", "Wrist band"]


def test_card_says_what_is_left_open(wearbench, here):
    many = "".join(f'\n[devices.b{n}]\nrole = "tested"\n' for n in range(8))
    folder = make_study(here / "camp", STUDY + many)
    (folder / "raw" / "s01").rename(folder / "raw" / "monday")
    assert wearbench("card", "camp").out == (
        "Rowing, wrist band against chest patch: session without a name yet\n"
        "! the sessions of this study do not count up, so the name is left to fill in; or say --session\n"
        "! no room on one page for b4, b5, b6, b7\n"
        "Card: card.pdf\n"
    )


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("--out", "card.txt"), "card.txt: --out: expected a name that ends in .pdf or .html [out-name]"),
        (
            ("camp", "--out", "camp/raw/s01/card.pdf"),
            "camp/raw/s01/card.pdf: --out: expected a place outside raw/, which holds recordings only [out-name]",
        ),
        (("--session", "a/b"), 'expected a session name that can name a folder, got "a/b" [session-name]'),
        (
            ("--out", "nowhere/card.pdf"),
            "nowhere/card.pdf: the card cannot be written: No such file or directory. Name another place with --out "
            "[not-writable]",
        ),
    ],
)
def test_card_that_cannot_be_made_says_why(wearbench, here, args, message):
    make_study(here / "camp")
    done = wearbench("card", *(str(Path(arg)) if "/" in arg and arg != "a/b" else arg for arg in args))
    assert (done.code, done.out, done.err.replace("\\", "/")) == (1, "", f"wearbench: {message}\n")
    assert sorted(path.name for path in here.iterdir()) == ["camp"]


def test_card_leaves_the_study_as_it_is(wearbench, here):
    folder = make_study(here / "camp")
    add(folder, "sessions.csv", "session,start\ns01,nonsense\n")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert wearbench("card", "camp").code == 0
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
