"""Devices that keep several rhythms, and minute values stamped at their start: from files to results."""

from __future__ import annotations

import numpy as np
import pytest
from recorded import Worn, run, study, wear, write_session
from worn import correlated, session_rate

from wearbench.core.smoothing import smoothed

REST_S, EXERCISE_S = 60.0, 1.0


def day_with_exercise(seed, *, activity_first_s=7200, length_s=14_400, exercise_s=2400, spread=2.0) -> Worn:
    """One value a minute (over the minute before), one a second (over 8 s) in exercise; the clock is right."""
    rng = np.random.default_rng(seed)
    quiet = session_rate(rng, length_s, low=55.0, high=95.0)
    loud = session_rate(rng, exercise_s)
    rate = quiet.copy()
    rate[activity_first_s : activity_first_s + exercise_s] = loud
    rate = np.convolve(np.pad(rate, 60, mode="edge"), np.full(121, 1 / 121), mode="valid")
    reference = wear(seed, rate=rate).reference
    stop = activity_first_s + exercise_s
    slow = np.concatenate([np.arange(60.0, activity_first_s, REST_S), np.arange(stop, length_s, REST_S)])
    quick = np.arange(activity_first_s + 8.0, stop, EXERCISE_S)
    time_s = np.sort(np.concatenate([slow, quick]))
    is_slow = np.isin(time_s, slow)
    value = np.where(
        is_slow,
        smoothed(reference, averaging_s=60.0).at(time_s - 30.0)[0],
        smoothed(reference, averaging_s=8.0).at(time_s - 4.0)[0],
    )
    value = np.where(is_slow, value + 1.5, value)  # off at rest, right in exercise
    value = np.round(value + correlated(rng, value.size, sd=1.0, phi=0.5))
    return Worn(reference=reference, time_s=time_s, value=value, shift_s=-4.0, halved=np.zeros(time_s.size, dtype=bool))


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    folder = study(tmp_path_factory.mktemp("modes") / "study")
    for seed in (1, 2, 3):
        write_session(folder, f"S{seed}", day_with_exercise(seed))
    return run(folder)


def test_averaging_is_learned_by_mode(mixed):
    quick, slow, total = mixed.document["rhythms"]
    assert [r["rhythm"] for r in (quick, slow, total)] == ["one value a second", "one value a minute", "all"]
    assert quick["averaging_s"] == pytest.approx(8.0, abs=1.5)
    assert slow["averaging_low_s"] <= 60.0 <= slow["averaging_high_s"]


def test_each_reading_has_the_window_of_its_mode(mixed):
    pairs = mixed.pairs.filter(mixed.pairs["session"] == "S1")
    length = (pairs["end"] - pairs["start"]).dt.total_milliseconds() / 1000.0
    quick, slow, _ = mixed.document["rhythms"]
    assert sorted(set(length.round(3).to_list())) == pytest.approx(
        [quick["averaging_s"], slow["averaging_s"]], abs=1e-3
    )
    assert mixed.document["proposals"] == []
    # both kinds end at their stamp: the clock is right and nothing is late
    late = (pairs["end"] - pairs["time"]).dt.total_milliseconds() / 1000.0
    assert late.abs().max() < 2.0


def test_pairs_and_time_weigh_differently_and_that_is_said(mixed):
    quick, slow, total = mixed.document["rhythms"]
    assert quick["bias"] == pytest.approx(0.0, abs=0.3)
    assert slow["bias"] == pytest.approx(1.5, abs=0.3)
    assert total["n_pairs"] == quick["n_pairs"] + slow["n_pairs"] == mixed.pairs["used"].sum()
    by_pairs = (quick["bias"] * quick["n_pairs"] + slow["bias"] * slow["n_pairs"]) / total["n_pairs"]
    assert total["bias"] == pytest.approx(by_pairs)
    used = mixed.pairs.filter("used")
    weighed = ((used["tested"] - used["reference"]) * used["seconds"]).sum() / used["seconds"].sum()
    assert total["bias_by_time"] == pytest.approx(weighed)
    assert total["bias_by_time"] > 1.0 > 0.4 > total["bias"]
    (said,) = (w["said"] for w in mixed.document["warnings"] if w["slug"] == "rhythms-mixed")
    assert said.startswith("Wrist band keeps 2 rhythms; one value a second makes 9")
    groups = {r["group"] for r in mixed.document["agreement"] if r["by"] == "rhythm"}
    assert groups == {"one value a second", "one value a minute"}


def test_session_of_exercise_in_the_rhythm_of_the_day(tmp_path):
    folder = study(tmp_path)
    (folder / "sessions.csv").write_text("session,activity\nS1,rowing\nS2,rowing\nS3,rest\n", encoding="utf-8")
    write_session(folder, "S1", wear(4, length_s=2400))
    for name, seed in (("S2", 5), ("S3", 6)):
        write_session(folder, name, wear(seed, length_s=7200, every_s=60.0, averaging_s=60.0, delay_s=0.0))
    said = [w["said"] for w in run(folder).document["warnings"]]
    asked = [s for s in said if "exercise mode" in s]
    assert asked == [
        "S2: Wrist band gave one value a minute in rowing, elsewhere one value a second: "
        "was its exercise mode not started?"
    ]


@pytest.mark.parametrize(("stands_for", "offset_s"), [("starting", 0.0), ("ending", 60.0)])
def test_minute_values_stamped_at_the_start(tmp_path, stands_for, offset_s):
    """09:07 stands for 09:07 to 09:08; read as the minute before, the clock would seem a minute behind."""
    worn = wear(7, length_s=14_400, every_s=60.0, averaging_s=60.0, delay_s=0.0, sd=0.5)
    folder = study(tmp_path, more=f'stands_for = "{stands_for}"\naveraging_s = 60\n')
    write_session(folder, "S1", worn, time_s=worn.time_s - 60.0)
    results = run(folder)
    (clock,) = results.document["clock"]
    assert clock["low_s"] <= offset_s <= clock["high_s"]
    assert clock["offset_s"] == pytest.approx(offset_s, abs=10.0)
    used = results.pairs.filter("used")
    assert (used["tested"] - used["reference"]).abs().mean() < 1.0


def test_one_rhythm_says_nothing_of_rhythms(tmp_path):
    write_session(study(tmp_path), "S1", wear(8, length_s=1500))
    document = run(tmp_path).document
    assert document["rhythms"] == []
    assert not [r for r in document["agreement"] if r["by"] == "rhythm"]
    assert not [w for w in document["warnings"] if "rhythm" in w["said"]]
