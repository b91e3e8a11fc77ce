"""States of a device on series made by hand, whose states are known by construction."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from worn import correlated, session_rate

from wearbench.core.statemodel import cadence_multiples
from wearbench.core.states import (
    STATES,
    FaithfulSums,
    StateInput,
    StateParameters,
    States,
    credible_cadence,
    faithful_sums,
    followed,
    label,
    learn_parameters,
    runs_of,
)

AVERAGING_S = 8.0
N = 1200


def wave(n=N, *, every=1.0, low=100.0, high=160.0, period=400.0):
    """A rate that rises and falls all the time, at most 0.5 bpm a second."""
    return 0.5 * (low + high) + 0.5 * (high - low) * np.sin(2 * np.pi * every * np.arange(n) / period)


def worn_beside(reference, tested, *, cadence=None, every=1.0, averaging=AVERAGING_S):
    """Lateness bounds are the lowest and highest reference of the last 30 s, as the contract has it."""
    n, back = reference.size, max(1, round(30.0 / every))
    known = np.where(np.isfinite(reference), reference, np.nan)
    padded = np.concatenate([np.full(back, np.nan), known])
    views = np.lib.stride_tricks.sliding_window_view(padded, back + 1)
    low = np.where(np.isfinite(views), views, np.inf).min(axis=1)
    high = np.where(np.isfinite(views), views, -np.inf).max(axis=1)
    return StateInput(
        time_s=every * np.arange(n, dtype=float),
        seconds=np.full(n, every),
        tested=np.asarray(tested, dtype=float),
        reference=reference,
        low=np.where(np.isfinite(low), low, np.nan),
        high=np.where(np.isfinite(high), high, np.nan),
        cadence=np.full(n, np.nan) if cadence is None else cadence,
        averaging_s=averaging,
    )


def labelled(reference, tested, *, parameters=None, **how):
    data = worn_beside(reference, tested, **how)
    return label(data, parameters or StateParameters(), frozen_min_s=10.0, frozen_move=5.0)


def names(states):
    return np.array([STATES[s] if s >= 0 else "unjudged" for s in states.state])


def noise(seed, n=N, *, sd=1.0, phi=0.7):
    return correlated(np.random.default_rng(seed), n, sd=sd, phi=phi)


def spell(n, first, stop):
    out = np.zeros(n, dtype=bool)
    out[first:stop] = True
    return out


def in_window(inside, width):
    """Share of the last ``width`` readings that are inside."""
    return np.convolve(np.concatenate([np.full(width - 1, inside[0]), inside]), np.ones(width) / width, mode="valid")


def only(found, where, state, *, slack=2):
    """Readings called ``state`` are those of the spell, give or take ``slack`` readings at either end."""
    core, halo = where.copy(), where.copy()
    for k in range(1, slack + 1):
        core[k:] &= where[:-k]
        core[:-k] &= where[k:]
        halo[k:] |= where[:-k]
        halo[:-k] |= where[k:]
    assert (found[core] == state).all(), (np.unique(found[core]), state)
    assert not (found[~halo] == state).any()


# a device that is right


@pytest.mark.parametrize("sd", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("phi", [0.0, 0.8, 0.95])
def test_clean_device_stays_clean(sd, phi):
    for seed in range(3):
        rng = np.random.default_rng(seed)
        reference = session_rate(rng, N)
        tested = np.round(reference + correlated(rng, N, sd=sd, phi=phi))
        cadence = np.full(N, 78.0) if seed == 1 else None
        assert (names(labelled(reference, tested, cadence=cadence)) == "faithful").all()


@pytest.mark.parametrize("late", [5, 15, 24, 29])
def test_following_late_is_following(late):
    reference = np.concatenate([np.full(200, 80.0), 80 + 70 * (1 - np.exp(-np.arange(400) / 25)), np.full(100, 150.0)])
    tested = np.concatenate([np.full(late, 80.0), reference[:-late]]) + noise(1, reference.size)
    assert (names(labelled(reference, np.round(tested))) == "faithful").all()


def test_a_minute_late_is_not_following():
    reference = np.concatenate([np.full(200, 80.0), 80 + 70 * (1 - np.exp(-np.arange(400) / 25))])
    tested = np.concatenate([np.full(60, 80.0), reference[:-60]]) + noise(1, reference.size)
    found = names(labelled(reference, tested))
    assert (found[:200] == "faithful").all()
    assert (found[240:258] != "faithful").all()
    assert (found[420:] == "faithful").all()


# half, double and other simple ratios


@pytest.mark.parametrize(
    ("ratio", "state"),
    [
        (0.5, "halved"),
        (2.0, "doubled"),
        (2 / 3, "off_ratio"),
        (3 / 2, "off_ratio"),
        (1 / 3, "off_ratio"),
    ],
)
@pytest.mark.parametrize("length", [60, 300])
def test_simple_ratios(ratio, state, length):
    reference, where = wave(), spell(N, 400, 400 + length)
    tested = np.round(np.where(where, ratio, 1.0) * reference + noise(2, sd=0.8))
    got = labelled(reference, tested)
    only(names(got), where, state)
    inner = where & (got.state == STATES.index(state))
    assert got.ratio[inner] == pytest.approx(ratio)
    assert got.ratio[~where & (got.state == 0)] == pytest.approx(1.0)
    assert got.probability[inner].min() > 0.5


@pytest.mark.parametrize("ratio", [0.5, 2.0])
@pytest.mark.parametrize("averaging", [8, 20])
def test_gradual_edges_are_cut_at_four_fifths(ratio, averaging):
    """The device averages: a window with over 80 % of one mode has that state, else it is between."""
    reference, where = wave(period=1200.0), spell(N, 400, 520)
    share = in_window(where, averaging)
    tested = reference * (1 + (ratio - 1) * share) + noise(3, sd=0.4, phi=0.3)
    found = names(labelled(reference, tested, averaging=float(averaging)))
    mode = "halved" if ratio < 1 else "doubled"
    true = np.where(share > 0.8, mode, np.where(share < 0.2, "faithful", "between"))
    assert (found != true).sum() <= 4
    assert set(found) == {"faithful", "between", mode}


@pytest.mark.parametrize("dip", [5, 12])
def test_brief_dip_that_never_gets_near_half_is_not_half_rate(dip):
    """A fifth of the window and less is faithful; more of it neither half nor any other ratio."""
    reference, where = wave(period=1200.0), spell(N, 400, 400 + dip)
    share = in_window(where, 20)
    found = names(labelled(reference, reference * (1 - 0.5 * share) + noise(3, sd=0.4, phi=0.3), averaging=20.0))
    assert (found[share == 0] == "faithful").all()
    assert set(found) <= {"faithful", "between", "astray"}


def test_dip_that_just_reaches_half_is_halved_at_its_bottom():
    reference = np.full(600, 140.0)
    where = spell(600, 300, 321)
    share = in_window(where, 20)
    found = names(labelled(reference, reference * (1 - 0.5 * share), averaging=20.0))
    assert (found[share >= 0.85] == "halved").all()
    assert (found[(share > 0.25) & (share < 0.75)] == "between").all()
    assert (found[share == 0] == "faithful").all()


def test_simple_ratio_for_a_few_seconds_is_no_ratio():
    reference, where = wave(), spell(N, 400, 412)
    found = names(labelled(reference, np.where(where, 2 / 3, 1.0) * reference))
    assert "off_ratio" not in found
    assert (found[402:410] != "faithful").all()


def test_one_odd_reading_is_astray():
    reference = wave()
    tested = np.round(reference + noise(4))
    tested[500], tested[700] = 30.0, 240.0
    found = names(labelled(reference, tested))
    assert (found[[500, 700]] != "faithful").all()
    assert (np.delete(found, [500, 700]) == "faithful").all()


# cadence


def cadence_session(*, lock, cadence_value=172.0, seed=5):
    """Running at a steady stride while the rate rises and falls well below it."""
    rng = np.random.default_rng(seed)
    reference = wave(low=115.0, high=145.0)
    cadence = cadence_value * (1 + correlated(rng, N, sd=0.01, phi=0.9))
    where = spell(N, 500, 700)
    tested = np.where(where, lock * cadence, reference) + rng.normal(0, 0.8, N)
    return reference, np.round(tested), cadence, where


def test_lock_to_the_step_rate():
    reference, tested, cadence, where = cadence_session(lock=1.0)
    got = labelled(reference, tested, cadence=cadence)
    only(names(got), where, "cadence_locked")
    assert got.ratio[520:680] == pytest.approx(1.0)
    assert not got.also_cadence.any()


def test_lock_to_twice_the_strides():
    reference, tested, cadence, where = cadence_session(lock=2.0, cadence_value=86.0)
    got = labelled(reference, tested, cadence=cadence)
    only(names(got), where, "cadence_locked")
    assert got.ratio[520:680] == pytest.approx(2.0)


def test_lock_to_a_multiple_of_the_stroke_rate():
    reference, tested, cadence, where = cadence_session(lock=3.0, cadence_value=27.0)
    got = labelled(reference, tested, cadence=cadence)
    only(names(got), where, "cadence_locked")
    assert got.ratio[520:680] == pytest.approx(3.0)


def test_lock_to_slow_strides_counted_on_one_leg():
    """A sensor may keep to 46 a minute, which is too slow for steps and quick for strokes."""
    reference, where = wave(low=150, high=180), spell(N, 500, 700)
    cadence = np.full(N, 46.0) + noise(24, sd=0.3)
    tested = np.where(where, cadence, reference) + noise(25, sd=0.4)
    only(names(labelled(reference, tested, cadence=cadence)), where, "cadence_locked")


@pytest.mark.parametrize(("level", "multiples"), [(30.0, (2, 3, 4)), (46.0, (1, 2, 3)), (80.0, (1, 2, 0.5))])
def test_multiples_that_a_device_may_keep_to(level, multiples):
    assert cadence_multiples(np.full(20, level)) == multiples


def test_lock_too_short_for_a_slow_device_to_settle_is_locked_at_its_bottom():
    """A smoothing device is on its way for most of it: past four fifths it is locked, the rest are blends."""
    n, tau = 600, 8.0
    reference = np.full(n, 150.0) + 3.0 * np.sin(np.arange(n) / 40.0)
    cadence = np.full(n, 84.0) + 0.5 * np.sin(np.arange(n) / 15.0)
    source = np.where(spell(n, 300, 322), cadence, reference)
    tested, value = np.empty(n), reference[0]
    for i in range(n):
        value += (source[i] - value) * (1.0 - np.exp(-1.0 / tau))
        tested[i] = value
    got = labelled(reference, np.round(tested), cadence=cadence, averaging=2.0 * tau)
    share = (tested - reference) / (cadence - reference)
    only(names(got), share >= 0.8, "cadence_locked")
    assert set(names(got)) == {"faithful", "between", "cadence_locked"}
    assert got.ratio[names(got) == "cadence_locked"] == pytest.approx(1.0)


def test_freeze_in_a_lock_or_in_half_rate_is_a_freeze():
    reference, tested, cadence, where = cadence_session(lock=0.5)
    tested[560:640] = tested[560]
    found = names(labelled(reference, tested, cadence=cadence))
    assert (found[560:640] == "frozen").all()
    assert (found[510:555] == "cadence_locked").all()
    half = np.round(np.where(where, 0.5, 1.0) * reference)
    half[560:640] = half[560]
    found = names(labelled(reference, half))
    assert (found[560:640] == "frozen").all()
    assert (found[505:555] == "halved").all()


def test_no_cadence_no_lock():
    reference, tested, _, where = cadence_session(lock=1.0)
    found = names(labelled(reference, tested))
    assert "cadence_locked" not in found
    assert (found[where][3:-3] != "faithful").all()


def test_half_rate_that_is_also_the_cadence_is_halved_also_locked():
    reference = 172 + 4 * np.sin(np.arange(N) / 90)
    cadence = 0.5 * reference + noise(6, sd=0.5)
    where = spell(N, 400, 600)
    got = labelled(reference, np.where(where, 0.5 * reference, reference) + noise(7, sd=0.7), cadence=cadence)
    only(names(got), where, "halved")
    assert got.also_cadence[410:590].mean() > 0.95
    assert not got.also_cadence[~where].any()


def test_half_rate_far_from_the_cadence_is_halved_alone():
    reference, where = wave(low=150, high=170), spell(N, 400, 600)
    cadence = np.full(N, 100.0) + noise(6, sd=0.5)
    got = labelled(reference, np.where(where, 0.5, 1.0) * reference + noise(7, sd=0.7), cadence=cadence)
    only(names(got), where, "halved")
    assert not got.also_cadence.any()


def test_true_rate_that_happens_to_be_the_cadence_is_faithful():
    reference = 168 + 3 * np.sin(np.arange(N) / 70)
    cadence = reference + noise(8, sd=0.7)
    assert (names(labelled(reference, np.round(reference + noise(9)), cadence=cadence)) == "faithful").all()


def test_stride_is_credible_only_where_it_is_steady():
    rng = np.random.default_rng(1)
    time = np.arange(600.0)
    cadence = np.where(time < 300, rng.uniform(0, 140, 600), 168 + rng.normal(0, 2, 600))
    got = credible_cadence(time, cadence)
    assert np.isfinite(got[310:]).all()
    assert np.isfinite(got[:295]).mean() < 0.05
    assert np.array_equal(got[310:], cadence[310:])


@pytest.mark.parametrize("value", [0.0, 10.0, 14.9, 231.0, 255.0, np.nan])
def test_numbers_that_are_no_stride(value):
    assert np.isnan(credible_cadence(np.arange(100.0), np.full(100, value))).all()


def test_stride_of_less_than_ten_seconds_is_not_credible():
    assert np.isnan(credible_cadence(np.arange(9.0), np.full(9, 170.0))).all()
    assert np.isfinite(credible_cadence(np.arange(11.0), np.full(11, 170.0))).all()
    assert np.isnan(credible_cadence(np.arange(4.0) * 60, np.full(4, 170.0))).all()


# freezing


@pytest.mark.parametrize("held", [40, 150])
def test_value_that_is_held_while_the_reference_moves_is_frozen(held):
    reference, where = wave(), spell(N, 420, 420 + held)
    tested = np.round(reference + noise(10, phi=0.2))
    tested[where] = tested[420]
    found = names(labelled(reference, tested, parameters=StateParameters(change_share=0.6)))
    only(found, where, "frozen", slack=1)


@pytest.mark.parametrize(("move", "frozen"), [(3.0, False), (12.0, True)])
def test_a_value_is_frozen_only_if_the_reference_moved_away(move, frozen):
    reference = np.full(600, 120.0)
    reference[200:300] += move * np.sin(np.pi * np.arange(100) / 200)
    reference[300:] += move
    tested = np.round(reference + noise(11, 600, sd=0.8, phi=0.2))
    tested[195:320] = 120.0
    found = names(labelled(reference, tested, parameters=StateParameters(change_share=0.6)))
    assert ("frozen" in found) == frozen


def test_held_for_less_than_ten_seconds_is_not_frozen():
    reference = wave(period=60.0)
    tested = np.round(reference)
    tested[500:509] = tested[500]
    assert "frozen" not in names(labelled(reference, tested))


def test_device_that_often_holds_a_value_is_not_frozen_each_time():
    """New value every 6 s, rounded to 2 bpm: runs of 6 to 12 s."""
    reference = wave(period=600.0, low=110, high=140)
    tested = (2 * np.round(reference[(np.arange(N) // 6) * 6] / 2)).astype(float)
    found = names(labelled(reference, tested, parameters=StateParameters(change_share=0.12)))
    assert (found == "faithful").all()


def test_freeze_at_a_steady_cadence_starts_from_the_truth():
    reference, _, cadence, _ = cadence_session(lock=1.0)
    steady = np.full(N, 130.0)
    tested = np.round(reference + noise(12, phi=0.2))
    start = int(np.argmin(np.abs(reference[400:500] - 130))) + 400
    tested[start : start + 120] = 130.0
    found = names(labelled(reference, tested, cadence=steady, parameters=StateParameters(change_share=0.6)))
    assert (found[start + 2 : start + 118] == "frozen").mean() > 0.9
    assert cadence.size == N


# astray, unjudged, slow rhythm


def test_wandering_off_is_astray():
    reference, where = wave(low=120, high=150), spell(N, 500, 800)
    tested = np.where(where, 108 + noise(13, sd=4, phi=0.95), reference + noise(14))
    found = names(labelled(reference, np.round(tested)))
    assert (found[where] == "astray").mean() > 0.9
    assert (found[~where][5:] == "faithful").mean() > 0.99


@pytest.mark.parametrize("mode", ["hole in the reference", "hole in the device"])
def test_nothing_is_judged_where_one_is_missing(mode):
    reference, tested = wave(), np.round(wave() + noise(15))
    hole = spell(N, 300, 420)
    if mode == "hole in the reference":
        reference = np.where(hole, np.nan, reference)
    else:
        tested = np.where(hole, np.nan, tested)
    got = labelled(reference, tested)
    assert ((got.state == -1) == hole).all()
    assert np.isnan(got.ratio[hole]).all()
    assert np.isnan(got.probability[hole]).all()
    assert (names(got)[~hole] == "faithful").all()


def test_nothing_to_judge_at_all():
    none = np.full(20, np.nan)
    for reference, tested in ((none, np.full(20, 60.0)), (np.full(20, 60.0), none), (np.zeros(0), np.zeros(0))):
        got = labelled(reference, tested) if reference.size else _empty()
        assert (got.state == -1).all()


def _empty():
    none = np.zeros(0)
    data = StateInput(
        time_s=none, seconds=none, tested=none, reference=none, low=none, high=none, cadence=none, averaging_s=8.0
    )
    return label(data, StateParameters(), frozen_min_s=10.0, frozen_move=5.0)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 0.2))
def test_readings_without_a_value_change_no_neighbour(seed, share):
    """Codes for "no value" come in as NaN; the others get what they would get if those were not there."""
    rng = np.random.default_rng(seed)
    reference, where = wave(400), spell(400, 150, 260)
    data = worn_beside(reference, np.where(where, 0.5, 1.0) * reference + rng.normal(0, 1, 400))
    lost = rng.random(400) < share
    holed = dataclasses.replace(data, tested=np.where(lost, np.nan, data.tested))
    thinned = StateInput(
        averaging_s=data.averaging_s,
        **{f: getattr(data, f)[~lost] for f in ("time_s", "seconds", "tested", "reference", "low", "high", "cadence")},
    )
    with_nan, without = (label(d, StateParameters(), frozen_min_s=10.0, frozen_move=5.0) for d in (holed, thinned))
    assert (with_nan.state[lost] == -1).all()
    assert np.array_equal(with_nan.state[~lost], without.state)


def test_one_value_a_minute():
    n = 120
    reference = wave(n, every=60.0, period=3600.0)
    where = spell(n, 50, 60)
    tested = np.round(np.where(where, 0.5, 1.0) * reference + noise(16, n, sd=0.8, phi=0.0))
    found = names(labelled(reference, tested, every=60.0, averaging=60.0))
    only(found, where, "halved", slack=0)
    assert (found[~where] == "faithful").all()


def test_numbers_of_a_state_are_consistent():
    reference, tested, cadence, _ = cadence_session(lock=1.0)
    tested[900:950] *= 0.5
    got = labelled(reference, tested, cadence=cadence)
    seen = names(got)
    assert np.isnan(got.ratio[np.isin(seen, ["between", "frozen", "astray"])]).all()
    assert np.isfinite(got.ratio[np.isin(seen, ["faithful", "halved", "doubled", "off_ratio", "cadence_locked"])]).all()
    assert ((got.probability >= 0) & (got.probability <= 1)).all()
    assert (got.state[got.also_cadence] == STATES.index("halved")).all()


# learning


def sums_of(spread, *, n=4000, seed=0, change=None):
    rng = np.random.default_rng(seed)
    reference = session_rate(rng, n)
    tested = reference * np.exp(rng.normal(0, spread, n)) + rng.normal(0, 0.8, n)
    if change is not None:
        for i in range(1, n):
            tested[i] = tested[i] if rng.random() < change else tested[i - 1]
    data = worn_beside(reference, tested)
    states = labelled(reference, tested)
    return faithful_sums(data, states), data


def test_spread_is_learned_beyond_the_noise_in_beats():
    for spread in (0.015, 0.025, 0.035):
        got = learn_parameters(sums_of(spread)[0])
        assert got.spread == pytest.approx(spread, rel=0.2)
        assert got.n == 4000


@pytest.mark.parametrize(("spread", "bound"), [(1e-4, 0.010), (0.3, 0.05)])
def test_what_is_learned_is_bounded(spread, bound):
    deviation = np.minimum(np.abs(np.random.default_rng(0).normal(0, spread, 50_000)) / 0.001, 199).astype(int)
    sums = FaithfulSums(histogram=np.bincount(deviation, minlength=200).astype(float), changed=0.0, moving=1e6)
    got = learn_parameters(sums)
    assert got.spread == bound
    assert got.change_share == 0.05
    always = FaithfulSums(histogram=sums.histogram, changed=1e6, moving=1e6)
    assert learn_parameters(always).change_share == 0.98


def test_prior_stands_until_there_is_enough():
    nothing = FaithfulSums(histogram=np.zeros(200), changed=0.0, moving=0.0)
    assert learn_parameters(nothing) == StateParameters()
    few = learn_parameters(FaithfulSums(histogram=np.eye(200)[45] * 29, changed=0.0, moving=0.0))
    assert few.spread == StateParameters().spread
    some = learn_parameters(FaithfulSums(histogram=np.eye(200)[45] * 300, changed=0.0, moving=0.0))
    assert StateParameters().spread < some.spread < 0.045


def test_share_of_changes_is_learned_where_the_reference_moves():
    sums, _ = sums_of(0.02, change=0.3, n=3000)
    assert sums.changed / sums.moving == pytest.approx(0.3, abs=0.05)


def test_sums_add_over_sessions():
    a, b = sums_of(0.02, n=500)[0], sums_of(0.03, n=700, seed=1)[0]
    both = a + b
    assert np.array_equal(both.histogram, a.histogram + b.histogram)
    assert (both.changed, both.moving) == (a.changed + b.changed, a.moving + b.moving)
    assert both.histogram.sum() == pytest.approx(1200, abs=12)


def test_runs_are_first_stop_and_label():
    got = runs_of(np.array([2, 2, 0, 0, 0, 5]))
    assert (got.first.tolist(), got.stop.tolist(), got.label.tolist()) == ([0, 2, 5], [2, 5, 6], [2, 0, 5])
    assert runs_of(np.zeros(0, dtype=int)).first.size == 0


# averages longer than what they average


def mostly_halved(spells, *, width, n=N):
    """A device that averages ``width`` readings and is right only in brief spells: reference, readings, share right."""
    reference, right = wave(n, low=130.0, high=140.0, period=900.0), np.zeros(n, dtype=bool)
    for first, stop in spells:
        right[first:stop] = True
    share = in_window(right, width)
    return reference, reference * (0.5 + 0.5 * share) + noise(21, n, sd=0.3, phi=0.3), share


@pytest.mark.parametrize("width", [20, 60, 120])
def test_brief_right_spells_of_a_halved_device_are_blends(width):
    """A spell shorter than the averaging stands still on its way while all of it is in the window: that is no mode."""
    reference, tested, share = mostly_halved([(400, 400 + width // 2), (700, 700 + width // 3)], width=width)
    found = names(labelled(reference, tested, averaging=float(width)))
    assert set(found) == {"halved", "between"}
    assert (found[share < 0.15] == "halved").all()
    assert (found[share > 0.25] == "between").all()


def test_right_spell_as_long_as_the_averaging_is_right_at_its_top():
    reference, tested, share = mostly_halved([(400, 455)], width=50)
    found = names(labelled(reference, tested, averaging=50.0))
    assert (found[share > 0.9] == "faithful").all()
    assert (found[(share > 0.25) & (share < 0.75)] == "between").all()
    assert (found[share < 0.15] == "halved").all()


def test_device_that_stays_between_for_long_is_astray_not_on_its_way():
    reference = np.full(N, 140.0)
    where = spell(N, 400, 600)
    found = names(labelled(reference, np.where(where, 0.72, 0.5) * reference + noise(22, sd=0.4), averaging=20.0))
    assert (found[where][5:-5] == "astray").all()
    assert (found[~where] == "halved").mean() > 0.97


def test_lock_beside_half_rate_needs_readings_that_say_so():
    """Cadence 5 % off half the rate, for a third of the averaging: nobody can tell. For ten averagings: a lock."""
    n = 1800
    reference = np.full(n, 140.0)
    cadence = np.full(n, 73.5)
    for last, said in ((640, "halved"), (1400, "cadence_locked")):
        where = spell(n, 600, last)
        tested = np.where(where, cadence, 70.0) + noise(23, n, sd=0.5)
        found = names(labelled(reference, tested, cadence=cadence, averaging=80.0))
        assert (found[where][100:-30] == said).all() if said == "cadence_locked" else set(found) == {"halved"}


def test_rate_behind_half_rate_is_twice_the_reading():
    """Only where the device is mostly halved, and where the cadence is no rival."""
    state = np.array([0, 1, 1, 1, 7, 2], dtype=np.int8)
    told = States(
        state=state,
        ratio=np.array([1.0, 0.5, 0.5, 0.5, np.nan, 2.0]),
        also_cadence=np.array([False, False, False, True, False, False]),
        probability=np.ones(6),
    )
    tested = np.array([120.0, 61.0, 62.0, 63.0, 90.0, 240.0])
    assert followed(tested, told) == pytest.approx([120.0, 122.0, 124.0, np.nan, np.nan, 120.0], nan_ok=True)
    mostly_right = dataclasses.replace(told, state=np.array([0, 0, 0, 1, 7, 2], dtype=np.int8))
    assert np.isnan(followed(tested, mostly_right)[3:]).all()


def test_spread_is_learned_from_windows_of_one_state_alone():
    """A device that is mostly halved and slowly on its way between: its ways do not count."""
    rng, n = np.random.default_rng(31), 3600
    reference = wave(n)
    right = np.zeros(n)
    for first in range(300, n, 300):
        right[first : first + 60] = np.concatenate([np.linspace(0, 1, 25), np.ones(10), np.linspace(1, 0, 25)])
    share = np.convolve(np.pad(right, (7, 0), mode="edge"), np.ones(8) / 8, mode="valid")
    tested = reference * (0.5 + 0.5 * share) * np.exp(rng.normal(0.0, 0.01, n))
    data = worn_beside(reference, tested)
    states = label(data, StateParameters(), frozen_min_s=10.0, frozen_move=5.0)
    sums = faithful_sums(data, states)
    assert sums.histogram.sum() > 1500
    assert learn_parameters(sums).spread < 0.015


def test_error_of_half_rate_is_counted_as_that_of_the_rate_it_stands_for():
    """Errors in beats a minute weigh twice where a device reads half: the spread is that of right readings."""
    n = 1200
    reference = wave(n)
    half = worn_beside(reference, 0.5 * reference * np.exp(0.06 * np.sign(np.sin(np.arange(n)))))
    states = States(
        state=np.full(n, STATES.index("halved"), dtype=np.int8),
        ratio=np.full(n, 0.5),
        also_cadence=np.zeros(n, dtype=bool),
        probability=np.ones(n),
    )
    assert learn_parameters(faithful_sums(half, states, noise_bpm=0.0), prior_n=0.0).spread == pytest.approx(
        0.03, abs=0.002
    )
