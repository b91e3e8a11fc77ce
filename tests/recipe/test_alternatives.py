"""A small invented study judged under every choice: what is not made otherwise stays, intervals are never left."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import recorded

from wearbench.analysis import finish_session, fit_session, learn, read_session
from wearbench.core.beats import Beats, running_from_beats
from wearbench.recipe.affected import affected_rows
from wearbench.recipe.alternatives import without_mended
from wearbench.recipe.combining import combine
from wearbench.recipe.learning import SeriesParameters, StudyParameters
from wearbench.recipe.packing import pack, unpack
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.recipe.studyalternatives import study_alternatives
from wearbench.simulator import write_bench
from wearbench.study import Study, load_study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = tmp_path_factory.mktemp("alternatives") / "study"
    write_bench(folder, n_sessions=3, minutes=12, seed=31)
    return load_study(folder)


@pytest.fixture(scope="module")
def parameters(study: Study) -> StudyParameters:
    """As learned, the averaging with an interval that leaves something to choose."""
    fits = [fit_session(read_session(study, s), study.config, study.config.settings) for s in study.sessions]
    learned = learn(fits, study.config, study.config.settings)

    def wide(series: SeriesParameters) -> SeriesParameters:
        fit = replace(series.averaging, low_s=6.0, high_s=12.0, n=500)
        modes = tuple(replace(mode, averaging=fit) for mode in series.modes)
        return replace(series, averaging=fit, modes=modes)

    return replace(learned, series={key: wide(series) for key, series in learned.series.items()})


def finished(study: Study, parameters: StudyParameters) -> list[SessionResult]:
    settings = study.config.settings
    materials = [read_session(study, session) for session in study.sessions]
    return [finish_session(m, fit_session(m, study.config, settings), parameters, study, settings) for m in materials]


@pytest.fixture(scope="module")
def done(study: Study, parameters: StudyParameters) -> list[SessionResult]:
    return finished(study, parameters)


def every(done: list[SessionResult]) -> list[SeriesResult]:
    return [s for r in done for s in r.results]


def test_first_of_all_is_the_analysis_itself(done: list[SessionResult]) -> None:
    for series in every(done):
        first = series.alternatives[0]
        times = {t.state: t.seconds for t in series.state_times if t.by == "all"}
        assert first.name == ""
        assert first.seconds == pytest.approx(times)
        overall = next(s for s in series.sums if (s.by, s.readings, s.clock) == ("all", "all", "fitted"))
        assert first.blocks == pytest.approx(overall.blocks)
    assert len(every(done)) >= 3


def test_study_counts_sessions_affected_as_the_table_does(study: Study, done: list[SessionResult]) -> None:
    [one] = study_alternatives(done, study)
    rows = affected_rows(done, study.config.settings)
    assert rows
    for row in rows:
        hit = one.affected(one.analysed.picks, row["state"], least_s=row["least_seconds"])
        assert hit == (row["n_affected"], row["n_sessions"])


def test_clock_and_averaging_stay_within_their_intervals(done: list[SessionResult]) -> None:
    for series in every(done):
        corners = [a for a in series.alternatives if a.name in ("corner", "clock_early", "clock_late")]
        assert all(series.clock.low_s <= a.shift_s <= series.clock.high_s for a in corners)
        assert {a.averaging_s for a in corners} == {6.0, series.averaging_s, 12.0}
        named = {a.name: (a.shift_s, a.averaging_s) for a in series.alternatives}
        assert named["clock_early"] == (series.clock.low_s, series.averaging_s)
        assert named["clock_late"] == (series.clock.high_s, series.averaging_s)
        assert named["averaging_shorter"] == (series.clock.shift_s, 6.0)
        pairs = [(a.shift_s, a.averaging_s) for a in (series.alternatives[0], *corners)]
        assert len(set(pairs)) == len(pairs)


def test_an_alternative_is_what_the_whole_analysis_gives_with_that_choice(
    study: Study, parameters: StudyParameters, done: list[SessionResult]
) -> None:
    wider = {
        key: replace(series, states=replace(series.states, spread=1.33 * series.states.spread))
        for key, series in parameters.series.items()
    }
    again = finished(study, replace(parameters, series=wider))
    for series, other in zip(every(done), every(again), strict=True):
        named = {a.name: a for a in series.alternatives}
        assert named["widths_wider"].seconds == pytest.approx(other.alternatives[0].seconds)
        assert named["widths_wider"].sure_s == pytest.approx(other.alternatives[0].sure_s)


def test_first_two_minutes_are_left_out_of_states_and_sums(done: list[SessionResult]) -> None:
    for series in every(done):
        named = {a.name: a for a in series.alternatives}
        whole, part = named[""], named["without_start"]
        gone = sum(whole.seconds[s] - part.seconds.get(s, 0.0) for s in whole.seconds if s != "unjudged")
        assert 90.0 < gone <= 121.0
        assert whole.blocks[:, 0].sum() - part.blocks[:, 0].sum() == pytest.approx(gone, abs=12.0)


def test_blends_last_longer_the_more_of_a_window_a_state_needs(done: list[SessionResult]) -> None:
    stricter = False
    for series in every(done):
        named = {a.name: a.seconds.get("between", 0.0) for a in series.alternatives}
        if "share_lower" in named:
            assert named["share_lower"] <= named[""] <= named["share_higher"]
            stricter |= named["share_lower"] < named["share_higher"]
    assert stricter


def test_half_and_double_the_averaging_are_pairs_alone(done: list[SessionResult]) -> None:
    for series in every(done):
        named = {a.name: a for a in series.alternatives}
        assert named["averaging_halved"].averaging_s == pytest.approx(0.5 * series.averaging_s)
        assert named["averaging_doubled"].averaging_s == pytest.approx(2.0 * series.averaging_s)
        assert named["averaging_doubled"].seconds == {}
        assert named["averaging_doubled"].blocks[:, 0].sum() > 0


def test_mended_intervals_become_gaps_as_when_beats_are_taken_without_them() -> None:
    interval = np.array([1.0, 0.9, 1.1, 1.0, 0.8])
    no = np.zeros(5, dtype=np.bool_)
    beats = Beats(
        time_s=np.concatenate([[0.0], np.cumsum(interval)]),
        usable=~no,
        mended=np.array([False, True, False, False, True]),
        doubtful=no,
        n_found=6,
        n_missed=1,
        n_extra=0,
        n_ectopic=1,
        n_long=0,
        n_short=0,
        doubts=(),
    )
    found, right = without_mended(running_from_beats(beats)), running_from_beats(beats, mended=False)
    assert found.amount.tolist() == pytest.approx(right.amount.tolist())
    assert found.covered_s.tolist() == pytest.approx(right.covered_s.tolist())


def test_setting_turns_it_off_and_changes_nothing_else(
    study: Study, parameters: StudyParameters, done: list[SessionResult]
) -> None:
    settings = replace(study.config.settings, choices=False)
    plain = replace(study, config=replace(study.config, settings=settings))
    document = combine(finished(plain, parameters), parameters, plain, settings).document
    other = combine(done, parameters, study, study.config.settings).document
    assert (document["benefit"], document["choices"]) == ([], [])
    assert other["choices"]
    assert {row["analysis"] for row in other["choices"]} > {"as_analysed", "clock_early", "averaging_longer"}
    for table in ("agreement", "states", "affected", "tracking", "episodes", "flow"):
        assert document[table] == other[table] or str(document[table]) == str(other[table])


def of_device(folder: Path, more: str) -> list[SeriesResult]:
    """Two sessions of a device late by 3 s that averages 8 s, on the reference's clock."""
    made = recorded.study(folder, more=more)
    for number in range(2):
        worn = recorded.wear(number, length_s=900)
        recorded.write_session(made, f"s{number}", worn, start=recorded.START + timedelta(days=number))
    told = load_study(made)
    settings = told.config.settings
    materials = [read_session(told, session) for session in told.sessions]
    fits = [fit_session(material, told.config, settings) for material in materials]
    learned = learn(fits, told.config, settings)
    return every([finish_session(m, f, learned, told, settings) for m, f in zip(materials, fits, strict=True)])


def test_a_shared_clock_moves_by_the_interval_of_the_delay_alone(tmp_path: Path) -> None:
    for series in of_device(tmp_path / "study", 'clock = "shared"\naveraging_s = 8'):
        named = {a.name: a for a in series.alternatives}
        delay = series.split.delay
        assert delay.low_s < delay.delay_s < delay.high_s
        assert named["delay_longer"].shift_s - series.clock.shift_s == pytest.approx(delay.delay_s - delay.high_s)
        assert named["delay_shorter"].shift_s - series.clock.shift_s == pytest.approx(delay.delay_s - delay.low_s)
        assert not {"clock_early", "clock_late", "averaging_shorter", "averaging_longer"} & set(named)


def test_a_clock_and_delay_that_are_declared_move_with_the_averaging_alone(tmp_path: Path) -> None:
    for series in of_device(tmp_path / "study", 'clock = "shared"\ndelay_s = 3'):
        named = {a.name: a for a in series.alternatives}
        assert not {"clock_early", "clock_late", "delay_longer", "delay_shorter"} & set(named)
        # The window still ends 3 s before the stamp: its middle moves back by half of what it gets longer.
        longer = named["averaging_doubled"]
        assert longer.shift_s - series.clock.shift_s == pytest.approx(-0.5 * series.averaging_s)


def test_each_analysis_is_asked_once_for_each_claim(
    study: Study, parameters: StudyParameters, done: list[SessionResult]
) -> None:
    rows = combine(done, parameters, study, study.config.settings).document["choices"]
    keys = [(r["device"], r["quantity"], r["claim"], r["analysis"]) for r in rows]
    assert len(set(keys)) == len(keys)
    for _, group in itertools.groupby(rows, key=lambda r: (r["device"], r["claim"])):
        first, *rest = group
        assert (first["analysis"], first["holds"]) == ("as_analysed", True)
        assert all(r["reason"] for r in rest)
        assert all(r["value"] is None or math.isfinite(r["value"]) for r in rest)


def test_alternatives_are_kept_and_come_back_the_same(done: list[SessionResult]) -> None:
    kept = done[0].results[0].alternatives
    for was, now in zip(kept, unpack(pack(kept)), strict=True):
        assert (was.name, was.shift_s, was.seconds, was.readings) == (now.name, now.shift_s, now.seconds, now.readings)
        assert np.array_equal(was.blocks, now.blocks)
