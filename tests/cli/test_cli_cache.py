"""The command line about what is kept between runs."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

STUDY = 'schema = 1\ntitle = "Invented"\n\n[devices.patch]\nrole = "reference"\n\n[devices.band]\nrole = "tested"\n'


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """One session of ten minutes, and a cache that nothing is in."""
    monkeypatch.setenv("WEARBENCH_CACHE", str(tmp_path / "cache"))
    study = tmp_path / "study"
    (study / "raw" / "s01").mkdir(parents=True)
    (study / "study.toml").write_text(STUDY, encoding="utf-8")
    for device, more in (("patch", 0), ("band", 2)):
        rows = [f"2031-01-12T09:{s // 60:02}:{s % 60:02}Z,{100 + 10 * (s // 97 % 3) + more}" for s in range(600)]
        text = "time,heart_rate\n" + "\n".join(rows) + "\n"
        (study / "raw" / "s01" / f"{device}.csv").write_text(text, encoding="utf-8")
    return study


def results(folder: Path) -> dict[str, Any]:
    document = json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))
    answers = document["objections"]
    document["objections"] = [o for o in answers if o["objection"] != "changed_afterwards"]  # which counts looks
    return {name: part for name, part in document.items() if name not in ("made", "declared")}


def test_second_run_says_what_was_kept(folder: Path, wearbench: Callable[..., Any]):
    first = wearbench("run", folder, "--quiet")
    assert "Recomputed" not in first.out
    fresh = results(folder)
    assert (
        "\nRecomputed: 0 of 1 sessions read and fitted, 0 of 1 judged; the rest is kept from earlier runs (--no-cache"
        " does all anew).\n"
    ) in wearbench("run", folder, "--quiet").out
    assert results(folder) == fresh
    told = json.loads(wearbench("run", folder, "--quiet", "--json").out)["steps"]
    assert told == {
        "reading and fitting": {"computed": 0, "reused": 1},
        "judging": {"computed": 0, "reused": 1},
    }
    told = json.loads(wearbench("run", folder, "--quiet", "--json", "--no-cache").out)["steps"]
    assert told["judging"] == {"computed": 1, "reused": 0}
    assert results(folder) == fresh


def test_no_cache_and_no_room_keep_nothing(folder: Path, wearbench: Callable[..., Any]):
    wearbench("run", folder, "--quiet", "--no-cache")
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write("\n[settings]\ncache_mb = 0\n")
    wearbench("run", folder, "--quiet")
    assert not (folder.parent / "cache").exists()


def test_cache_is_told_and_cleared(folder: Path, wearbench: Callable[..., Any]):
    place = folder.parent / "cache"
    assert wearbench("cache").out == f"Kept: 0 entries, 0.0 MB, in {place}\n"
    wearbench("run", folder, "--quiet")
    told = json.loads(wearbench("cache", "--json").out)
    assert (told["folder"], told["entries"]) == (str(place), 2)
    assert wearbench("cache", "--clear").out.startswith("Removed: 2 entries, ")
    assert list(place.iterdir()) == []


def test_without_a_home_the_command_says_so(monkeypatch: pytest.MonkeyPatch, wearbench: Callable[..., Any]):
    for name in ("WEARBENCH_CACHE", "HOME", "LOCALAPPDATA", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    done = wearbench("cache")
    assert (done.code, done.err) == (
        1,
        "wearbench: expected a cache folder of yours, found none: set WEARBENCH_CACHE to one; until then nothing is"
        " kept [no-cache-folder]\n",
    )
