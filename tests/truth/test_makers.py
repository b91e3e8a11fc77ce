"""Both makers of the grid: studies that the truth beside them describes."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import polars as pl
import pytest

from benchmarks.truth import from_demo, from_second
from benchmarks.truth.design import BASE, Design, settled
from benchmarks.truth.second_strap import strap_of

MAKERS = {"demo": from_demo, "second": from_second}
NAMES = {"demo": ("band", "patch"), "second": ("wrist", "strap")}


def design_of(generator: str, **levels: str) -> Design:
    short = settled(BASE | {"length": "5 min"} | levels)
    return Design(name=f"{generator}-test", generator=generator, kind="single", levels=short)


def make(folder: Path, generator: str, **levels: str) -> Design:
    design = design_of(generator, **levels)
    MAKERS[generator].write_design(folder, design)
    return design


def truth(folder: Path, name: str) -> pl.DataFrame:
    return pl.read_parquet(folder / "truth" / f"{name}.parquet")


@pytest.mark.parametrize("generator", ["demo", "second"])
def test_same_design_same_bytes(tmp_path: Path, generator: str) -> None:
    for name in ("a", "b"):
        make(tmp_path / name, generator)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert len(files) >= 20
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


@pytest.mark.parametrize("generator", ["demo", "second"])
def test_bounds_stand_beside_every_session_before_anything_is_run(tmp_path: Path, generator: str) -> None:
    design = make(tmp_path / "study", generator)
    bounds = pl.read_csv(tmp_path / "study" / "truth" / "bounds.csv")
    assert bounds["session"].to_list() == truth(tmp_path / "study", "sessions")["session"].to_list()
    assert bounds.height == design.n_sessions
    assert not (tmp_path / "study" / "results").exists()


@pytest.mark.parametrize("generator", ["demo", "second"])
@pytest.mark.parametrize("smoothing", ["boxcar", "exponential"])
def test_windows_follow_from_averaging_delay_and_clock(tmp_path: Path, generator: str, smoothing: str) -> None:
    make(tmp_path / "s", generator, smoothing=smoothing, averaging="30 s", delay="10 s", clock="2 h", drift="0 ppm")
    rows = truth(tmp_path / "s", "readings").join(truth(tmp_path / "s", "sessions"), on=["session", "device"])
    us = rows.select(
        length=pl.col("end").cast(pl.Int64) - pl.col("start").cast(pl.Int64),
        back=(pl.col("time").cast(pl.Int64) - pl.col("end").cast(pl.Int64)) / 1e6 + pl.col("offset_s"),
    )
    assert us["length"].to_numpy() == pytest.approx(30e6, abs=2)
    late = us["back"].to_numpy()
    assert np.all((late > 8.99) & (late < 10.01))  # stamps cut to whole seconds come up to one second early


@pytest.mark.parametrize("generator", ["demo", "second"])
def test_long_averaging_shows_the_mean_over_the_window(tmp_path: Path, generator: str) -> None:
    """A device that never fails, averaging 120 s evenly: readings are the rate over the window the truth names."""
    levels = {"halved": "0 %", "locked": "0 %", "frozen": "0 %", "dropout": "0 %", "averaging": "120 s"}
    design = design_of(generator, **levels)
    module: ModuleType = MAKERS[generator]
    if generator == "second":
        person = from_second.heart_of(design, 0)
        value = from_second.track(
            from_second.rng_of(design, 0, "track"),
            from_second.device_of(design),
            person,
            from_second.Clock(offset_s=0.0, drift_ppm=0.0),
            spells=from_second.chain_of(design, 0, person),
        )
        off = value.shown - value.reference
        assert value.pure is not None
        assert value.pure.all()
    else:
        sessions = _demo_sessions(module, tmp_path, design)
        off = sessions.value_bpm - sessions.truth_bpm
        assert sessions.pure.all()
    assert abs(float(np.mean(off))) < 0.6
    assert float(np.std(off)) < 2.5


def _demo_sessions(module: ModuleType, folder: Path, design: Design):  # type: ignore[no-untyped-def]
    from wearbench.simulator import SessionPlan, write_study

    person = module.person_of(design, 0)
    plan = SessionPlan(
        name="S01",
        start=module.FIRST,
        person=person,
        bouts=module.bouts_of(design, 0, person),
        devices=(module.device_of(design, 0, (0.0, 0.0)),),
    )
    return write_study(folder / "one", [plan], seed=1)[0].devices[0]


@pytest.mark.parametrize("generator", ["demo", "second"])
def test_shares_come_near_what_the_design_says(tmp_path: Path, generator: str) -> None:
    levels = {"halved": "60 %", "locked": "0 %", "frozen": "0 %", "dropout": "0 %", "length": "2 h"}
    make(tmp_path / "s", generator, interval="10 s", **levels)
    state = truth(tmp_path / "s", "readings")["state"]
    assert 0.4 < (state == "halved").mean() < 0.8  # type: ignore[operator]
    assert set(truth(tmp_path / "s", "spells")["kind"]) == {"halved"}


@pytest.mark.parametrize("generator", ["demo", "second"])
@pytest.mark.parametrize(
    ("level", "kind"),
    [
        ("every second beat", "every_second"),
        ("double counting", "double_count"),
        ("gaps", "lost"),
        ("dry start", "dry"),
    ],
)
def test_what_is_wrong_with_the_reference_is_in_its_recording(
    tmp_path: Path, generator: str, level: str, kind: str
) -> None:
    make(tmp_path / "s", generator, reference=level, length="30 min")
    wrong = truth(tmp_path / "s", "reference")
    assert set(wrong["kind"]) == {kind}
    device = NAMES[generator][1]
    folder = tmp_path / "s" / "raw" / wrong["session"][0]
    rows = [line.split(",") for line in (folder / f"{device}.csv").read_text().splitlines()[1:]]
    at = pl.Series([stamp for stamp, _ in rows]).str.to_datetime(time_zone="UTC")
    ms = np.array([float(value) for _, value in rows])
    start, end = wrong["start"][0], wrong["end"][0]
    inside = ((at > start) & (at < end)).to_numpy()
    if kind == "lost":
        assert inside.sum() <= 4  # packets under way
    elif kind == "dry":
        assert np.abs(np.diff(ms[inside])).mean() > 5 * np.abs(np.diff(ms[~inside])).mean()
    else:
        ratio = np.median(ms[inside]) / np.median(ms[~inside])
        assert ratio > 1.4 if kind == "every_second" else ratio < 0.85


def test_a_smoothed_rate_moves_the_truth_to_where_the_reference_shows_it() -> None:
    """Slow changes, seen through 61-second means on both sides, agree best where the truth has them."""
    design = design_of("second", length="30 min")
    person = from_second.heart_of(design, 0)
    strap = strap_of(from_second.rng_of(design, "x"), person, kind="smoothed rate")
    inside = (strap.stamp_s > 60) & (strap.stamp_s < person.seconds - 10)

    def slow(values: np.ndarray) -> np.ndarray:
        return np.convolve(values, np.full(61, 1 / 61), mode="valid")

    def misfit(late_s: float) -> float:
        end = strap.stamp_s[inside] - late_s
        return float(np.std(slow(strap.value[inside]) - slow(person.rate(end - 1.0, end))))

    around = np.arange(0.0, 8.0, 0.25)
    assert around[int(np.argmin([misfit(s) for s in around]))] == pytest.approx(strap.late_s, abs=0.3)


@pytest.mark.parametrize("generator", ["demo", "second"])
def test_shared_clock_and_marks_are_written_where_the_design_has_them(tmp_path: Path, generator: str) -> None:
    make(tmp_path / "shared", generator, clock="shared")
    device = NAMES[generator][0]
    assert f'[devices.{device}]\nclock = "shared"\n' in (tmp_path / "shared" / "study.toml").read_text()
    assert not (tmp_path / "shared" / "marks.csv").exists()
    design = make(tmp_path / "marks", generator, clock="marks")
    rows = (tmp_path / "marks" / "marks.csv").read_text().splitlines()
    assert len(rows) == 1 + 4 * design.n_sessions
