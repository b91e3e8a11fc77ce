"""Doubt in the reference: found where planted, quiet on hearts. Truth is made here; the method is ours, no source."""

from pathlib import Path

import numpy as np
import pytest
from hearts import heart, levels

from wearbench.core.beats import beats_from_intervals
from wearbench.core.doubt import doubt_of_intervals
from wearbench.core.ratedoubt import doubt_of_rate
from wearbench.errors import DataError

SESSION = heart(levels([70, 150, 110, 165, 80], [120, 240, 120, 240, 180], down_s=30), 900, seed=3)


def of_intervals(rr):
    return [(d.why, round(d.start_s), round(d.end_s)) for d in doubt_of_intervals(np.cumsum(rr) - rr, rr)]


def of_rate(rr, *, window_s=6.0):
    """A recorder that gives a moving mean over 6 s, whole beats a minute, once a second."""
    ends = np.concatenate([[0.0], np.cumsum(rr)])
    t = np.arange(window_s, ends[-1])
    beats = np.arange(ends.size)
    rate = 60 * (np.interp(t, ends, beats) - np.interp(t - window_s, ends, beats)) / window_s
    return [(d.why, round(d.start_s), round(d.end_s)) for d in doubt_of_rate(t, np.round(rate))]


def part(rr, begin_s, end_s):
    return tuple(np.searchsorted(np.cumsum(rr), [begin_s, end_s]))


def every_second(rr, begin_s, end_s):
    a, b = part(rr, begin_s, end_s)
    b = a + 2 * ((b - a) // 2)
    return np.concatenate([rr[:a], rr[a:b:2] + rr[a + 1 : b : 2], rr[b:]])


def double(rr, begin_s, end_s, share):
    a, b = part(rr, begin_s, end_s)
    both = np.stack([rr[a:b] * share, rr[a:b] * (1 - share)], axis=1).reshape(-1)
    return np.concatenate([rr[:a], both, rr[b:]])


def near(found, why, start, end, within):
    return len(found) == 1 and found[0][0] == why and abs(found[0][1] - start) <= within >= abs(found[0][2] - end)


@pytest.mark.parametrize(("start", "end"), [(200, 260), (300, 307), (0, 300), (600, 900)])
def test_every_second_beat(start, end):
    assert near(of_intervals(every_second(SESSION, start, end)), "every_second_beat", start, end, 2)


@pytest.mark.parametrize("share", [0.4, 0.47])
@pytest.mark.parametrize(("start", "end"), [(0, 60), (50, 100), (750, 800)])
def test_double_counts_betray_themselves_by_taking_turns(start, end, share):
    assert near(of_intervals(double(SESSION, start, end, share)), "double_count", start, end, 2)


def test_erratic_beginning_is_a_dry_start():
    rng = np.random.default_rng(5)
    wild = np.exp(rng.normal(np.log(0.5), 0.5, 120))
    at = part(SESSION, wild.sum(), wild.sum())[0]
    assert near(of_intervals(np.concatenate([wild, SESSION[at:]])), "dry_start", 0, wild.sum(), 3)


def test_stuck_beginning_that_falls_to_the_true_rate_is_a_dry_start():
    stuck = 0.31 + np.random.default_rng(6).normal(0, 0.005, 180)
    at = part(SESSION, stuck.sum(), stuck.sum())[0]
    assert near(of_intervals(np.concatenate([stuck, SESSION[at:]])), "dry_start", 0, stuck.sum(), 3)


def test_wild_spell_is_noisy():
    a, b = part(SESSION, 400, 440)
    wild = np.exp(np.random.default_rng(7).normal(np.log(0.5), 0.45, 72))
    rr = np.concatenate([SESSION[:a], wild, SESSION[b:]])
    assert near(of_intervals(rr), "noisy", 400, 400 + wild.sum(), 8)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "rate",
    [
        pytest.param(lambda _: 60.0, id="rest"),
        pytest.param(lambda _: 152.0, id="steady"),
        pytest.param(levels([70, *[175, 110] * 6, 80], [120, *[60, 60] * 6, 180]), id="intervals"),
        pytest.param(levels([90, *[185, 90] * 8], [60, *[20, 50] * 8], up_s=9, down_s=18), id="sprints"),
        pytest.param(levels([150, 90, 150], [300, 300, 300], up_s=13, down_s=13), id="60 bpm in 30 s"),
    ],
)
def test_quiet_on_hearts(rate, seed):
    rr = heart(rate, 600, seed=seed, breathing=0.08)
    assert of_intervals(rr) == []
    assert of_rate(rr) == []


def test_quiet_on_deep_breathing_ectopic_beats_and_bigeminy():
    assert of_intervals(heart(lambda _: 50.0, 600, seed=1, breathing=0.2)) == []
    rr = heart(lambda _: 70.0, 600, seed=2)
    ectopic = rr.copy()
    for at in np.random.default_rng(3).integers(10, rr.size - 10, 20):
        ectopic[at : at + 2] *= (0.6, 1.4)
    assert of_intervals(ectopic) == []
    rr[100:200:2] *= 0.65
    rr[101:201:2] *= 1.35
    assert of_intervals(rr) == []


def test_quiet_on_single_missed_beats():
    rr = heart(lambda _: 140.0, 600, seed=4)
    rr[np.random.default_rng(8).integers(10, rr.size - 10, 25)] *= 2
    assert of_intervals(rr) == []


@pytest.mark.parametrize(("start", "end"), [(200, 260), (0, 300), (600, 900)])
def test_every_second_beat_in_a_sampled_rate(start, end):
    assert near(of_rate(every_second(SESSION, start, end)), "every_second_beat", start, end, 8)


def test_double_count_in_a_sampled_rate():
    assert near(of_rate(double(SESSION, 50, 100, 0.4)), "double_count", 50, 100, 8)


def test_one_value_a_minute_tells_nothing():
    t = np.arange(0.0, 3600.0, 60.0)
    assert doubt_of_rate(t, np.where(t < 1800, 140.0, 70.0)) == ()


def test_doubtful_intervals_are_marked_and_stay_usable():
    beats = beats_from_intervals(every_second(SESSION, 200, 260) * 1000)
    marked = beats.interval_s[beats.doubtful].sum()
    assert [d.why for d in beats.doubts] == ["every_second_beat"]
    assert marked == pytest.approx(60, abs=3)
    assert beats.usable[beats.doubtful].all()


def test_lengths_must_match():
    with pytest.raises(DataError) as caught:
        doubt_of_rate(np.zeros(3), np.zeros(2))
    assert str(caught.value) == "expected one time a rate, got 3 times for 2 rates"


def test_tachycardia_that_starts_within_a_beat_is_left_alone_unless_it_is_about_double():
    for seed in range(3):
        rr = heart(lambda _: 75.0, 600, seed=seed)
        fast = rr.copy()
        fast[300:500] = 60 / 105 * (1 + 0.01 * np.random.default_rng(seed).normal(size=200))  # 1.4 times
        assert [d for d in of_intervals(fast) if d[0] in ("every_second_beat", "double_count")] == []
        double = rr.copy()
        double[300:500] = 60 / 150 * (1 + 0.01 * np.random.default_rng(seed).normal(size=200))
        assert of_intervals(double) != []  # from the intervals alone nobody could tell


def test_most_of_an_irregular_heart_is_left_alone():
    # like atrial fibrillation: intervals without memory, SD 20 % of their mean; half an hour
    rng = np.random.default_rng(11)
    rr = 0.6 * np.exp(0.2 * rng.standard_normal(3000))
    doubted = sum(b - a for _, a, b in of_intervals(rr))
    assert doubted <= 0.05 * rr.sum()
    assert of_rate(rr) == []


@pytest.mark.parametrize("share", [0.9, 0.95])
def test_miscounts_that_slip_now_and_then_are_still_found(share):
    rng = np.random.default_rng(12)
    at = np.concatenate([[0.0], np.cumsum(SESSION)])
    inside = (at > 400) & (at < 520)
    skipped = inside & (np.cumsum(inside) % 2 == 0) & (rng.random(at.size) < share)
    found = of_intervals(np.diff(at[~skipped]))
    held = sum(min(b, 520) - max(a, 400) for why, a, b in found if why == "every_second_beat")
    assert held >= 100
    later = at + 0.3 * np.sqrt(np.diff(at, append=at[-1] + 0.8))
    twice = inside & (rng.random(at.size) < share)
    found = of_intervals(np.diff(np.sort(np.concatenate([at, later[twice]]))))
    held = sum(min(b, 520) - max(a, 400) for why, a, b in found if why == "double_count")
    assert held >= 100


def test_dry_start_of_a_rate_is_found_by_its_jerks():
    rng = np.random.default_rng(13)
    wild = rng.uniform(0.28, 1.6, 70)
    at = part(SESSION, wild.sum(), wild.sum())[0]
    [(why, start, end)] = of_rate(np.concatenate([wild, SESSION[at:]]))
    assert why == "dry_start"
    assert start <= 10
    assert end == pytest.approx(wild.sum(), abs=10)


def test_page_shows_the_table_of_the_bench():
    root = Path(__file__).resolve().parents[2]
    page = (root / "docs" / "doubt.md").read_text(encoding="utf-8")
    bench = (root / "benchmarks" / "doubt.md").read_text(encoding="utf-8")
    shown = page.partition("<!-- from benchmarks/doubt.md -->\n")[2].partition("<!-- to here -->")[0]
    tables = [line for line in bench.splitlines() if line.startswith("|")]
    assert [line for line in shown.splitlines() if line.startswith("|")] == tables
