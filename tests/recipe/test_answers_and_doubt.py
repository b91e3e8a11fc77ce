"""How late a device answers, what its wearer believed, and doubt in the reference, from files to tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from recorded import Worn, run, study, wear, write_session
from worn import beats, beats_of

from wearbench.core.smoothing import smoothed
from wearbench.findings import find
from wearbench.study import Results

SHARED = 'clock = "shared"\n'
LENGTH_S = 1500


def efforts(seed: int) -> np.ndarray:
    """Levels held 2 to 3 min with first-order rises and falls; 1 Hz."""
    rng = np.random.default_rng(seed)
    target = np.concatenate([np.full(int(rng.uniform(120, 180)), rng.uniform(80, 165)) for _ in range(16)])[:LENGTH_S]
    rate = np.empty(LENGTH_S)
    value = target[0]
    for i, aim in enumerate(target.tolist()):
        value += (aim - value) / 20.0
        rate[i] = value
    return rate


def slow(seed: int, *, constant_s: float, late_s: float) -> Worn:
    """A device that answers exponentially, ``late_s`` after the heart; its stamps are right."""
    rng = np.random.default_rng(seed)
    reference = beats(beats_of(rng, efforts(seed)))
    shown = np.arange(60.0, LENGTH_S - 10.0)
    value, _ = smoothed(reference, averaging_s=2 * constant_s, shape="exponential").at(shown - late_s - constant_s)
    value = np.round(value + rng.normal(0, 1.0, value.size))
    return Worn(reference=reference, time_s=shown, value=value, shift_s=0.0, halved=np.zeros(shown.size, dtype=bool))


def table(results: Results, name: str, **keys: Any) -> list[dict[str, Any]]:
    return [row for row in results.document[name] if all(row[k] == v for k, v in keys.items())]


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Results]:
    """The same two sessions, with a clock that is the reference's and with one that is not known."""
    out = {}
    for name, more in (("shared", SHARED), ("unknown", ""), ("declared", "delay_s = 4\n")):
        folder = study(tmp_path_factory.mktemp(name), more=more)
        for number in range(2):
            write_session(folder, f"S{number}", slow(20 + number, constant_s=10.0, late_s=4.0))
        out[name] = run(folder)
    return out


def test_answer_on_a_shared_clock(answers: dict[str, Results]) -> None:
    rows = {r["statistic"]: r for r in table(answers["shared"], "responses", by="all")}
    assert rows["t63_s"]["value"] == pytest.approx(14.0, abs=2.0)
    assert rows["t90_s"]["value"] == pytest.approx(4.0 + 23.0, abs=4.0)
    assert rows["dead_time_s"]["value"] == pytest.approx(4.0, abs=2.0)
    assert rows["time_constant_s"]["value"] == pytest.approx(10.0, abs=2.0)
    assert rows["t63_s"]["low"] < rows["t63_s"]["value"] < rows["t63_s"]["high"]
    steps = table(answers["shared"], "response")
    assert {s["session"] for s in steps} == {"S0", "S1"}
    assert rows["t63_s"]["n_steps"] == len([s for s in steps if s["t63_s"] is not None])
    claim = next(f.claim for f in find(answers["shared"].document, answers["shared"].pairs) if "jump of" in f.claim)
    assert claim.startswith("After a jump of the heart rate it took 14 s (")


def test_answer_without_a_clock_gives_what_does_not_depend_on_it(answers: dict[str, Results]) -> None:
    rows = {r["statistic"]: r for r in table(answers["unknown"], "responses", by="all")}
    why = "clock and delay cannot be told apart: when the readings came is not known"
    for name in ("dead_time_s", "t63_s", "t90_s"):
        assert (rows[name]["value"], rows[name]["why"]) == (None, why)
    assert rows["time_constant_s"]["value"] == pytest.approx(10.0, abs=2.0)
    assert rows["t63_to_t90_s"]["value"] == pytest.approx(13.0, abs=3.0)
    assert {s["why"] for s in table(answers["unknown"], "response") if s["time_constant_s"] is not None} == {why}


def test_answer_on_a_clock_that_rests_on_a_declared_delay_says_so(answers: dict[str, Results]) -> None:
    rows = {r["statistic"]: r for r in table(answers["declared"], "responses", by="all")}
    why = "rests on the delay declared in study.toml: the clock was found from the same readings"
    assert rows["t63_s"]["value"] == pytest.approx(14.0, abs=3.0)
    assert (rows["t63_s"]["why"], rows["time_constant_s"]["why"]) == (why, None)
    shared = {r["statistic"]: r for r in table(answers["shared"], "responses", by="all")}
    assert shared["t63_s"]["why"] is None


def test_believed_counts_wrong_readings_and_names_the_worst_session(tmp_path: Path) -> None:
    folder = study(tmp_path / "believed", more=SHARED)
    worn = {name: wear(seed, length_s=900, delay_s=0.0, sd=0.5) for seed, name in enumerate(("S0", "S1"), start=31)}
    write_session(folder, "S0", worn["S0"])
    half = np.where((worn["S1"].time_s > 300) & (worn["S1"].time_s < 600), worn["S1"].value / 2, worn["S1"].value)
    write_session(folder, "S1", worn["S1"], value=half)
    results = run(folder)
    rows = {row["session"]: row for row in results.document["believed"]}
    for name, row in rows.items():
        pairs = results.pairs.filter(session=name, used=True)
        seconds, tested, reference = (pairs[c].to_numpy() for c in ("seconds", "tested", "reference"))
        assert row["shown_mean"] == pytest.approx(seconds @ tested / seconds.sum())
        assert row["true_mean"] == pytest.approx(seconds @ reference / seconds.sum())
        assert row["shown_maximum"] == tested.max()
        assert row["true_maximum_5_s"] >= row["true_maximum"] - 1.0
        for what, values in (("shown", tested), ("true", reference)):
            over = seconds[values >= row["study_third_to"]].sum()
            assert row[f"{what}_study_high_s"] == pytest.approx(over)
            thirds = [row[f"{what}_study_{third}_s"] for third in ("low", "middle", "high")]
            assert sum(thirds) == pytest.approx(row["seconds"])
    assert rows["S1"]["mean_difference"] < -10 < rows["S0"]["mean_difference"]
    (summary,) = table(results, "believed_summary", statistic="mean_difference")
    assert summary["worst_session"] == "S1"
    assert summary["value"] == pytest.approx(np.mean([r["mean_difference"] for r in rows.values()]))


def skipping(worn: Worn, start_s: float, end_s: float) -> Worn:
    """The same session beside a strap that sees every second beat for a while."""
    at = worn.reference.knot_s
    inside = (at > start_s) & (at < end_s)
    seen = at[~(inside & (np.cumsum(inside) % 2 == 0))]
    return Worn(reference=beats(seen), time_s=worn.time_s, value=worn.value, shift_s=0.0, halved=worn.halved)


def test_reference_that_skips_makes_no_double_device(tmp_path: Path) -> None:
    folder = study(tmp_path / "skips", more=SHARED)
    write_session(folder, "S0", skipping(wear(41, length_s=900, delay_s=0.0, sd=0.5), 300.0, 420.0))
    results = run(folder)
    assert [d["why"] for d in results.document["references"][0]["doubts"]] == ["every_second_beat"]
    assert "doubled" not in results.pairs["state"].unique().to_list()
    (disputed,) = [e for e in results.document["episodes"] if e["doubt"]]
    assert disputed["state"] == "doubled"
    assert disputed["doubt"] == "one of the two is wrong, this study cannot say which: the reference was doubtful"
    assert disputed["seconds"] == pytest.approx(120, abs=15)
    effect = {r["statistic"]: r for r in table(results, "doubt_effect")}
    assert effect["affected_doubled"]["with_doubtful"] == 1.0
    assert effect["affected_doubled"]["without_doubtful"] == 0.0
    assert effect["mae"]["with_doubtful"] > effect["mae"]["without_doubtful"] + 3
    assert effect["tracking_share"]["without_doubtful"] > effect["tracking_share"]["with_doubtful"]
    assert effect["mae"]["seconds_doubtful"] == pytest.approx(120, abs=20)
    kinds = {f.evidence["kind"]: f for f in find(results.document, results.pairs)}
    assert "state_doubled" not in kinds
    assert "this study cannot say which: the reference was doubtful" in kinds["disputed"].claim
    assert kinds["doubt_effect"].claim.endswith("Sessions affected would be: “about double” in 1 instead of 0.")


def test_reference_that_skips_all_along_makes_no_double_device_either(tmp_path: Path) -> None:
    folder = study(tmp_path / "all_along", more=SHARED + "averaging_s = 8\ndelay_s = 0\n")
    write_session(folder, "S0", skipping(wear(43, length_s=900, delay_s=0.0, sd=0.5), 0.0, 1000.0))
    results = run(folder)
    assert results.document["references"][0]["doubts"] == []
    assert sum(row["n_affected"] for row in table(results, "affected", state="doubled")) == 0
    told = [e for e in results.document["episodes"] if e["doubt"]]
    assert {e["doubt"].partition(": ")[2] for e in told} == {
        "the reference may have counted every second beat all along"
    }


def test_device_that_doubles_by_itself_is_still_called_so(tmp_path: Path) -> None:
    folder = study(tmp_path / "doubles", more=SHARED)
    worn = wear(44, rate=np.full(900, 70.0) + 8 * np.sin(np.arange(900) / 60), delay_s=0.0, sd=0.5)
    inside = (worn.time_s > 300) & (worn.time_s < 480)
    write_session(folder, "S0", worn, value=np.where(inside, 2 * worn.value, worn.value))
    results = run(folder)
    seconds = {r["state"]: r["seconds"] for r in table(results, "states", by="all")}
    assert seconds["doubled"] == pytest.approx(180, abs=15)
    assert not [e for e in results.document["episodes"] if e["doubt"]]
