from __future__ import annotations

import io
import json
import sys
import types
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from study_folders import add, invented_results

from wearbench.errors import UsageError


@dataclass(frozen=True)
class LookResult:
    lines: list[str]
    document: dict[str, Any]
    results: Any


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch, analysis) -> list[tuple[str | None, str | None]]:
    """Stands in for the look itself; asks for whatever it is not told."""
    calls: list[tuple[str | None, str | None]] = []

    def look(a: Path, b: Path, *, reference: str | None, zone: str | None) -> LookResult:
        calls.append((reference, zone))
        if reference is None:
            raise UsageError("which of the two is the reference cannot be told", slug="ask-reference")
        if zone is None:
            raise UsageError("the stamps have no offset", slug="ask-zone", file=str(a), line=2)
        return LookResult([f"{a.name} and {b.name}"], {"clock": 34.0}, invented_results())

    module = types.ModuleType("wearbench.look")
    module.look = look  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "wearbench.look", module)
    return calls


@pytest.fixture
def two(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    monkeypatch.chdir(tmp_path)
    return add(tmp_path, "band.csv", "time,heart_rate\n"), add(tmp_path, "strap.csv", "time,heart_rate\n")


def test_look_with_flags_asks_nothing(wearbench, looked, two):
    done = wearbench("look", *two, "--reference", "b", "--timezone", "Europe/Oslo")
    assert (done.code, done.out) == (0, "band.csv and strap.csv\n\nPage: look.html\n")
    assert looked == [("B", "Europe/Oslo")]
    assert Path("look.html").read_text(encoding="utf-8") == "<title>band.csv and strap.csv</title>"
    told = json.loads(wearbench("look", *two, "--reference", "strap", "--timezone", "UTC", "--json").out)
    assert told == {"clock": 34.0, "page": "look.html"}
    assert looked[-1][0] == "B"


def test_look_in_a_script_names_the_flag(wearbench, looked, two):
    done = wearbench("look", *two)
    assert (done.code, done.err) == (
        1,
        "wearbench: which of the two is the reference cannot be told. Say it with --reference A or --reference B "
        "[ask-reference]\n",
    )
    done = wearbench("look", *two, "--reference", "A")
    assert (done.code, done.err) == (
        1,
        f"wearbench: {two[0]}:2: the stamps have no offset. Say it with --timezone, for example --timezone Europe/Oslo "
        "[ask-zone]\n",
    )
    assert not Path("look.html").exists()


def test_look_on_a_terminal_asks_both_once(wearbench, looked, two, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("wearbench.commands.look.can_ask", lambda: True)
    monkeypatch.setattr("sys.stdin", io.StringIO("B\nUTC\n"))
    done = wearbench("look", *two)
    assert done.code == 0, done.err
    assert done.err == (
        "which of the two is the reference cannot be told\nReference, A (band.csv) or B (strap.csv): "
        "the stamps have no offset\nTime zone (Europe/Oslo, UTC, +02:00): "
    )
    assert looked == [(None, None), ("B", None), ("B", "UTC")]


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (
            ("--reference", "C"),
            '--reference: expected A ({a}) or B ({b}), got "C" [ask-reference]',
        ),
        (
            ("--timezone", "Mars"),
            'expected a time zone such as "Europe/Oslo", "UTC" or "+02:00", got "Mars" [unknown-zone]',
        ),
        (("--out", "{a}"), "{a}: --out: expected a name that ends in .html [out-name]"),
        (
            ("--reference", "A", "--timezone", "UTC", "--out", "no/such/folder/x.html"),
            "no/such/folder/x.html: the page cannot be written: No such file or directory. "
            "Name another place with --out [not-writable]",
        ),
    ],
)
def test_look_refuses(wearbench, looked, two, args: tuple[str, ...], message: str):
    told = {"a": two[0], "b": two[1]}
    done = wearbench("look", *two, *(arg.format(**told) for arg in args))
    assert (done.code, done.err) == (1, f"wearbench: {message.format(**told)}\n")
    assert two[0].read_text(encoding="utf-8") == "time,heart_rate\n"
