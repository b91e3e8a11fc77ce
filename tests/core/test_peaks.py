"""R peaks on invented ECGs of known beats, and on what is no ECG. No outside source: truth is what was put in."""

import numpy as np
import pytest
from hearts import ecg, heart, levels, steps

from wearbench.core.beats import beats_from_ecg, running_from_beats
from wearbench.core.peaks import EcgSegment, peaks_of
from wearbench.core.running import values_over
from wearbench.errors import DataError

RUN = 0.3 + np.cumsum(heart(levels([75, 130, 170], [40, 60, 80]), 178, seed=1))
SECONDS = 180


def noise(n, *, seed):
    return np.random.default_rng(seed).normal(0, 1, n)


def one(x, rate_hz):
    return beats_from_ecg([EcgSegment(start_s=0.0, rate_hz=rate_hz, values=x)])


def found_and_false(beats, truth):
    """Share of true beats found and of found beats false, within 50 ms after the constant offset of the fiducial."""
    offset = np.median([b - truth[np.argmin(np.abs(truth - b))] for b in beats.time_s])
    apart = np.abs(beats.time_s[:, None] - offset - truth[None, :])
    return np.mean(apart.min(axis=0) < 0.05), np.mean(apart.min(axis=1) >= 0.05)


def rate_error(beats, truth):
    """Mean absolute error of the rate over 8 s windows covered by half, in beats a minute, and the share covered."""
    end = np.arange(truth[0] + 8, truth[-1], 2.0)
    ours = values_over(running_from_beats(beats), end - 8, end)
    count = np.arange(truth.size)
    rate = 60 * (np.interp(end, truth, count) - np.interp(end - 8, truth, count)) / 8
    judged = ours.covered >= 0.5
    return np.abs(ours.value - rate)[judged].mean(), np.mean(ours.covered >= 0.9)


@pytest.mark.parametrize("rate_hz", [51.2, 125.0, 130.0, 250.0, 360.0, 512.0, 1000.0])
def test_beats_to_a_millisecond_at_any_sampling_rate(rate_hz):
    x = ecg(RUN, SECONDS, rate_hz)
    beats = one(x + 0.02 * noise(x.size, seed=2), rate_hz)
    assert beats.time_s.size == RUN.size
    apart = beats.time_s - RUN
    assert np.abs(apart - np.median(apart)).max() < 0.004
    assert beats.usable.all()


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda x: -x, id="inverted"),
        pytest.param(lambda x: np.clip(x, -0.25, 0.6), id="clipped"),
        pytest.param(lambda x: np.round(1e4 + 200 * x).astype(np.int16), id="offset integers"),
        pytest.param(lambda x: x * np.linspace(1, 0.25, x.size), id="fading"),
        pytest.param(lambda x: x + 2 * np.sin(np.arange(x.size) / 250 * 2 * np.pi * 0.2), id="wandering"),
        pytest.param(lambda x: x + 0.35 * noise(x.size, seed=3), id="noise of a third of the R wave"),
    ],
)
def test_beats_of_a_changed_ecg(change):
    x = ecg(RUN, SECONDS, 250.0) + 0.02 * noise(45_000, seed=4)
    beats = one(change(x), 250.0)
    found, false = found_and_false(beats, RUN)
    assert found >= 0.99
    assert false <= 0.01


def test_t_waves_as_tall_as_r_are_not_beats():
    x = ecg(RUN, SECONDS, 250.0, t_wave=1.1, width=1.6) + 0.02 * noise(45_000, seed=5)
    assert one(x, 250.0).time_s.size == RUN.size


@pytest.mark.parametrize(("size", "error", "covered"), [(0.5, 0.2, 0.97), (1.0, 0.5, 0.85)])
def test_artefacts_at_every_step(size, error, covered):
    errors, shares = [], []
    for seed in range(3):
        x = ecg(RUN, SECONDS, 250.0) + 0.05 * noise(45_000, seed=seed)
        x += steps(SECONDS, 250.0, per_minute=(158, 166, 174)[seed], size=size, seed=seed)
        off, share = rate_error(one(x, 250.0), RUN)
        errors.append(off)
        shares.append(share)
    assert np.mean(errors) <= error
    assert np.mean(shares) >= covered


def test_electrode_pops_and_rails():
    rng = np.random.default_rng(6)
    x = ecg(RUN, SECONDS, 250.0) + 0.03 * noise(45_000, seed=6)
    for at in rng.uniform(5, SECONDS - 5, 30):
        a = int(at * 250)
        k = np.arange(min(150, x.size - a))
        x[a : a + k.size] += rng.normal(0, 4) * np.exp(-k / 40)
    off, share = rate_error(one(np.clip(x, -1.2, 1.2), 250.0), RUN)
    assert off <= 0.3
    assert share >= 0.9


def test_burst_of_noise_is_a_gap_not_a_rate():
    x = ecg(RUN, SECONDS, 250.0) + 0.02 * noise(45_000, seed=7)
    x[25_000:28_000] += 3 * noise(3000, seed=8)
    beats = one(x, 250.0)
    off, _ = rate_error(beats, RUN)
    assert off <= 0.3
    inside = (beats.time_s[1:] > 101) & (beats.time_s[1:] < 111)
    assert beats.interval_s[inside & beats.usable].sum() < 6


def test_missing_samples_are_gaps_and_short_ones_are_bridged():
    x = ecg(RUN, SECONDS, 250.0) + 0.02 * noise(45_000, seed=9)
    x[20_000:20_100] = np.nan
    x[30_000:34_000] = np.nan
    x[10_000:12_000] = x[10_000]
    beats = one(x, 250.0)
    gaps = beats.interval_s[~beats.usable]
    assert gaps.size == 2
    assert np.sort(gaps) == pytest.approx([8.0, 16.0], abs=1.5)
    assert rate_error(beats, RUN)[0] <= 0.3


def test_segments_keep_their_own_start():
    x = ecg(RUN, SECONDS, 250.0) + 0.02 * noise(45_000, seed=10)
    parts = [
        EcgSegment(start_s=0.0, rate_hz=250.0, values=x[:20_000]),
        EcgSegment(start_s=80.0, rate_hz=250.0, values=x[20_000:]),
    ]
    apart = beats_from_ecg(parts).time_s - one(x, 250.0).time_s
    assert np.abs(apart).max() < 0.03


def test_an_irregular_heart_stays_irregular_where_the_ecg_is_clear():
    rng = np.random.default_rng(11)
    truth = 0.3 + np.cumsum(np.maximum(60 / 95 * np.exp(rng.normal(0, 0.2, 260)), 0.32))
    x = ecg(truth, truth[-1] + 1, 250.0)
    peaks = peaks_of([EcgSegment(start_s=0.0, rate_hz=250.0, values=x + 0.03 * noise(x.size, seed=12))])
    assert abs(peaks.time_s.size - truth.size) <= 2
    assert peaks.guessed.mean() <= 0.01


@pytest.mark.parametrize(
    "x",
    [
        pytest.param(np.empty(0), id="empty"),
        pytest.param(np.full(50_000, np.nan), id="all missing"),
        pytest.param(np.zeros(50_000), id="flat"),
        pytest.param(np.arange(10.0), id="ten samples"),
        pytest.param(np.sin(2 * np.pi * 50 * np.arange(50_000) / 250), id="mains hum"),
    ],
)
def test_what_is_no_ecg_has_no_beats(x):
    assert one(x, 250.0).time_s.size == 0


def test_noise_is_hardly_ever_trusted():
    beats = one(noise(75_000, seed=13), 250.0)
    assert beats.interval_s[beats.usable].sum() <= 0.2 * 300


@pytest.mark.parametrize("rate_hz", [0.0, 25.0, float("nan")])
def test_too_slow_a_rate_is_refused(rate_hz):
    with pytest.raises(DataError) as caught:
        one(np.zeros(1000), rate_hz)
    assert str(caught.value) == (
        f"expected an ECG of at least 40 samples a second, got {rate_hz:g}; give the rate in the file's header or leave"
        " this signal out"
    )
