"""Assumptions behind the limits: what is found in data made to break them, and what is never claimed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.agreement import grouped_sums, regression_limits
from wearbench.core.agreement.assumptions import ASSUMPTIONS, Assumption, check_assumptions, clusters_of_pairs
from wearbench.core.agreement.assumptionslopes import proportional_bias
from wearbench.core.agreement.assumptiontails import heavy_tails, mixture, robust_kurtosis
from wearbench.core.agreement.assumptionunits import dependence_left, influence
from wearbench.core.agreement.primary import choose_primary
from wearbench.core.clusters import Clusters
from wearbench.errors import CannotTell, DataError


def study(people: int = 10, each: int = 60, seed: int = 3) -> dict[str, Any]:
    """Pairs that keep every assumption: invented."""
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(people), each)
    reference = rng.uniform(60, 180, who.size)
    tested = reference + rng.normal(0, 1, people)[who] + rng.normal(0, 2, who.size)
    return {"tested": tested, "reference": reference, "who": who, "rng": rng}


def found(tested: Any, reference: Any, **options: Any) -> dict[str, Assumption]:
    return {a.name: a for a in check_assumptions(tested, reference, **options)}


def test_sound_data_break_no_assumption() -> None:
    s = study()
    all_of = found(s["tested"], s["reference"], participant=s["who"], faithful=np.ones(600, dtype=bool))
    assert tuple(all_of) == ASSUMPTIONS
    assert {a.outcome for a in all_of.values()} == {"holds"}


def test_slope_is_found_and_said_for_a_round_step() -> None:
    s = study()
    tested = s["tested"] - 0.08 * (s["reference"] - 100)
    slope = found(tested, s["reference"], participant=s["who"], unit="bpm", what="heart rate")["proportional_bias"]
    assert slope.outcome == "violated"
    assert slope.said == (
        "It reads lower the higher the heart rate: 0.802 bpm less for each 10 bpm (95 % interval 0.756 to 0.848)."
    )


def test_slope_from_sums_is_that_of_the_pairs() -> None:
    s = study()
    tested = 1.03 * s["tested"]
    clusters, _ = clusters_of_pairs(600, session=None, participant=s["who"])
    sums = grouped_sums(tested, s["reference"], group=clusters.index)
    mine = proportional_bias(sums, clusters)
    fit = regression_limits(tested, s["reference"], cluster=s["who"], bias="sloping").slope
    plain = np.polyfit((tested + s["reference"]) / 2, tested - s["reference"], 1)[0]  # recomputed: numpy
    assert mine.value == pytest.approx(plain, rel=1e-9)
    assert (mine.value, mine.low, mine.high) == pytest.approx((fit.value, fit.low, fit.high), rel=1e-6)


def test_a_clear_slope_that_moves_little_is_no_violation() -> None:
    s = study(people=40, each=400)
    mine = found(s["tested"] + 0.005 * (s["reference"] - 120), s["reference"], participant=s["who"])
    assert (mine["proportional_bias"].low or 0) > 0
    assert mine["proportional_bias"].outcome == "holds"


def test_a_noisy_device_is_not_said_to_lean() -> None:
    # exact reference, device that scatters: recomputed, the slope on the average is var(e)/2 over var(average)
    rng = np.random.default_rng(2)
    who = np.repeat(np.arange(10), 400)
    reference = rng.normal(100, 10, 4000)
    tested = reference + rng.normal(0, 8, 4000)
    slope = found(tested, reference, participant=who)["proportional_bias"]
    assert slope.value == pytest.approx(32 / (100 + 16), abs=0.03)
    assert slope.low is not None and slope.low > 0
    assert slope.outcome == "cannot be told"
    assert slope.said == (
        "Whether the bias follows the size of the value cannot be told: against the average it changes by 2.68 for "
        "each 10, against the reference alone it does not, or the other way, and more scatter of one of both does that "
        "too."
    )


def test_scatter_that_fans_out_is_found() -> None:
    s = study()
    tested = s["reference"] * (1 + s["rng"].normal(0, 0.03, 600))
    fan = found(tested, s["reference"], participant=s["who"], unit="bpm", what="heart rate")["uneven_spread"]
    assert fan.outcome == "violated"
    # recomputed: E|R| = 0.03 A sqrt(2/pi) = 0.0239 A
    assert fan.low is not None and fan.high is not None and fan.low < 0.0239 < fan.high
    assert fan.said.startswith("Its readings scatter more the higher the heart rate: on average 0.2")


def test_heavy_tails_share_of_student_t3() -> None:
    rng = np.random.default_rng(8)
    d = rng.standard_t(3, 40_000)
    clusters, _ = clusters_of_pairs(40_000, session=None, participant=np.arange(40_000) % 20)
    got = heavy_tails(d, np.zeros(40_000), clusters=clusters)
    # recomputed: quartile 0.764892, SD by quartiles 1.134027, Pr(|t3| > 3.402080) = 0.042434
    assert got.value == pytest.approx(0.0424, abs=0.003)
    assert got.outcome == "violated"
    normal = heavy_tails(rng.normal(0, 1, 40_000), np.zeros(40_000), clusters=clusters)
    assert normal.outcome == "holds"


def test_robust_kurtosis_of_a_normal_crow_siddiqui() -> None:
    from scipy.special import ndtri

    values = ndtri((np.arange(200_000) + 0.5) / 200_000)
    # recomputed: 1.959964/0.674490 = 2.905847
    assert robust_kurtosis(values) == pytest.approx(2.905847, abs=1e-4)
    assert robust_kurtosis(np.ones(100)) is None
    assert robust_kurtosis(np.arange(39.0)) is None


def test_mixture_leads_from_more_than_one_in_twenty() -> None:
    clusters, _ = clusters_of_pairs(200, session=None, participant=np.arange(200) % 8)
    few = mixture(np.arange(200) >= 10, clusters=clusters)
    many = mixture(np.arange(200) >= 11, clusters=clusters)
    assert (few.value, few.outcome) == (0.05, "holds")
    assert (many.value, many.outcome) == (0.055, "violated")
    with pytest.raises(DataError) as error:
        mixture(np.ones(3, dtype=bool), clusters=clusters)
    assert str(error.value) == "expected one judgement a pair, got shape (3,) for 200 pairs"


def test_one_odd_participant_is_named() -> None:
    s = study()
    tested = np.where(s["who"] == 7, s["tested"] + 30, s["tested"])
    names = np.array([f"rower-{k}" for k in range(10)])[s["who"]]
    odd = found(tested, s["reference"], participant=names, unit="bpm")["influence"]
    assert odd.outcome == "violated" and odd.value is not None and odd.value > 1
    assert odd.said.startswith("Much of the result hangs on participant rower-7: without it ")


def test_influence_is_as_if_left_out_by_hand() -> None:
    s = study(people=6)
    clusters, names = clusters_of_pairs(360, session=None, participant=s["who"])
    sums = grouped_sums(s["tested"], s["reference"], group=clusters.index)
    got = influence(sums, clusters, names=names)
    from wearbench.core.clusters import t_quantile

    d = s["tested"] - s["reference"]
    worst = 0.0

    def three(keep: Any) -> Any:
        code = np.unique(s["who"][keep], return_inverse=True)[1]
        size = np.bincount(code)
        mean = np.bincount(code, weights=d[keep]) / size
        within = float(np.sum((d[keep] - mean[code]) ** 2)) / (keep.sum() - size.size)
        between = max(0.0, (float(np.var(mean, ddof=1)) * size[0] - within) / size[0])  # balanced
        return d[keep].mean() + 1.96 * math.sqrt(between + within) * np.array([0, -1, 1])

    everyone = np.ones(360, dtype=bool)
    for k in range(6):
        keep = s["who"] != k
        rest = three(keep)
        jack = np.array([three(keep & (s["who"] != j)) for j in range(6) if j != k])
        arm = t_quantile(0.975, 4) * np.sqrt(4 / 5 * np.sum((jack - rest) ** 2, axis=0))
        worst = max(worst, float(np.max(np.abs(three(everyone) - rest) / arm)))
    assert got.value == pytest.approx(worst, rel=1e-9)


def test_sessions_that_drift_are_alike_in_a_row() -> None:
    clusters = Clusters(unit="sessions", index=np.arange(20), count=20, nested=False)
    drift = dependence_left(np.linspace(-2, 2, 20), clusters=clusters)
    assert drift.outcome == "violated"
    assert drift.said == (
        "Sessions that follow each other are alike, so the intervals are too narrow: correlation in a row 0.85 "
        "(95 % interval 0.462 to 1)."
    )
    turn = dependence_left(np.resize([1.0, -1.0], 20), clusters=clusters)
    assert turn.outcome == "holds"
    few = dependence_left(np.arange(7.0), clusters=Clusters(unit="sessions", index=np.arange(7), count=7, nested=False))
    assert few.said == ("Whether successive units are alike cannot be told: it takes 8 sessions in a row, there are 7.")


def test_blocks_shorter_than_what_stays_alike() -> None:
    clusters = Clusters(unit="blocks", index=np.arange(20), count=20, nested=False)
    short = dependence_left(np.zeros(20), clusters=clusters, block_s=60.0, correlation_s=40.0)
    assert short.outcome == "violated" and short.value == 1.5
    assert short.said == (
        "Blocks of 60 s are shorter than five times the 40 s over which its differences stay alike: the intervals are "
        "too narrow."
    )


def test_one_pair_and_constants_claim_nothing() -> None:
    one = found([5.0], [4.0])
    assert {n: a.outcome for n, a in one.items()} == {
        "proportional_bias": "cannot be told",
        "uneven_spread": "cannot be told",
        "mixture": "cannot be told",
        "heavy_tails": "cannot be told",
        "few_clusters": "violated",
        "dependence_left": "holds",
        "influence": "cannot be told",
    }
    assert one["proportional_bias"].said == (
        "Whether the bias follows the size of the value cannot be told: a slope needs 3 pairs, there is 1."
    )
    same = found([5.0] * 50, [4.0] * 50)
    assert same["influence"].said == (
        "Whether one unit decides the result cannot be told: all differences are identical."
    )
    assert same["heavy_tails"].said == (
        "Whether a few differences lie far out cannot be told: half of the differences are identical."
    )
    shifted = found(np.arange(50.0) + 1, np.arange(50.0))
    assert shifted["proportional_bias"].said == (
        "Whether the bias follows the size of the value cannot be told: all differences are identical."
    )


def test_missing_and_infinite_values_are_refused() -> None:
    for bad in (math.nan, math.inf):
        with pytest.raises(DataError) as error:
            check_assumptions([1.0, bad], [1.0, 2.0])
        assert str(error.value) == (
            "expected finite values, got 1 of 2 pairs with NaN or infinity, the first at position 1; leave them out "
            "before"
        )
    with pytest.raises(CannotTell) as none:
        check_assumptions([], [])
    assert str(none.value) == "assumptions are looked at in pairs, there are none"
    with pytest.raises(DataError) as size:
        check_assumptions([1.0, 2.0], [1.0, 2.0], session=["a"])
    assert str(size.value) == "expected one session a pair, got shape (1,) for 2 pairs"


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.floats(-500, 500), st.floats(0.05, 50))
def test_shift_scale_and_mirrors(seed: int, shift: float, scale: float) -> None:
    s = study(people=6, each=30, seed=seed)
    tested = s["tested"] + 0.1 * s["reference"]
    first = found(tested, s["reference"], participant=s["who"])
    moved = found(scale * tested + shift, scale * s["reference"] + shift, participant=s["who"])
    swapped = found(s["reference"], tested, participant=s["who"])
    for name in ("proportional_bias", "uneven_spread", "heavy_tails", "influence"):
        assert moved[name].value == pytest.approx(first[name].value, rel=1e-5, abs=1e-7)
        assert moved[name].outcome == first[name].outcome
    assert swapped["proportional_bias"].value == pytest.approx(-(first["proportional_bias"].value or 0), rel=1e-9)
    for name in ("uneven_spread", "heavy_tails", "influence"):
        assert swapped[name].value == pytest.approx(first[name].value, rel=1e-7, abs=1e-9)


def test_doubling_the_pairs_of_a_participant_adds_no_unit() -> None:
    s = study()
    again = np.concatenate([np.arange(600), np.flatnonzero(s["who"] == 2)])
    one = found(s["tested"], s["reference"], participant=s["who"])
    two = found(s["tested"][again], s["reference"][again], participant=s["who"][again])
    assert {n: a.n for n, a in one.items()} == {n: a.n for n, a in two.items()}
    width = [(a["proportional_bias"].high or 0) - (a["proportional_bias"].low or 0) for a in (one, two)]
    assert width[1] > 0.7 * width[0]


def made(name: str, *, value: float = 1.0, outcome: Any = "violated") -> Assumption:
    return Assumption(name=name, value=value, low=None, high=None, outcome=outcome, said=f"{name}.", method="", n=9)


def units(count: int = 9) -> Clusters:
    return Clusters(unit="participants", index=np.arange(count), count=count, nested=False)


@pytest.mark.parametrize(
    ("broken", "count", "n", "ratio", "primary"),
    [
        ([], 9, 90, False, "repeated"),
        ([], 9, 9, False, "single"),
        ([], 9, 1, False, "none"),
        ([], 0, 0, False, "none"),
        (["few_clusters"], 3, 90, False, "repeated"),
        (["few_clusters", "proportional_bias"], 3, 90, False, "repeated"),
        (["proportional_bias"], 9, 90, False, "sloping"),
        (["uneven_spread"], 9, 90, False, "sloping"),
        (["uneven_spread"], 9, 90, True, "ratio"),
        (["proportional_bias"], 9, 90, True, "sloping"),
        (["heavy_tails"], 9, 90, False, "quantiles"),
        (["heavy_tails", "uneven_spread"], 9, 90, False, "sloping"),
        (["mixture", "proportional_bias", "few_clusters"], 3, 90, False, "two_part"),
        (["influence", "dependence_left"], 9, 90, False, "repeated"),
    ],
)
def test_rule_of_the_primary_limits(broken: list[str], count: int, n: int, ratio: bool, primary: str) -> None:
    choice = choose_primary([made(name) for name in broken], clusters=units(count), n_pairs=n, ratio_fits=ratio)
    assert choice.primary == primary
    assert choice.why.endswith(".")
