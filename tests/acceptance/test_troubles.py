"""The ten troubles of a heap of exports, one by one: small files written here, sorted, and run; answers by hand.

All recordings are invented. The right numbers follow from how the files are written and stand in each docstring.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "heap"))

from heaps import DAY, course, digests, write_band, write_strap

from wearbench.analysis import run_study
from wearbench.study import Results, load_study

F64 = NDArray[np.float64]
OSLO = "Europe/Oslo"
Sort = Callable[..., Any]


@pytest.fixture
def sort(wearbench: Sort, tmp_path: Path) -> Callable[..., str]:
    """Sort the heap of this test into its study, as typed; what was printed."""

    def call(*options: str) -> str:
        before = digests(tmp_path / "heap")
        done = wearbench("sort", tmp_path / "heap", "--into", tmp_path / "study", "--yes", "--quiet", *options)
        assert done.code == 0, done.err
        assert digests(tmp_path / "heap") == before
        return " ".join(done.out.split())

    return call


def run(tmp_path: Path) -> Results:
    return run_study(load_study(tmp_path / "study"))


def raw(tmp_path: Path) -> list[str]:
    """What lies in the study, below raw."""
    place = tmp_path / "study" / "raw"
    return sorted(path.relative_to(place).as_posix() for path in place.rglob("*.*"))


def table(tmp_path: Path, name: str) -> list[dict[str, str]]:
    with (tmp_path / "study" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def clocks(results: Results) -> dict[str, tuple[float, str]]:
    """By session: how far the middle of what a reading stands for lies after its stamp, s; and trust in the clock.

    The invented band says what the rate is at the stamp, so the right answer is 0 where the stamps are right. (How an
    offset and an averaging share this middle between them cannot be told, and does not matter.)
    """
    trust = {row["session"]: row["trust"] for row in results.document["clock"]}
    pairs = results.pairs.drop_nulls(["start", "end"])
    after = (pairs["start"] + (pairs["end"] - pairs["start"]) / 2 - pairs["time"]).dt.total_milliseconds() / 1000
    return {s: (float(after.filter(pairs["session"] == s).median()), trust[s]) for s in sorted(set(pairs["session"]))}


def warned(results: Results, slug: str) -> list[str]:
    return [one["said"] for one in results.document["warnings"] if one["slug"] == slug]


def declare(tmp_path: Path, keys: str) -> None:
    """Say more of the tested device in study.toml, as a person would."""
    config = tmp_path / "study" / "study.toml"
    text = config.read_text(encoding="utf-8")
    assert text.count('role = "tested"') == 1
    config.write_text(text.replace('role = "tested"', f'role = "tested"\n{keys}'), encoding="utf-8")


def write_rows(path: Path, at: Iterable[datetime], value: Iterable[float], *, heading: str = "time;heart_rate") -> Path:
    """Stamps as they are given; without an offset if they have none."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = [f"{moment.isoformat(sep=' ')};{number:g}" for moment, number in zip(at, value, strict=True)]
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8", newline="\n")
    return path


def seconds(start: datetime, at_s: Iterable[float]) -> list[datetime]:
    return [start + timedelta(seconds=float(s)) for s in at_s]


def wall(at: Iterable[datetime], zone: str) -> list[datetime]:
    """What a clock on the wall of a zone shows."""
    return [moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for moment in at]


def read_rate(rate: F64, seed: int) -> F64:
    """What the band makes of the true rate: whole beats, a beat or two off."""
    return np.rint(rate + np.random.default_rng(seed).normal(0, 1.5, rate.size))


def test_clock_step(tmp_path: Path, sort: Callable[..., str]):
    """The band syncs in the session and jumps an hour ahead.

    Strap 09:00:00 to 10:29:59 UTC. Band one value a second; from second 4200 its stamps are 3600 s larger. So of 5400
    readings 4200 are right as stamped and 1200 an hour ahead: the step is at 09:00 + 4200 s = 10:10 true, 11:10 by its
    own stamps, and -3600 s puts it right. Nothing is moved without a decision: 1200 readings are set aside, and the
    clock of the others is right.
    """
    heap, rate = tmp_path / "heap", course(5400, 3)
    write_strap(heap / "strap 12.csv", DAY, rate, 3)
    at = np.arange(5400)
    write_rows(heap / "band 12.csv", seconds(DAY, np.where(at < 4200, at, at + 3600)), read_rate(rate, 3))
    said = sort()
    assert raw(tmp_path) == ["2031-01-12/band.csv", "2031-01-12/strap.csv"]
    assert "Nothing was copied" not in said
    results = run(tmp_path)
    (proposal,) = results.document["proposals"]
    assert (proposal["kind"], proposal["shift_s"]) == ("clock_step", -3600.0)
    assert proposal["from"] == DAY + timedelta(seconds=4200 + 3600)
    assert proposal["evidence"]["n"] == 1200
    aside = results.pairs.filter(results.pairs["reason"] == "clock_unknown")
    assert aside.height == 1200
    kept = results.pairs.filter("used")
    assert kept.height == pytest.approx(4200, abs=20)
    ((offset, _),) = clocks(results).values()
    assert offset == pytest.approx(0.0, abs=1.0)


def test_flight(tmp_path: Path, sort: Callable[..., str]):
    """A band that takes its time from a phone, before and after a flight from UTC+1 to UTC+5:45, in one export.

    Four sessions at 09:00 UTC: the band writes 10:00, 10:00, 14:45, 14:45. Read in Oslo the last two would be
    13:45 UTC, 4 h 45 min late; 5:45 is what both need, so sort writes +05:45 for these two, and all four clocks are
    right.
    """
    heap = tmp_path / "heap"
    rows: list[datetime] = []
    values: list[float] = []
    for day, zone in enumerate((OSLO, OSLO, "Asia/Kathmandu", "Asia/Kathmandu")):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        write_strap(heap / f"strap {start.day}.csv", start, rate, day)
        rows += wall(seconds(start, range(1200)), zone)
        values += read_rate(rate, day).tolist()
    write_rows(heap / "band all.csv", rows, values)
    said = sort("--timezone", OSLO)
    assert "2 sessions from 2031-01-14 to 2031-01-15: timezone +05:45 in sessions.csv" in said
    written = table(tmp_path, "sessions.csv")
    assert [row["timezone"] for row in written] == ["", "", "+05:45", "+05:45"]
    assert [row["start"] for row in written][2:] == ["2031-01-14T14:45:00+05:45", "2031-01-15T14:45:00+05:45"]
    (origin,) = (row for row in table(tmp_path, "origins.csv") if row["source"] == "band all.csv")
    assert origin["note"] == "stamps read in +05:45 for 2031-01-14 2031-01-15, found by sort"
    found = clocks(run(tmp_path))
    assert sorted(found) == ["2031-01-12", "2031-01-13", "2031-01-14", "2031-01-15"]
    for offset, trust in found.values():
        assert trust in ("good", "weak")  # weak where the readings alone tell a clock to no better than 0.3 s
        assert offset == pytest.approx(0.0, abs=1.0)


def test_local_time_stored_as_utc_beside_a_quiet_day(tmp_path: Path, sort: Callable[..., str]):
    """A band that writes local time and says it is UTC, minutes all day and seconds in exercise, after a flight.

    In Oslo it is an hour late, in Kathmandu 5 h 45 min: -3600 s and -20,700 s put it right, though the minutes that it
    stamps as in the session are of another hour of the day. No zone can be written for stamps that claim to be UTC:
    sort says what it looks like, and run finds the offset.
    """
    heap = tmp_path / "heap"
    at: list[datetime] = []
    values: list[float] = []
    ahead_s = (3600, 3600, 20_700, 20_700)
    for day, ahead in enumerate(ahead_s):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        write_strap(heap / f"strap {start.day}.csv", start, rate, day)
        quiet = np.arange(-9 * 3600, 13 * 3600, 60)
        quiet = quiet[(quiet < 0) | (quiet >= 1200)]
        rest = 70 + 8 * np.sin(quiet / 3000) + np.random.default_rng(day).normal(0, 3, quiet.size)
        s = np.concatenate([quiet, np.arange(1200)])
        order = np.argsort(s)
        at += seconds(start + timedelta(seconds=ahead), s[order])
        values += np.rint(np.concatenate([rest, read_rate(rate, day)])[order]).tolist()
    write_rows(heap / "band all.csv", at, values)
    said = sort("--timezone", OSLO)
    assert said.count("local time stored as UTC?") == 1
    assert "1 export that spans sessions" in said
    assert "timezone" not in table(tmp_path, "sessions.csv")[0]
    rows = run(tmp_path).document["clock"]
    assert {row["trust"] for row in rows} <= {"good", "weak"}
    for row, ahead in zip(rows, ahead_s, strict=True):
        assert row["offset_s"] == pytest.approx(-ahead, abs=15)


def test_repeated_hour(tmp_path: Path, sort: Callable[..., str]):
    """Local stamps over the night the clocks go back.

    Session 00:15 to 02:45 UTC on 26 October 2031. At 01:00 UTC Oslo goes from 03:00 back to 02:00, so the band writes
    02:15 .. 02:59:59 (2700 s), then 02:00 .. 03:44:59 (6300 s): 02:15 to 03:00 comes twice. Put in order it is 9000
    seconds without a hole, from 00:15:00 to 02:44:59 UTC, clock right; read naively, 2700 readings would lie on others.
    """
    heap, rate = tmp_path / "heap", course(9000, 5)
    start = datetime(2031, 10, 26, 0, 15, tzinfo=UTC)
    write_strap(heap / "strap night.csv", start, rate, 5)
    at = wall(seconds(start, range(9000)), OSLO)
    assert sum(b < a for a, b in pairwise(at)) == 1
    write_rows(heap / "band night.csv", at, read_rate(rate, 5))
    sort("--timezone", OSLO)
    assert len(table(tmp_path, "sessions.csv")) == 1
    results = run(tmp_path)
    stamps = results.pairs["time"].sort()
    assert stamps.len() == 9000
    assert (stamps[0], stamps[-1]) == (start, start + timedelta(seconds=8999))
    assert (stamps.diff().drop_nulls().dt.total_seconds() == 1).all()
    ((offset, trust),) = clocks(results).values()
    assert trust == "good"
    assert offset == pytest.approx(0.0, abs=1.0)
    assert results.pairs["used"].mean() > 0.99


def test_crash_parts_with_a_hole_of_40_s(tmp_path: Path, sort: Callable[..., str]):
    """The strap's app crashes at 900 s and is back at 940 s: two files, one session.

    No beats between 900 and 940 s, so none between the last beat before and the first after, 40 to 41.2 s at 100 to 130
    bpm. Said to average 10 s and to be on the strap's clock, a reading at t covers t - 10 to t and needs four fifths of
    it: no longer from 2 s after the last beat, again from 8 s after the first. 40 + 8 - 2 = 46 readings a second apart
    (and up to 2 more for the beats' places) have no reference; no beat is made up to fill the hole.
    """
    heap, rate = tmp_path / "heap", course(2400, 9)
    write_strap(heap / "strap a.csv", DAY, rate[:900], 9)
    write_strap(heap / "strap b.csv", DAY + timedelta(seconds=940), rate[940:], 10)
    write_band(heap / "band.csv", DAY, rate, seed=9)
    sort()
    assert raw(tmp_path) == ["2031-01-12/band.csv", "2031-01-12/strap.part1.csv", "2031-01-12/strap.part2.csv"]
    declare(tmp_path, 'clock = "shared"\naveraging_s = 10\ndelay_s = 0')
    pairs = run(tmp_path).pairs.sort("time")
    assert pairs.height == 2400
    begins = DAY + timedelta(seconds=900)
    unpaired = pairs.filter(~pairs["used"] & (pairs["time"] > DAY + timedelta(seconds=60)))
    assert set(unpaired["reason"]) == {"covered_too_little", "no_reference"}
    assert 46 <= unpaired.height <= 48
    assert begins < unpaired["time"].min() < begins + timedelta(seconds=4)
    assert ((unpaired["time"].diff().drop_nulls()).dt.total_seconds() == 1).all()


def test_backup_copy_missing_3_percent(tmp_path: Path, sort: Callable[..., str]):
    """A second phone heard the strap too, 3 % less of it; the first lost 40 s.

    The strap's own file lacks the beats from 600 s to 640 s. The copy has them, and lacks every 33rd interval
    (1/33 = 3.03 %). What both have is the same to the beat (share of identical ones: all), what one lacks the other
    gives: the hole is filled, so that all but a few of 1200 readings have a reference, as they would not with one file.
    """
    heap, rate = tmp_path / "heap", course(1200, 2)
    whole = write_strap(tmp_path / "whole.csv", DAY, rate, 2).read_text(encoding="utf-8").splitlines()
    head, rows = whole[0], whole[1:]
    at = [(datetime.fromisoformat(row.split(",")[0]) - DAY).total_seconds() for row in rows]
    own = [row for row, t in zip(rows, at, strict=True) if not 600 < t < 640]
    copy = [row for number, row in enumerate(rows, start=1) if number % 33]
    assert len(copy) == len(rows) - len(rows) // 33
    for name, kept in (("strap.csv", own), ("old phone/strap.csv", copy)):
        (heap / name).parent.mkdir(parents=True, exist_ok=True)
        (heap / name).write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    write_band(heap / "band.csv", DAY, rate, seed=2)
    sort()
    assert len(raw(tmp_path)) == 3
    assert [name for name in raw(tmp_path) if "strap" in name and "@" in name] != []
    results = run(tmp_path)
    (row,) = results.document["copies"]
    both = [row_ for row_ in own if row_ in set(copy)]
    assert row["n_both"] == pytest.approx(len(both), rel=0.005)
    assert row["n_identical"] == row["n_both"]
    assert row["n_filled"] > 0
    assert results.pairs["reference"].is_null().sum() <= 4


def test_contradicting_re_export(tmp_path: Path, sort: Callable[..., str]):
    """The same fortnight exported twice; the second says something else in places.

    Two exports of 3 days of minutes, 4320 each. The second reaches an hour further (60 minutes more) and differs in
    every 20th of the first 4280 minutes: 214, by 1 + (i mod 31) bpm, so by up to 31. The later one is used.
    """
    heap, n = tmp_path / "heap", 3 * 1440
    rate = course(60 * (n + 60), 77)[::60]
    first = np.rint(rate)
    second = first.copy()
    changed = np.arange(214) * 20 + 7
    second[changed] += 1 + np.arange(214) % 31
    at = seconds(DAY - timedelta(hours=9), 60.0 * np.arange(n + 60))
    write_rows(heap / "band 4 March.csv", at[:n], first[:n])
    write_rows(heap / "band 11 March.csv", at, second)
    for day in range(2):
        begin = (9 * 60 + day * 1440) * 60
        values = np.interp(np.arange(begin, begin + 5400), 60.0 * np.arange(n + 60), rate)
        write_strap(heap / f"strap {day}.csv", DAY + timedelta(days=day), values, day)
    said = sort()
    assert "2 exports that span sessions" in said or "1 export that spans sessions" in said
    results = run(tmp_path)
    (told,) = warned(results, "exports-differ")
    assert "214 of 4,320 minutes differ between the exports raw/_all/band" in told
    assert "by up to 31 bpm; those of the second are used" in told
    paired = results.pairs.filter(results.pairs["session"] == "2031-01-13").sort("time")
    minute = (paired["time"].dt.epoch("s") - int((DAY - timedelta(hours=9)).timestamp())) // 60
    assert paired["tested"].to_list() == second[minute.to_numpy()].tolist()


def test_minute_values_stamped_at_the_start(tmp_path: Path, sort: Callable[..., str]):
    """09:07 stands for 09:07 to 09:08.

    The true rate in minute k is 80 + k for the first half hour, then falls again: 80 + min(k, 60 - k). The band writes
    that number at the minute's start. Read as starting, reading k stands beside the mean rate of its own minute:
    difference 0 (to the rounding of beats). Read as ending it would stand beside minute k - 1: off by 1 while rising,
    by -1 while falling. The device's section says so, on the reference's clock.
    """
    heap = tmp_path / "heap"
    level = 80.0 + np.minimum(np.arange(60), 60 - np.arange(60))
    write_strap(heap / "strap.csv", DAY, np.repeat(level, 60), 4)
    write_rows(heap / "band.csv", seconds(DAY, 60.0 * np.arange(60)), level)
    sort()
    config = tmp_path / "study" / "study.toml"
    plain = config.read_text(encoding="utf-8")
    apart = {}
    for stands_for in ("starting", "ending"):
        config.write_text(plain, encoding="utf-8")
        declare(tmp_path, f'clock = "shared"\naveraging_s = 60\ndelay_s = 0\nstands_for = "{stands_for}"')
        pairs = run(tmp_path).pairs.sort("time")
        lag = 0 if stands_for == "starting" else 60
        assert ((pairs["time"] - pairs["start"]).dt.total_seconds() == lag).all()
        apart[stands_for] = (pairs["tested"] - pairs["reference"]).to_numpy()
    inner = slice(2, 58)
    assert np.abs(apart["starting"][inner]).max() < 0.6
    rising, falling = apart["ending"][2:30], apart["ending"][32:58]
    assert rising.mean() == pytest.approx(1.0, abs=0.1)
    assert falling.mean() == pytest.approx(-1.0, abs=0.1)


def test_mode_switch(tmp_path: Path, sort: Callable[..., str]):
    """One value a minute in rest, one a second in exercise, in one export.

    40 min rest, 20 min exercise, 60 min rest: 40 + 60 readings a minute apart and 1200 a second apart. By readings
    exercise has 1200/1300 = 92 %, by time 20/120 = 17 %. At rest the band reads 3 bpm too high, in exercise 0: by
    readings 100 * 3 / 1300 = 0.23 bpm, by time 100/120 * 3 = 2.5 bpm.
    """
    heap, rate = tmp_path / "heap", course(7200, 6)
    rate = np.convolve(np.pad(rate, 60, mode="edge"), np.full(121, 1 / 121), mode="valid")
    write_strap(heap / "strap.csv", DAY, rate, 6)
    slow = np.concatenate([np.arange(60, 2401, 60), np.arange(3660, 7201, 60)])
    quick = np.arange(2401, 3601)
    at = np.sort(np.concatenate([slow, quick]))
    means = np.concatenate([[rate[0]], np.cumsum(rate)])
    value = [(means[t] - means[max(0, t - 60)]) / 60 + 3 if t in set(slow.tolist()) else rate[min(t, 7199)] for t in at]
    write_rows(heap / "band.csv", seconds(DAY, at), np.rint(value))
    sort()
    results = run(tmp_path)
    rows = {row["rhythm"]: row for row in results.document["rhythms"]}
    assert set(rows) == {"one value a second", "one value a minute", "all"}
    assert rows["one value a second"]["n_pairs"] == pytest.approx(1200, abs=10)
    assert rows["one value a minute"]["n_pairs"] == pytest.approx(100, abs=4)
    assert rows["one value a second"]["bias"] == pytest.approx(0.0, abs=0.3)
    assert rows["one value a minute"]["bias"] == pytest.approx(3.0, abs=0.3)
    assert rows["all"]["bias"] == pytest.approx(0.23, abs=0.3)
    assert rows["all"]["bias_by_time"] == pytest.approx(2.5, abs=0.3)
    assert len(warned(results, "rhythms-mixed")) == 1


def test_strap_forgotten(tmp_path: Path, sort: Callable[..., str]):
    """Three sessions with strap and band; on the fourth day, 15 January, only the band.

    Four occasions, one without a reference: sort names the day; three sessions are judged; the fourth counts for
    availability, its 1200 readings with nothing beside them: 3 * 1200 readings can be used at most.
    """
    heap = tmp_path / "heap"
    for day in range(4):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        if day < 3:
            write_strap(heap / f"strap {start.day}.csv", start, rate, day)
        write_band(heap / f"band {start.day}.csv", start, rate, seed=day)
    said = sort()
    assert "3 occasions where strap and a tested device both recorded." in said
    assert "1 where only band did (15 January: strap forgotten?)." in said
    results = run(tmp_path)
    rows = {row["session"]: row["end"] for row in table(tmp_path, "sessions.csv")}
    assert len(rows) == 4
    used = results.pairs.filter("used")
    assert sorted(set(used["session"])) == ["2031-01-12", "2031-01-13", "2031-01-14"]
    assert 3 * 1200 - 40 <= used.height <= 3 * 1200
    alone = [one["said"] for one in results.document["warnings"] if one["said"].startswith("2031-01-15")]
    assert alone == [
        "2031-01-15: no usable reference of heart rate; band gave it for 100 % of 19 min 59 s, which counts for "
        "availability, not for accuracy"
    ]


def test_sessions_of_two_firmware_spans(tmp_path: Path, sort: Callable[..., str]):
    """The note says 2.0 on 12 January and 2.1 on 15 January; the update may have come at any hour of the 15th.

    Sessions on 12, 13, 14, 15, 16, 17 January. 2.0 was seen on the 12th and 2.1 by the end of the 15th, so 13th and
    14th and 15th lie between: unknown, and counted both ways. Known: one before (12th), two after (16th, 17th).
    The band is off by 4 bpm until the 14th, by 1 from the 15th. Mean absolute error, left out: 1 - 4 = -3. As before:
    1 - (4 + 4 + 4 + 1) / 4 = -2.25. As after: (4 + 4 + 1 + 1 + 1) / 5 - 4 = -1.8. Better either way.
    """
    heap = tmp_path / "heap"
    for day in range(6):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        write_strap(heap / f"strap {start.day}.csv", start, rate, day)
        write_rows(heap / f"band {start.day}.csv", seconds(start, range(1200)), np.rint(rate) + (4 if day < 3 else 1))
    (heap / "Versionsstände.txt").write_text(
        "Versionen (erfunden)\n\n12.01.2031  band 2.0\n15.01.2031  Mittwoch: band 2.1 (von selbst)\n", encoding="utf-8"
    )
    said = sort("--timezone", "UTC")
    assert (
        "Versionsstände.txt is a note of versions; rows for versions.csv: band 2.0 2031-01-12 00:00, "
        "band 2.0 2031-01-12 23:59, band 2.1 2031-01-15 23:59." in said
    )
    assert table(tmp_path, "versions.csv") == [
        {"device": "band", "part": "device", "seen_at": f"2031-01-{at}+00:00", "version": version, "how_known": "note"}
        for at, version in (("12T00:00:00", "2.0"), ("12T23:59:59", "2.0"), ("15T23:59:59", "2.1"))
    ]
    results = run(tmp_path)
    (row,) = results.document["versions"]
    assert (row["before"], row["after"]) == ("2.0", "2.1")
    assert row["sessions_before"] == ["2031-01-12"]
    assert row["sessions_unknown"] == ["2031-01-13", "2031-01-14", "2031-01-15"]
    assert row["sessions_after"] == ["2031-01-16", "2031-01-17"]
    assert row["mae_change_left_out"] == pytest.approx(-3.0, abs=0.1)
    assert row["mae_change_as_before"] == pytest.approx(-2.25, abs=0.1)
    assert row["mae_change_as_after"] == pytest.approx(-1.8, abs=0.1)
    assert row["matters"] is False


_NIGHTS = ((12, 23, 30), (14, 9, 0), (15, 23, 30))


def test_counter_of_two_firmware_spans(tmp_path: Path, sort: Callable[..., str]):
    """The old firmware counts steps from 0 each midnight, the new one goes on; the update itself begins anew.

    100 steps a minute all the time, a row at every whole minute, three sessions of an hour with 60 rows, so 59
    differences of 100: 5900 steps in each. Night of the 12th (old), 23:30 to 00:29: 1440 * 100 = 144,000 at midnight,
    100 at 00:01. Morning of the 14th, 09:00 to 09:59: 569 * 100 = 56,900 at 09:29, the update, 100 at 09:30; last less
    first would be 3,000 - 54,000 = -51,000. Night of the 15th (new): no fall at midnight, last less first is 5900.
    """
    heap = tmp_path / "heap"
    first = datetime(2031, 1, 12, tzinfo=UTC)
    update = datetime(2031, 1, 14, 9, 29, tzinfo=UTC)
    at = [first + timedelta(minutes=m) for m in range(1, 5 * 1440)]
    count, shown = 0, []
    for moment in at:
        anew = moment == update + timedelta(minutes=1) or (moment <= update and moment.hour == 0 and moment.minute == 1)
        count = 100 if anew else count + 100
        shown.append(count)
    write_rows(heap / "band steps.csv", at, shown, heading="time;steps")
    begins = [datetime(2031, 1, day, hour, minute, tzinfo=UTC) for day, hour, minute in _NIGHTS]
    for number, start in enumerate(begins):
        rate = course(3600, number)
        write_strap(heap / f"strap {number}.csv", start, rate, number)
        write_band(heap / f"wrist {number}.csv", start, rate, seed=number)
    (heap / "updates.txt").write_text("2031-01-12 band 1.9\n2031-01-14 09:29 band 2.0\n", encoding="utf-8")
    sort("--timezone", "UTC", "--device", "band steps.csv=band", "--reference", "strap")
    repairs = [one["said"] for one in run(tmp_path).document["repairs"] if one["slug"] == "counter-anew"]
    assert repairs == [
        "2031-01-12: the running count of steps of band begins anew once, first at 2031-01-13 00:01 (144,000 to 100); "
        "read on as one count: at least 5,900 steps in the session",
        "2031-01-14: the running count of steps of band begins anew once, first at 2031-01-14 09:30 (56,900 to 100); "
        "read on as one count: at least 5,900 steps in the session",
    ]
    new = [v for moment, v in zip(at, shown, strict=True) if begins[2] <= moment < begins[2] + timedelta(hours=1)]
    assert (len(new), new[-1] - new[0]) == (60, 5900)
    assert [row["version"] for row in table(tmp_path, "versions.csv")] == ["1.9", "1.9", "2.0"]
