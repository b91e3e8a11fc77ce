"""The device model one property at a time: smoothing, rhythm, failures, what is written."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from wearbench.simulator import (
    Bout,
    ClockError,
    DevicePlan,
    Failure,
    Person,
    PodPlan,
    SessionPlan,
    SimulatedSession,
    Spell,
    simulate_session,
    write_study,
)
from wearbench.simulator.fit_file import check_sum, encode_fit
from wearbench.simulator.truth import information_bound

NOON = datetime(2031, 1, 12, 12, tzinfo=UTC)
BOUTS = (
    Bout(activity="rest", intensity="rest", seconds=240, effort=0.05),
    Bout(activity="rowing", intensity="hard", seconds=360, effort=0.85, cadence=31),
    Bout(activity="stairs", intensity="hard", seconds=240, effort=0.8, cadence=116),
    Bout(activity="rest", intensity="rest", seconds=360, effort=0.05),
)
QUIET = {"noise_bpm": 0.0, "round_to_bpm": 0.0}


def session_with(*devices: DevicePlan, bouts: tuple[Bout, ...] = BOUTS) -> SimulatedSession:
    plan = SessionPlan(name="T", start=NOON, person=Person(), bouts=bouts, devices=devices, pod=PodPlan())
    return simulate_session(plan, np.random.default_rng(7))


@pytest.mark.parametrize("averaging_s", [0.0, 1.0, 8.0, 60.0])
def test_a_quiet_boxcar_is_the_true_rate_over_its_window(averaging_s: float) -> None:
    device = session_with(DevicePlan(averaging_s=averaging_s, **QUIET)).devices[0]  # type: ignore[arg-type]
    assert np.abs(device.value_bpm - device.truth_bpm).max() < 1e-6
    assert set(device.state) == {"faithful"}
    assert device.pure.all()


def test_exponential_smoothing_has_the_mean_age_of_the_boxcar() -> None:
    """On a steady ramp both lag by the same time; steady drift of the effort is as close as the heart comes."""
    device = session_with(DevicePlan(smoothing="exponential", averaging_s=20.0, **QUIET)).devices[0]  # type: ignore[arg-type]
    off = device.value_bpm - device.truth_bpm
    assert abs(float(off.mean())) < 0.3
    assert 0.1 < float(off.std()) < 4.0


@pytest.mark.parametrize(("mode", "ratio"), [("halved", 0.5), ("doubled", 2.0), ("off_ratio", 2 / 3)])
def test_a_wrong_ratio_blends_at_its_edges(mode: str, ratio: float) -> None:
    failure = Failure(mode=mode, ratio=ratio, spells=(Spell(start_s=300, seconds=100),))  # type: ignore[arg-type]
    device = session_with(DevicePlan(averaging_s=10.0, failures=(failure,), **QUIET)).devices[0]  # type: ignore[arg-type]
    inside = (device.start_s >= 300) & (device.end_s <= 400)
    assert np.allclose(device.value_bpm[inside], np.minimum(ratio * device.truth_bpm[inside], 250.0), atol=1.0)
    assert set(device.state[inside]) == {mode}
    edge = (device.end_s > 302.1) & (device.end_s < 307.9)
    assert set(device.state[edge]) == {"between"}
    assert set(device.state[(device.end_s < 302) | (device.start_s > 398)]) == {"faithful"}


def test_a_lock_follows_the_cadence() -> None:
    failure = Failure(mode="cadence_locked", ratio=1.0, spells=(Spell(start_s=640, seconds=120),))
    device = session_with(DevicePlan(failures=(failure,), **QUIET)).devices[0]  # type: ignore[arg-type]
    inside = (device.start_s >= 640) & (device.end_s <= 760)
    assert np.all(np.abs(device.value_bpm[inside] - 116) < 14)
    assert set(device.state[inside]) == {"cadence_locked"}


def test_a_lock_at_half_the_rate_is_called_halved() -> None:
    steady = Bout(activity="rowing", intensity="hard", seconds=900, effort=0.7, cadence=37.5)
    person = Person(rest_bpm=60, max_bpm=189, drift_bpm_per_h=0, effort_wander=0, wander_bpm=0)
    failure = Failure(mode="cadence_locked", ratio=2.0, spells=(Spell(start_s=300, seconds=500),))
    plan = SessionPlan(name="T", start=NOON, person=person, bouts=(steady,), devices=(DevicePlan(failures=(failure,)),))
    device = simulate_session(plan, np.random.default_rng(8)).devices[0]
    near = (device.state == "halved") & (device.also == "cadence_locked")
    assert near.sum() > 100
    assert np.all(np.abs(device.value_bpm[near] / device.truth_bpm[near] - 0.5) < 0.04)


def test_a_freeze_is_one_only_while_the_rate_moves() -> None:
    failure = Failure(mode="frozen", spells=(Spell(start_s=60, seconds=60), Spell(start_s=620, seconds=300)))
    device = session_with(DevicePlan(failures=(failure,))).devices[0]
    still = (device.end_s > 70) & (device.end_s < 110)
    assert np.ptp(device.value_bpm[still]) == 0
    assert set(device.state[still]) == {"faithful"}
    moving = (device.end_s > 640) & (device.end_s < 910)
    assert np.ptp(device.value_bpm[moving]) == 0
    assert set(device.state[moving]) == {"frozen"}


def test_drop_outs_leave_no_row_or_a_sentinel() -> None:
    failures = (
        Failure(mode="missing", spells=(Spell(start_s=100, seconds=50),)),
        Failure(mode="missing", spells=(Spell(start_s=300, seconds=50),), sentinel=255.0),
    )
    device = session_with(DevicePlan(failures=failures, delay_s=0.0)).devices[0]
    assert not np.any((device.end_s > 100.5) & (device.end_s < 149.5))
    marked = (device.end_s > 300.5) & (device.end_s < 349.5)
    assert set(device.value_bpm[marked]) == {255.0}
    assert device.sentinel[marked].all()
    assert device.sentinel.sum() == 50


def test_late_onsets_are_faithful_up_to_half_a_minute() -> None:
    for late_s, expected in ((14.0, {"faithful"}), (45.0, {"faithful", "astray"})):
        device = session_with(DevicePlan(onset_late_s=late_s, onset_share=1.0)).devices[0]
        assert set(device.state) == expected
        assert "late" in set(device.also)


def test_spikes_are_single_wild_readings() -> None:
    device = session_with(DevicePlan(failures=(Failure(mode="spike", share=0.02),), **QUIET)).devices[0]  # type: ignore[arg-type]
    wild = device.state == "astray"
    assert 5 < wild.sum() < 60
    off = np.abs(device.value_bpm / device.truth_bpm - 1)
    assert off[wild].min() > 0.14
    assert off[~wild].max() < 1e-6


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_failures_take_their_share_of_the_time(share: float) -> None:
    long = tuple(Bout(activity="rowing", intensity="hard", seconds=3600, effort=0.7, cadence=30) for _ in range(4))
    failure = Failure(mode="halved", share=share, mean_s=60, least_s=10)
    device = session_with(DevicePlan(failures=(failure,), averaging_s=1.0), bouts=long).devices[0]
    assert float(np.mean(device.state == "halved")) == pytest.approx(share, abs=0.09)


def test_rhythms_every_second_every_ten_minutes_and_uneven() -> None:
    session = session_with(
        DevicePlan(name="quick"),
        DevicePlan(name="slow", interval_s=600.0, averaging_s=600.0, stops_s=60.0),
        DevicePlan(name="uneven", interval_s=10.0, jitter_s=4.0),
        DevicePlan(name="modes", rest_interval_s=60.0),
        DevicePlan(name="changes", on_change=True, hold_s=20.0),
    )
    gaps = {device.plan.name: np.diff(device.stamp_ms) for device in session.devices}
    assert set(gaps["quick"]) == {1000}
    assert set(gaps["slow"]) <= {600_000}
    assert gaps["uneven"].min() > 1000
    assert np.unique(gaps["uneven"]).size > 50
    assert set(gaps["modes"]) == {1000, 60_000}
    assert gaps["changes"].max() <= 20_000
    assert np.unique(gaps["changes"]).size > 3


@pytest.mark.parametrize("offset_s", [-7200.0, -37.25, 0.0, 7200.0])
def test_clock_errors_move_stamps_and_nothing_else(offset_s: float) -> None:
    device = session_with(DevicePlan(clock=ClockError(offset_s=offset_s, drift_ppm=80.0))).devices[0]
    instant = device.end_s + device.plan.delay_s
    stamp_s = device.stamp_ms / 1000
    assert np.allclose(instant, stamp_s + offset_s + 80e-6 * (stamp_s - device.at_s))
    assert instant.min() > -2
    assert instant.max() < 1202
    assert device.at_s + offset_s == pytest.approx(600.0, abs=0.5)


def test_information_bound_is_the_error_of_the_best_shift() -> None:
    """Many recordings of one rate: shifts found by least squares with the true slope scatter as the bound says."""
    bounds, shifts = [], []
    for draw in range(40):
        plan = SessionPlan(
            name="T", start=NOON, person=Person(), bouts=BOUTS, devices=(DevicePlan(noise_corr_s=3.0, noise_bpm=1.5),)
        )
        session = simulate_session(plan, np.random.default_rng(draw))
        device = session.devices[0]
        bound = information_bound(device, session.beats_s)
        assert bound is not None
        bounds.append(bound)
        count = np.arange(session.beats_s.size, dtype=float)

        def rate(
            by: float,
            device: object = device,
            beats: np.ndarray = session.beats_s,
            count: np.ndarray = count,
        ) -> np.ndarray:
            end, start = device.end_s + by, device.start_s + by  # type: ignore[attr-defined]
            found = 60 * (np.interp(end, beats, count) - np.interp(start, beats, count)) / (end - start)
            return np.asarray(found)

        slope = rate(0.5) - rate(-0.5)
        shifts.append(float(np.sum(slope * (device.value_bpm - device.truth_bpm)) / np.sum(slope**2)))
    assert float(np.std(shifts)) == pytest.approx(float(np.mean(bounds)), rel=0.35)


def test_flat_sessions_give_a_wide_bound() -> None:
    flat = (Bout(activity="rest", intensity="rest", seconds=1200, effort=0.05),)
    moving, still = (session_with(DevicePlan(), bouts=bouts) for bouts in (BOUTS, flat))
    wide = information_bound(still.devices[0], still.beats_s)
    narrow = information_bound(moving.devices[0], moving.beats_s)
    assert wide is not None
    assert narrow is not None
    assert wide > 1.5 * narrow


def test_fit_check_sum_is_crc_16_arc() -> None:
    """Check value of CRC-16/ARC for "123456789" in the catalogue of parametrised CRC algorithms (from memory)."""
    assert check_sum(b"123456789") == 0xBB3D


def test_fit_file_is_read_back_by_an_independent_decoder() -> None:
    import fitdecode

    time_s = np.asarray([1_925_000_000, 1_925_000_005, 1_925_000_012], dtype=np.int64)
    data = encode_fit(time_s, np.asarray([61.0, np.nan, 143.0]), software=4.3)
    frames = [f for f in fitdecode.FitReader(data) if f.frame_type == fitdecode.FIT_FRAME_DATA]
    records = [f for f in frames if f.name == "record"]
    assert [f.get_value("heart_rate") for f in records] == [61, None, 143]
    assert [int(f.get_value("timestamp").timestamp()) for f in records] == time_s.tolist()
    (about,) = [f for f in frames if f.name == "device_info"]
    assert about.get_value("software_version") == pytest.approx(4.3)


def test_every_kind_of_file_is_written(tmp_path: Path) -> None:
    kinds = ("csv_local", "csv_utc", "csv_decimal_comma", "fit", "tcx")
    devices = tuple(DevicePlan(name=f"d{i}", file=kind, round_to_bpm=0.5) for i, kind in enumerate(kinds))  # type: ignore[arg-type]
    plan = SessionPlan(name="T", start=NOON, person=Person(), bouts=BOUTS, devices=devices, pod=PodPlan())
    write_study(tmp_path / "study", (plan,), seed=1)
    raw = tmp_path / "study" / "raw" / "T"
    assert (raw / "d0.csv").read_text(encoding="utf-8").splitlines()[1].startswith("2031-01-12 13:00:00,")
    assert (raw / "d1.csv").read_text(encoding="utf-8").splitlines()[1].startswith("2031-01-12T12:00:00Z,")
    assert ",5" in (raw / "d2.csv").read_text(encoding="utf-8")
    assert (raw / "d3.fit").read_bytes()[8:12] == b".FIT"
    assert (raw / "d4.tcx").read_text(encoding="utf-8").count("<Trackpoint>") == 1201
