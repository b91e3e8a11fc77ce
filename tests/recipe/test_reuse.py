"""Steps done once: what a change bears on is done again and no more, and the results do not show it."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from recorded import START, study, wear, write_session

from wearbench.analysis import run_study
from wearbench.errors import DataError
from wearbench.recipe import fingerprint, reuse
from wearbench.recipe.fingerprint import code_version
from wearbench.recipe.material import DoubtSpan, FileNote, Series
from wearbench.recipe.packing import pack, unpack
from wearbench.recipe.reuse import Keep, Reused
from wearbench.study import Decision, Results, append_decisions, load_study, record_look
from wearbench.study.cache import Cache, cache_folder
from wearbench.study.results import plain

SESSIONS = ("s01", "s02", "s03")


def hour(number: int) -> datetime:
    return START + timedelta(days=number)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions of ten minutes and an empty cache filled by one run."""
    home = tmp_path_factory.mktemp("reuse")
    folder = study(home / "study")
    rows = ["session,start,end,participant"]
    for number, name in enumerate(SESSIONS):
        write_session(folder, name, wear(number, length_s=600), start=hour(number))
        rows.append(f"{name},{hour(number).isoformat()},{(hour(number) + timedelta(minutes=10)).isoformat()},p{number}")
    (folder / "sessions.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    run_study(load_study(folder), keep=Keep(cache=Cache(folder=home / "cache")))
    return home


@pytest.fixture
def home(made: Path, tmp_path: Path) -> Path:
    """A copy of that, in another place: it is the same study."""
    return Path(shutil.copytree(made, tmp_path / "elsewhere"))


def told(results: Results) -> str:
    document = {name: part for name, part in results.document.items() if name != "made"}
    tables = [results.pairs.write_json(), results.traces.write_json()]
    return json.dumps([plain(document), *tables], ensure_ascii=False)


def counts(home: Path, **how: object) -> tuple[int, int]:
    """Sessions read and judged anew; the results are the same as without a cache."""
    keep = Keep(cache=Cache(folder=home / "cache"))
    results = run_study(load_study(home / "study"), keep=keep, **how)  # type: ignore[arg-type]
    assert told(results) == told(run_study(load_study(home / "study")))
    assert {step.total for step in keep.counts.values()} == {3}
    return keep.counts["reading and fitting"].computed, keep.counts["judging"].computed


def line_of(folder: Path, *lines: str, table: str) -> None:
    path = folder / "study" / table
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    path.write_text(before + "".join(f"{line}\n" for line in lines), encoding="utf-8")


def setting(home: Path, text: str) -> None:
    line_of(home, "[settings]", text, table="study.toml")


def decided(home: Path, kind: str, session: str, **more: object) -> None:
    number = SESSIONS.index(session)
    span = {"start": hour(number) + timedelta(seconds=120), "end": hour(number) + timedelta(seconds=180)}
    made = Decision(made=datetime.now(UTC), kind=kind, session=session, device="band", **{**span, **more})  # type: ignore[arg-type]
    append_decisions(home / "study", [made])


def nothing(home: Path) -> None:
    for path in (home / "study").rglob("*.csv"):
        os.utime(path, (1.0, 1.0))


def another_title(home: Path) -> None:
    path = home / "study" / "study.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("band against patch", "other words"), encoding="utf-8")


def criterion(home: Path) -> None:
    line_of(home, "[criteria.own]", 'device = "band"', 'statistic = "mape"', "at_most = 5.0", table="study.toml")


def people(home: Path) -> None:
    line_of(home, "participant,age_band", "p0,30-39", "p1,40-49", "p2,30-39", table="participants.csv")


def looked(home: Path) -> None:
    record_look(home / "study", value={"number": 1})


def longer_file(home: Path) -> None:
    last = (hour(1) + timedelta(seconds=599.5)).isoformat()
    line_of(home, f"{last},111", table="raw/s02/band.csv")


def fourth_wall(home: Path) -> None:
    line_of(home, "session,bout,start,end,activity", "s02,b1,0,300,rowing", table="bouts.csv")


def worn_off(home: Path) -> None:
    row = f"band,{(hour(1) + timedelta(minutes=2)).isoformat()},{(hour(1) + timedelta(minutes=3)).isoformat()},off"
    line_of(home, "device,start,end,what", row, table="wear.csv")


def marked(home: Path) -> None:
    rows = (f"s02,{device},{(hour(1) + timedelta(seconds=60)).isoformat()},tap" for device in ("patch", "band"))
    line_of(home, "session,device,time,kind", *rows, table="marks.csv")


CHANGES: dict[str, tuple[Callable[[Path], None], tuple[int, int]]] = {
    "files touched, not changed": (nothing, (0, 0)),
    "title": (another_title, (0, 0)),
    "criterion": (criterion, (0, 0)),
    "participants.csv": (people, (0, 0)),
    "a look": (looked, (0, 0)),
    "setting of the machine": (lambda home: setting(home, "workers = 1"), (0, 0)),
    "setting of the last step": (lambda home: setting(home, "resamples = 5000"), (0, 0)),
    "setting of judging": (lambda home: setting(home, "tolerance_share = 0.2"), (0, 3)),
    "setting of both": (lambda home: setting(home, "min_covered = 0.9"), (3, 3)),
    "bouts of one session": (fourth_wall, (0, 1)),
    "wear.csv about one session": (worn_off, (0, 1)),
    "marks of one session": (marked, (1, 3)),
    "clock of one session": (lambda home: decided(home, "clock", "s02", value=2.0), (1, 3)),
    "raw file of one session": (longer_file, (1, 3)),
    # With the first decision that leaves readings out, all sessions get columns.
    "first decision": (lambda home: decided(home, "leave_out", "s02"), (0, 3)),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_change_does_again_what_it_bears_on_and_no_more(home: Path, what: str):
    change, expected = CHANGES[what]
    change(home)
    assert counts(home) == expected
    assert counts(home) == (0, 0)


def test_later_decisions_bear_on_their_own_session(home: Path):
    decided(home, "leave_out", "s02")
    counts(home)
    decided(home, "leave_out", "s01")
    assert counts(home) == (0, 1)
    decided(home, "wear", "s03")
    assert counts(home) == (0, 1)
    append_decisions(home / "study", [Decision(made=datetime.now(UTC), kind="revoke", revokes="D2")])
    assert counts(home) == (0, 0)  # as it was before that decision, and still kept


def test_other_code_uses_nothing_again(home: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(reuse, "code_version", lambda: "another")
    assert counts(home) == (3, 3)


def test_code_version_follows_every_line_of_the_steps(monkeypatch: pytest.MonkeyPatch):
    before = code_version()
    monkeypatch.setattr(fingerprint, "file_sha256", lambda path: "changed" if path.name == "clock.py" else "as it was")
    assert len({before, code_version.__wrapped__(), code_version()}) == 2


def test_processes_share_the_cache_and_leave_the_results_alone(home: Path):
    longer_file(home)
    assert counts(home, workers=2) == (1, 3)
    assert counts(home, workers=2) == (0, 0)


@pytest.mark.parametrize("spoil", [lambda b: b[:-1], lambda b: b"", lambda b: b[:200] + b"\0" + b[201:] + b"x"])
def test_torn_entries_are_dropped_and_made_again(home: Path, spoil: Callable[[bytes], bytes]):
    for path in (home / "cache").iterdir():
        path.write_bytes(spoil(path.read_bytes()))
    assert counts(home) == (3, 3)
    assert counts(home) == (0, 0)


def test_a_file_that_changes_while_it_is_read_is_not_kept(home: Path, monkeypatch: pytest.MonkeyPatch):
    shutil.rmtree(home / "cache")
    monkeypatch.setattr(reuse, "file_sha256", lambda _path: "0" * 64)
    assert counts(home) == (3, 3)
    # What is kept of the second pass hangs on the first, which was not.
    assert counts(home)[0] == 3


def test_without_a_place_everything_goes_on(home: Path):
    (home / "cache2").write_text("a file, not a folder")
    keep = Keep(cache=Cache(folder=home / "cache2"))
    assert told(run_study(load_study(home / "study"), keep=keep)) == told(run_study(load_study(home / "study")))
    assert keep.counts["judging"] == Reused(computed=3, reused=0)


KILLED = """\
import os, signal, sys
from pathlib import Path
from wearbench.analysis import run_study
from wearbench.recipe import reuse
from wearbench.recipe.reuse import Keep
from wearbench.study import load_study
from wearbench.study.cache import Cache

reuse.code_version = lambda: sys.argv[3]  # that of the tests, though somebody edits the sources meanwhile

def said(what, done, of):
    if done == 2:
        os.kill(os.getpid(), signal.SIGKILL)

run_study(load_study(Path(sys.argv[1])), keep=Keep(cache=Cache(folder=Path(sys.argv[2]))), progress=said)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_run_after_a_kill_goes_on_where_it_stopped(home: Path):
    shutil.rmtree(home / "cache")
    command = [sys.executable, "-c", KILLED, str(home / "study"), str(home / "cache"), code_version()]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    assert counts(home) == (1, 3)


@dataclass(frozen=True, kw_only=True, slots=True)
class Foreign:
    """No result has such a part."""

    value: int


class Bomb:
    def __reduce__(self) -> tuple[object, ...]:
        raise AssertionError("a pickle was made or run")


def test_what_is_packed_comes_back_the_same():
    words = np.array(["rowing", "", None, "rowing"], dtype=object)
    shared = np.arange(5.0)
    one = Series(
        device="band",
        quantity="heart_rate",
        unit="bpm",
        time_s=shared,
        value=np.array([np.nan, np.inf, -0.0, 1e-300, 3.0]),
        source_row=np.arange(5),
        moved_s=shared,
    )
    value = (one, [1, True, None, float("nan"), "π"], {("a", "b"): np.int8(3)}, words, ZoneInfo("Europe/Oslo"), UTC,
             timezone(timedelta(hours=5, minutes=45)), START, np.zeros((0, 2)), np.array(3.5))  # fmt: skip
    back = unpack(pack(value))
    assert pack(back) == pack(value)
    assert back[0].time_s is back[0].moved_s
    assert [back[0].value.tobytes(), back[0].value.dtype] == [one.value.tobytes(), one.value.dtype]
    assert repr(back[1:]) == repr(value[1:])
    back[0].time_s[0] = 7.0  # not frozen


def test_what_is_given_is_not_written_again():
    one = FileNote(slug="a", said="b" * 1000, file="c")
    packed = pack((one, 1), given=(one,))
    assert len(packed) < 200
    other = replace(one)
    assert unpack(packed, given=(other,))[0] is other


@pytest.mark.parametrize("value", [Foreign(value=1), Bomb(), {1, 2}, np.array([1j]), Path("x"), b"x"])
def test_other_things_cannot_be_packed(value: object):
    with pytest.raises(DataError, match=r"^expected (a class|a value|an array)"):
        pack(value)


def test_a_strangers_bytes_run_nothing_and_make_no_other_class():
    with pytest.raises(DataError, match="expected the bytes of a step's result, got others or a part of them"):
        unpack(pickle.dumps(FileNote(slug="a", said="b", file="c")))
    good = pack(DoubtSpan(start_s=0.0, end_s=1.0, why="dry"))
    forged = good.replace(b"wearbench.recipe.material.DoubtSpan", b"pathlib.PosixPath                  ")
    with pytest.raises(DataError):
        unpack(forged)


def test_oldest_entries_go_first(tmp_path: Path):
    cache = Cache(folder=tmp_path)
    keys = [f"{number:064x}" for number in range(4)]
    for age, key in enumerate(reversed(keys)):
        cache.put(key, b"x" * 1000)
        os.utime(tmp_path / f"{key}.step", (1000.0 + age, 1000.0 + age))
    (tmp_path / "notes.txt").write_text("somebody's own")
    torn = tmp_path / f".{keys[0]}.step.abc"
    torn.write_bytes(b"half")
    os.utime(torn, (1000.0, 1000.0))
    fresh = tmp_path / f".{keys[1]}.step.abc"
    fresh.write_bytes(b"being written")
    assert cache.get(keys[3]) == b"x" * 1000  # the oldest, used again: now the newest
    cache.shrink(2500)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        [f"{keys[0]}.step", f"{keys[3]}.step", fresh.name, "notes.txt"]
    )
    assert cache.size() == (2, 2000)
    cache.clear()
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
    assert cache.get(keys[0]) is None


def test_entries_are_for_their_owner_only(tmp_path: Path):
    cache = Cache(folder=tmp_path / "deep" / "cache")
    cache.put("0" * 64, b"x")
    if os.name == "posix":
        assert (tmp_path / "deep" / "cache").stat().st_mode & 0o077 == 0
    assert time.time() - (tmp_path / "deep" / "cache" / f"{'0' * 64}.step").stat().st_mtime < 60


# XDG Base Directory Specification 0.8 for the first rows; the usual places of the two other systems, from memory.
@pytest.mark.parametrize(
    ("platform", "variables", "place"),
    [
        ("linux", {"HOME": "/h", "XDG_CACHE_HOME": "/x"}, "/x/wearbench"),
        ("linux", {"HOME": "/h", "XDG_CACHE_HOME": "not/absolute"}, "/h/.cache/wearbench"),
        ("linux", {"HOME": "/h"}, "/h/.cache/wearbench"),
        ("linux", {}, None),
        ("darwin", {"HOME": "/h"}, "/h/Library/Caches/wearbench"),
        ("win32", {"LOCALAPPDATA": "/l"}, "/l/wearbench/cache"),
        ("win32", {}, None),
        ("linux", {"HOME": "/h", "WEARBENCH_CACHE": "/own"}, "/own"),
        ("linux", {"HOME": "/h", "WEARBENCH_CACHE": ""}, "/h/.cache/wearbench"),
    ],
)
def test_place_of_the_cache(platform: str, variables: dict[str, str], place: str | None):
    found = cache_folder(variables, platform=platform)
    assert found == (None if place is None else Path(place))
