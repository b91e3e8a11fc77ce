"""The second simulator: the same from the same seed, and a truth that agrees with its own beats and readings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from benchmarks.truth import second
from benchmarks.truth.score import STATES, score
from benchmarks.truth.second_device import Clock, Spell, Track, held_run, label, track
from benchmarks.truth.second_heart import Heart, heart, strap_rows

SEED = 5


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("second")
    second.write_second(folder, seed=SEED, sessions=3)
    return folder


@pytest.fixture(scope="module")
def person() -> Heart:
    return heart(second.rng_for(SEED, "somebody"), shift=0.0, steady=False)


def faithful_track(person: Heart, *, shift_s: float = 0.0) -> Track:
    """A device that never fails."""
    device = replace(second.devices(SEED)[0], tau_s=5.0, delay_s=4.0 + shift_s, error_bpm=0.01, decimals=3)
    spells = [Spell(mode="faithful", start_s=-200.0, end_s=1e5, edge_s=0.0, value=1.0)]
    return track(second.rng_for(SEED, "track"), device, person, Clock(offset_s=0.0, drift_ppm=0.0), spells=spells)


def spell_track(person: Heart, mode: str, value: float = 1.0) -> Track:
    device = replace(second.devices(SEED)[0], tau_s=3.0, delay_s=2.0, error_bpm=0.01)
    edges = [-200.0, 400.0, 500.0, 1e5]
    modes = ["faithful", mode, "faithful"]
    spells = [
        Spell(mode=m, start_s=a, end_s=b, edge_s=4.0, value=value)
        for m, a, b in zip(modes, edges, edges[1:], strict=False)
    ]
    return track(second.rng_for(SEED, "track"), device, person, Clock(offset_s=0.0, drift_ppm=0.0), spells=spells)


def test_same_seed_same_bytes_another_seed_others(study: Path, tmp_path: Path) -> None:
    second.write_second(tmp_path / "again", seed=SEED, sessions=3)
    second.write_second(tmp_path / "other", seed=SEED + 1, sessions=1)
    names = sorted(path.relative_to(study) for path in study.rglob("*.csv"))
    assert len(names) == 3 * 4 + 2
    assert all((study / name).read_bytes() == (tmp_path / "again" / name).read_bytes() for name in names)
    strap = Path("raw/s01/strap.csv")
    assert (study / strap).read_bytes() != (tmp_path / "other" / strap).read_bytes()
    for table in ("readings", "sessions"):
        one, two = (pl.read_parquet(folder / "truth" / f"{table}.parquet") for folder in (study, tmp_path / "again"))
        assert one.equals(two)


def test_fewer_sessions_are_the_same_sessions(study: Path, tmp_path: Path) -> None:
    second.write_second(tmp_path, seed=SEED, sessions=1)
    assert (tmp_path / "raw/s01/strap.csv").read_bytes() == (study / "raw/s01/strap.csv").read_bytes()


def test_truth_has_one_row_for_each_row_of_the_file_and_its_stamp(study: Path) -> None:
    truth = pl.read_parquet(study / "truth" / "readings.parquet")
    for path in sorted(study.glob("raw/*/*.csv")):
        if path.stem in ("strap", "pod"):
            continue
        rows = path.read_text().splitlines()[1:]
        mine = truth.filter((pl.col("session") == path.parent.name) & (pl.col("device") == path.stem))
        assert mine["source_row"].to_list() == list(range(1, len(rows) + 1))
        if path.stem == "forearm":
            assert [int(row.split(",")[0]) * 1000 for row in rows] == mine["time"].cast(pl.Int64).to_list()


def test_truth_keeps_to_the_documented_columns(study: Path) -> None:
    truth = pl.read_parquet(study / "truth" / "readings.parquet")
    instant = pl.Datetime("us", "UTC")
    assert truth.schema == {
        "session": pl.String,
        "device": pl.String,
        "source_row": pl.Int64,
        "time": instant,
        "start": instant,
        "end": instant,
        "state": pl.String,
        "also": pl.String,
        "sentinel": pl.Boolean,
    }
    assert pl.read_parquet(study / "truth" / "sessions.parquet").columns == [
        *("session", "device", "offset_s", "drift_ppm", "at", "delay_s", "averaging_s", "centre_shift_s", "bound_s"),
        "firmware",
    ]


def test_windows_follow_from_stamp_offset_drift_and_delay(study: Path) -> None:
    """The folder contract's own formula: end = time + offset + drift * (time - at) - delay, start = end - averaging."""
    truth = pl.read_parquet(study / "truth" / "readings.parquet")
    sessions = pl.read_parquet(study / "truth" / "sessions.parquet")
    both = truth.join(sessions, on=["session", "device"]).with_columns(
        since=(pl.col("time") - pl.col("at")).dt.total_microseconds() / 1e6,
        shown=(pl.col("end") - pl.col("time")).dt.total_microseconds() / 1e6,
        length=(pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6,
    )
    formula = pl.col("offset_s") + 1e-6 * pl.col("drift_ppm") * pl.col("since") - pl.col("delay_s")
    off = both.select(pl.col("shown") - formula).to_series().to_numpy()
    slack = np.where(both["device"].to_numpy() == "wrist", 1.0, 0.001)  # stamps cut to whole seconds, or milliseconds
    assert np.all((off > -1e-5) & (off < slack + 1e-5))
    assert both.select((pl.col("length") - pl.col("averaging_s")).abs().max()).item() < 2e-6


def test_beats_have_the_rate_of_the_path(person: Heart) -> None:
    assert np.all(np.diff(person.beat_s) > 0.25)
    assert 40 < person.rate(np.array([0.0]), np.array([person.seconds]))[0] < 190
    # piecewise-linear count: rate over exactly ten beats is 600 / their length
    a, b = person.beat_s[100], person.beat_s[110]
    assert person.rate(np.array([a]), np.array([b]))[0] == pytest.approx(600 / (b - a), rel=1e-12)


def test_windows_are_where_slow_changes_of_readings_and_beats_agree_best(person: Heart) -> None:
    """Half a second to either side of the true windows the readings fit worse.

    Both sides are averaged over 61 readings first: equal mean age is the same delay for slow changes only (the phase of
    exponential smoothing at angular frequency w is atan(w tau), that of a boxcar w tau).
    """
    found = faithful_track(person)
    inside = (found.start_s > 0) & (found.end_s < person.seconds)
    assert set(found.state) == {"faithful"}

    def slow(values: np.ndarray) -> np.ndarray:
        return np.convolve(values, np.full(61, 1 / 61), mode="valid")

    def misfit(by_s: float) -> float:
        shifted = person.rate(found.start_s[inside] + by_s, found.end_s[inside] + by_s)
        return float(np.sqrt(np.mean((slow(found.shown[inside]) - slow(shifted)) ** 2)))

    around = [misfit(by) for by in (-1.0, -0.5, 0.0, 0.5, 1.0)]
    assert int(np.argmin(around)) == 2
    assert around[2] < 0.5


@pytest.mark.parametrize(("mode", "ratio"), [("halved", 0.5), ("doubled", 2.0)])
def test_ratio_modes_show_the_ratio_with_gradual_edges(person: Heart, mode: str, ratio: float) -> None:
    found = spell_track(person, mode)
    called = np.array([s == mode for s in found.state])
    between = np.array([s == "between" for s in found.state])
    assert 85 <= called.sum() <= 100
    assert 3 <= between.sum() <= 20
    assert np.median(found.shown[called] / found.reference[called]) == pytest.approx(ratio, rel=0.02)
    assert set(np.array(found.state)[found.at_s < 395]) == {"faithful"}


def test_frozen_holds_one_value_while_the_reference_moves(person: Heart) -> None:
    found = spell_track(person, "frozen")
    held = np.flatnonzero((found.at_s >= 400) & (found.at_s < 500))
    assert np.ptp(found.shown[held]) == 0
    moved = np.ptp(found.reference[held]) > 5
    assert all((found.state[i] == "frozen") == moved for i in held)


def test_held_run_takes_in_its_first_print_and_equal_neighbours() -> None:
    shown = np.array([70.0, 71.0, 71.0, 80.0, 90.0, 71.0, 72.0])
    run = held_run(shown, np.array([3, 4]))
    assert run.tolist() == [1, 2, 3, 4, 5]
    assert shown.tolist() == [70.0, 71.0, 71.0, 71.0, 71.0, 71.0, 72.0]


def one_window(
    weights: dict[int, float], mean: dict[int, float], *, cadence: float, output: float
) -> tuple[str, str | None]:
    """Label one window at a true rate of 120; modes by number: 1 halved, 4 cadence-locked, 5 astray."""
    weight, means = np.zeros((6, 1)), np.full((6, 1), 120.0)
    for i, w in weights.items():
        weight[i] = w
        means[i] = mean.get(i, 120.0)
    flat = np.full((6, 1), 120.0)
    state, also = label(
        weight, means, flat, np.full((6, 1), cadence), output=np.array([output]), true_rate=np.array([120.0])
    )
    return state[0], also[0]


@pytest.mark.parametrize(
    ("weights", "mean", "cadence", "output", "expected"),
    [
        ({0: 1.0}, {}, 90.0, 120.0, ("faithful", None)),
        ({0: 0.15, 1: 0.85}, {1: 60.0}, 90.0, 69.0, ("halved", None)),
        ({0: 0.3, 1: 0.7}, {1: 60.0}, 90.0, 78.0, ("between", None)),
        ({4: 1.0}, {4: 90.0}, 90.0, 90.0, ("cadence_locked", None)),
        ({4: 1.0}, {4: 117.0}, 117.0, 117.0, ("faithful", None)),  # within 3 % (3.6 bpm): right
        ({4: 1.0}, {4: 61.0}, 61.0, 61.0, ("halved", "cadence_locked")),  # 1.7 % from half
        ({4: 1.0}, {4: 62.5}, 62.5, 62.5, ("cadence_locked", None)),  # 4.2 % from half
        ({1: 1.0}, {1: 60.0}, 61.0, 60.0, ("halved", "cadence_locked")),
        ({0: 0.5, 4: 0.5}, {4: 117.0}, 117.0, 118.5, ("faithful", None)),
        ({5: 1.0}, {5: 95.0}, 90.0, 95.0, ("astray", None)),
    ],
)
def test_label_of_a_window(
    weights: dict[int, float], mean: dict[int, float], cadence: float, output: float, expected: tuple[str, str | None]
) -> None:
    assert one_window(weights, mean, cadence=cadence, output=output) == expected


def test_information_bound_by_hand() -> None:
    """White residuals of SD 1 on a ramp of 0.5 bpm/s, 400 readings: 1 / (0.5 * sqrt(400)) = 0.1 s."""
    n = 400
    noise = second.rng_for(SEED, "noise").normal(size=n)
    noise = (noise - noise.mean()) / noise.std()
    phi = float((noise[1:] * noise[:-1]).mean())
    made = Track(
        at_s=np.arange(n, dtype=float),
        stamp_s=np.arange(n, dtype=float),
        start_s=np.arange(n, dtype=float),
        end_s=np.arange(n, dtype=float),
        shown=100 + noise,
        state=["faithful"] * n,
        also=[None] * n,
        sentinel=np.zeros(n, dtype=bool),
        reference=np.full(n, 100.0),
        slope=np.full(n, 0.5),
    )
    expected = 0.1 * np.sqrt((1 + max(phi, 0)) / (1 - max(phi, 0)))
    assert second.information_bound_s(made) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("trouble", ["", "dry", "gap", "every second"])
def test_strap_writes_intervals_that_tile_the_time(person: Heart, trouble: str) -> None:
    stamp_s, interval_ms = strap_rows(second.rng_for(SEED, trouble), person, trouble=trouble)
    assert np.all(np.diff(stamp_s) >= 0)
    untiled = np.diff(stamp_s) - interval_ms[1:] / 1000
    assert np.sum(np.abs(untiled) > 0.3) == (1 if trouble == "gap" else 0)
    usual = np.diff(person.beat_s)
    expected = np.interp(stamp_s, person.beat_s[1:], usual) * 1000
    doubled = int(np.sum(interval_ms > 1.6 * expected))
    assert (doubled > 25) == (trouble == "every second")


def test_a_program_that_knew_the_truth_would_score_full_marks(study: Path) -> None:
    truth = pl.read_parquet(study / "truth" / "readings.parquet")
    sessions = pl.read_parquet(study / "truth" / "sessions.parquet")
    pairs = truth.with_columns(used=pl.lit(value=True), reason=pl.lit(None, dtype=pl.String))
    clocks = [
        {**row, "low_s": row["offset_s"] - 0.1, "high_s": row["offset_s"] + 0.1, "trust": "firm"}
        for row in sessions.select("session", "device", "offset_s").to_dicts()
    ]
    found = score(truth, sessions, pairs, clocks)
    assert found["clock"]["share_sharp_within_1_s"] == 1.0
    assert found["clock"]["share_all_covered"] == 1.0
    assert found["states"]["false_alarm_share"] == 0.0
    assert {one["f1"] for one in found["states"]["per_state"].values()} <= {1.0, None}
    assert found["states"]["judged_s"] > 3 * 900


def test_states_are_those_of_the_folder_contract(study: Path) -> None:
    truth = pl.read_parquet(study / "truth" / "readings.parquet")
    assert {"faithful", "between"} <= set(truth["state"]) <= {*STATES, "missing"}
    assert truth.filter(pl.col("sentinel"))["state"].is_in(["missing"]).all()


def test_a_held_wrong_value_keeps_the_name_of_its_source(person: Heart) -> None:
    """Held at half while the rate hardly moves: not frozen, and certainly not right."""
    still = replace(person, beat_s=np.arange(-110.0, person.seconds + 50, 0.5))
    device = replace(second.devices(SEED)[0], tau_s=3.0, delay_s=2.0, error_bpm=0.01)
    spells = [
        Spell(mode=m, start_s=a, end_s=b, edge_s=2.0, value=1.0)
        for m, a, b in (("halved", -200.0, 500.0), ("frozen", 500.0, 560.0), ("faithful", 560.0, 1e5))
    ]
    found = track(second.rng_for(SEED, "t"), device, still, Clock(offset_s=0.0, drift_ppm=0.0), spells=spells)
    held = (found.at_s >= 500) & (found.at_s < 560)
    assert {s for s, h in zip(found.state, held, strict=True) if h} == {"halved"}
