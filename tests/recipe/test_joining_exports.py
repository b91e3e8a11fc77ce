"""Exports that span sessions: what a fortnight in one file, a file a day or a second export gives each session."""

from __future__ import annotations

import gc
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray
from recorded import stamps, study, wear

from wearbench.analysis import run_study
from wearbench.formats import FileContent, ReadContext
from wearbench.recipe import rawfile, spanning
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.reading import read_session
from wearbench.study import load_study, results_schema, table_of
from wearbench.study.results import plain

F64 = NDArray[np.float64]
OSLO = ZoneInfo("Europe/Oslo")
DAY = datetime(2031, 3, 4, tzinfo=UTC)


@pytest.fixture(autouse=True)
def nothing_kept():
    spanning._cache.clear()
    yield
    spanning._cache.clear()
    gc.collect()


def sessions(folder: Path, *rows: tuple[str, datetime, datetime]) -> None:
    lines = [f"{name},{start.isoformat()},{end.isoformat()}" for name, start, end in rows]
    (folder / "sessions.csv").write_text("\n".join(["session,start,end", *lines]) + "\n", encoding="utf-8")


def put(folder: Path, name: str, text: str) -> Path:
    path = folder / "raw" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def minutes(start: datetime, value: F64, *, local: ZoneInfo | None = None) -> str:
    """One value a minute, stamped in UTC or, without an offset, in local time."""
    rows = []
    for i, v in enumerate(value):
        at = start + timedelta(minutes=i)
        text = at.isoformat() if local is None else at.astimezone(local).replace(tzinfo=None).isoformat(sep=" ")
        rows.append(f"{text},{v:.0f}")
    return "\n".join(["time,heart_rate", *rows]) + "\n"


def read_all(folder: Path) -> list[SessionMaterial]:
    loaded = load_study(folder)
    return [read_session(loaded, session) for session in loaded.sessions]


def fortnight(n: int = 14 * 1440, seed: int = 5) -> F64:
    hour = np.arange(n) / 60.0
    return np.rint(70 + 15 * np.sin(hour / 24 * 2 * np.pi) + np.random.default_rng(seed).normal(0, 6, n))


def shared(folder: Path, *, zone: str = "UTC") -> Path:
    """A study whose band is on the reference's clock."""
    folder = study(folder, zone=zone)
    text = (folder / "study.toml").read_text("utf-8")
    (folder / "study.toml").write_text(text.replace('label = "Wrist band"', 'clock = "shared"'), encoding="utf-8")
    return folder


def test_a_fortnight_in_one_file_is_read_once_and_cut_to_each_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    folder = shared(tmp_path / "study")
    value = fortnight()
    put(folder, "_all/band.csv", minutes(DAY, value))
    begins = [DAY + timedelta(days=d, hours=9) for d in range(10)]
    sessions(folder, *((f"S{i:02d}", at, at + timedelta(hours=2)) for i, at in enumerate(begins)))
    reads: list[str] = []
    really = rawfile.read_file

    def counted(path: Path, context: ReadContext) -> FileContent:
        reads.append(path.name)
        return really(path, context)

    monkeypatch.setattr(rawfile, "read_file", counted)
    materials = read_all(folder)
    assert reads == ["band.csv"]
    for day, material in enumerate(materials):
        begin = day * 1440 + 540
        np.testing.assert_array_equal(material.tested[0].value, value[begin : begin + 120])
        np.testing.assert_array_equal(material.tested[0].time_s, 60.0 * np.arange(120))
    put(folder, "_all/band.csv", minutes(DAY, value + 1))
    assert read_all(folder)[0].tested[0].value[0] == value[540] + 1
    assert reads == ["band.csv"] * 2


def test_exports_that_contradict_each_other_are_told_apart_and_the_later_one_is_used(tmp_path: Path):
    """Of 20,160 minutes in both exports 214 differ, by up to 31 bpm; the second reaches a week further."""
    folder = shared(tmp_path / "study")
    value = fortnight(21 * 1440)
    again = value.copy()
    changed = np.arange(214) * 90 + 7
    again[changed] += 1 + np.arange(214) % 31
    put(folder, "_all/band.part1.csv", minutes(DAY, value[: 14 * 1440]))
    put(folder, "_all/band.part2.csv", minutes(DAY, again))
    sessions(
        folder,
        ("S01", DAY, DAY + timedelta(hours=12)),
        ("S02", DAY + timedelta(days=17), DAY + timedelta(days=17, hours=2)),
    )
    first, second = read_all(folder)
    np.testing.assert_array_equal(first.tested[0].value, again[:720])
    np.testing.assert_array_equal(second.tested[0].value, again[17 * 1440 :][:120])
    said = (
        "214 of 20,160 minutes differ between the exports raw/_all/band.part1.csv (to 17 March 2031) and "
        "raw/_all/band.part2.csv (to 24 March 2031), by up to 31 bpm; those of the second are used"
    )
    assert [(w.slug, w.said) for w in first.warnings] == [("exports-differ", said)]
    results = run_study(load_study(folder))
    (row,) = results.document["overlaps"]
    assert (row["n_both"], row["n_identical"], row["most"], row["session"]) == (20160, 19946, 31.0, None)
    kept = {(d["time"] - DAY) // timedelta(minutes=1): (d["first"], d["second"]) for d in row["differences"]}
    assert sorted(kept) == changed.tolist()
    assert kept[7] == (value[7] + 1, value[7])
    warned = [w for w in results.document["warnings"] if w["slug"] == "exports-differ"]
    assert [w["session"] for w in warned] == [None]
    assert [i["path"] for i in results.document["inputs"]] == ["raw/_all/band.part1.csv", "raw/_all/band.part2.csv"]
    jsonschema.validate(plain(results.document), results_schema())
    assert table_of(results.document, "overlaps")[0]["n_both"] == 20160


def test_what_only_the_earlier_export_has_fills_the_later_one(tmp_path: Path):
    folder = shared(tmp_path / "study")
    value = fortnight(1440)
    text = minutes(DAY, value).splitlines()
    put(folder, "_all/band.part1.csv", "\n".join(text) + "\n")
    put(folder, "_all/band.part2.csv", "\n".join([*text[:301], *text[361:]]) + "\n")
    sessions(folder, ("S01", DAY + timedelta(hours=4), DAY + timedelta(hours=8)))
    (material,) = read_all(folder)
    np.testing.assert_array_equal(material.tested[0].value, value[240:480])
    assert material.warnings == ()
    assert [c.said for c in material.compared] == [
        "1,380 minutes in both the exports raw/_all/band.part1.csv (to 4 March 2031) and raw/_all/band.part2.csv (to "
        "4 March 2031), all identical, counted once; 60 minutes only in the first"
    ]


def test_a_file_a_day_is_joined_across_midnight_and_the_hour_that_comes_twice(tmp_path: Path):
    """In Oslo the night of 26 October 2031 has an hour more: 00:30 UTC is 02:30 local, and so is 01:30 UTC."""
    folder = shared(tmp_path / "study", zone="Europe/Oslo")
    start = datetime(2031, 10, 25, tzinfo=OSLO).astimezone(UTC)
    midnight = datetime(2031, 10, 26, tzinfo=OSLO).astimezone(UTC)
    value = fortnight(1440 + 1500)
    put(folder, "_all/band.part1.csv", minutes(start, value[:1440], local=OSLO))
    put(folder, "_all/band.part2.csv", minutes(midnight, value[1440:], local=OSLO))
    sessions(folder, ("night", midnight - timedelta(hours=1), midnight + timedelta(hours=6)))
    (material,) = read_all(folder)
    np.testing.assert_array_equal(material.tested[0].time_s, 60.0 * np.arange(420))
    np.testing.assert_array_equal(material.tested[0].value, value[1380:1800])
    assert material.warnings == ()
    assert material.left_out == ()


def test_nothing_in_an_export_without_dates_can_be_cut(tmp_path: Path):
    folder = shared(tmp_path / "study")
    put(folder, "_all/patch.rr.txt", "\n".join(["800", "810", "790"] * 30) + "\n")
    sessions(folder, ("S01", DAY, DAY + timedelta(hours=1)))
    (material,) = read_all(folder)
    assert [(n.slug, n.file, n.said) for n in material.left_out] == [
        (
            "spanning-no-start",
            "raw/_all/patch.rr.txt",
            "expected stamps with a date, to cut this export by the sessions' times, got rr without; put it in the "
            "folder of its session",
        )
    ]


def days_of_rowing(folder: Path, *, clock_s: float) -> list[tuple[F64, F64]]:
    """Three days: forty minutes of rowing each, the band worn from 6 to 22 h, in one file with a clock of its own."""
    rows: list[str] = []
    kept = []
    times = []
    for day in range(3):
        start = DAY + timedelta(days=day, hours=12)
        worn = wear(seed=40 + day)
        beat = worn.reference.knot_s
        lines = [f"{t},{1000 * rr:.1f}" for t, rr in zip(stamps(beat[1:], start=start), np.diff(beat), strict=True)]
        put(folder, f"S{day}/patch.csv", "\n".join(["time,rr_ms", *lines]) + "\n")
        rest = np.arange(-6 * 3600, 10 * 3600, 5.0)
        rest = rest[(rest < worn.time_s[0] - 1) | (rest > worn.time_s[-1] + 1)]
        quiet = np.rint(62 + 4 * np.sin(rest / 900) + np.random.default_rng(day).normal(0, 1.5, rest.size))
        at = np.concatenate([rest, worn.time_s])
        value = np.concatenate([quiet, worn.value])
        order = np.argsort(at)
        rows += [f"{t},{v:.0f}" for t, v in zip(stamps(at[order] + clock_s, start=start), value[order], strict=True)]
        kept.append((worn.time_s, worn.value))
        times.append((f"S{day}", start, start + timedelta(seconds=float(worn.reference.knot_s[-1]))))
    put(folder, "_all/band.csv", "\n".join(["time,heart_rate", *rows]) + "\n")
    sessions(folder, *times)
    return kept


@pytest.mark.parametrize(("clock_s", "off_s"), [(20.0, 0.0), (3600.0 + 11.0, 3600.0)])
def test_a_clock_of_its_own_is_followed_no_further_than_it_is_off(tmp_path: Path, clock_s: float, off_s: float):
    folder = study(tmp_path / "study")
    worn = days_of_rowing(folder, clock_s=clock_s)
    loaded = load_study(folder)
    for session, (time_s, value) in zip(loaded.sessions, worn, strict=True):
        series = read_session(loaded, session).tested[0]
        length = (session.end_ms - session.start_ms) / 1000.0  # type: ignore[operator]
        assert series.time_s[0] >= off_s - 900.0
        assert series.time_s[-1] < length + off_s + 900.0
        inside = np.isin(np.round(series.time_s, 3), np.round(time_s + clock_s, 3))
        np.testing.assert_array_equal(series.value[inside], value)
    results = run_study(loaded)
    for row in results.document["clock"]:
        assert row["trust"] in ("good", "weak")  # weak where the readings tell it to no better than 0.3 s
        assert row["offset_s"] == pytest.approx(-clock_s, abs=8.0)
