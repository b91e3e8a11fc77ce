"""The page on method quotes constants; they are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

from wearbench.core import clockcurves, clocksearch, emissions, statemodel, states
from wearbench.core.pairing import REASONS
from wearbench.quantities import QUANTITIES
from wearbench.settings import Settings

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "method.md").read_text(encoding="utf-8")


def rows(heading: str) -> list[list[str]]:
    """Cells of the table whose heading row starts so."""
    table = PAGE[PAGE.index(heading) :].split("\n\n")[0].splitlines()[2:]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in table]


def test_every_state_has_its_model_and_its_rule():
    model = [re.findall(r"`(\w+)`", row[0])[0] for row in rows("| state | a reading is likely")]
    assert list(statemodel.STATES) == model
    ruled = [name for row in rows("| state | rule |") for name in re.findall(r"`(\w+)`", row[0])]
    assert sorted(ruled) == sorted(statemodel.STATES)


def test_staying_and_entering_are_those_of_the_code():
    for name, _, stays, entered in rows("| state | a reading is likely"):
        code = statemodel.STATES.index(name.strip("`"))
        if code in statemodel.HOLD_S:
            assert float(stays) == statemodel.HOLD_S[code]
        assert float(re.match(r"[\d.]+", entered).group()) == statemodel.ENTER[code]


def test_every_reason_is_explained_in_order():
    told = [name for row in rows("| reason | a pair") for name in re.findall(r"`(\w+)`", row[0])]
    assert told == [r for r in REASONS if r not in ("", "rule")]


def test_figures_in_the_text_are_those_of_the_code():
    chosen, rate = Settings(), QUANTITIES["heart_rate"]
    assert f"less than {chosen.min_covered:.0%}".replace("%", " %") in PAGE
    assert f"fewer than {chosen.min_beats:g} beats" in PAGE
    assert f"in more than {chosen.max_doubtful:.0%}".replace("%", " %") in PAGE
    assert f"below {rate.low:g} or above {rate.high:g}" in PAGE
    assert f"up to {chosen.late_s:g} s late" in PAGE
    assert f"{chosen.frozen_min_s:g} s or more, of one value" in PAGE
    assert f"moved by more than {chosen.frozen_move_bpm:g} beats a minute" in PAGE
    assert f"at most {chosen.reading_counts_for:g} usual intervals" in PAGE
    assert f"up to {chosen.max_drift_ppm:g} parts per million" in PAGE
    assert f"prior of {chosen.prior_drift_ppm:g} parts per million" in PAGE
    assert "m = ln 1/2 (c = {1}) and m = ln 2 (c = {2})".format(*clocksearch._MODE_COST) in PAGE
    assert clockcurves._MODES == clocksearch._MODES
    prior = statemodel.StateParameters()
    assert f"prior {prior.spread:.1%}".replace("%", " %") in PAGE
    assert f"and {prior.noise_bpm} beats a minute" in PAGE
    assert f"(prior {prior.memory_s:g} s, worth" in PAGE
    assert f"entered with {emissions.LATE_ENTER} and left after {emissions.LATE_HOLD_S:g} s" in PAGE
    assert f"beyond {emissions.REACH} spreads ({emissions.REACH_FAITHFUL:g} for faithful)" in PAGE
    assert f"{emissions.LOOSE:.0%} of errors ({emissions.LOOSE_FAITHFUL:.0%} of".replace("%", " %") in PAGE
    assert "shared {:.0f}:{:.0f}:{:.0f}".format(*(100 * share for share in emissions.LOCK_SHARE)) in PAGE
    assert f"({emissions.WANDER:.0%} in a second".replace("%", " %") in PAGE
    assert f"the posterior to the power {states.SOBER}" in PAGE
    assert f"up to {states.HELD_S:g} s of what was first taken for a freeze" in PAGE
    assert f"more than {statemodel.MOVED_BPM} beats a minute between readings" in PAGE


def test_ratios_in_the_text_are_those_of_the_code():
    assert statemodel.OFF_RATIOS == (2 / 3, 3 / 2, 1 / 3, 3)
    assert statemodel.STEP_MULTIPLES == (1, 2, 1 / 2)
    assert statemodel.STROKE_MULTIPLES == (2, 3, 4)
    assert "near 2/3, 3/2, 1/3 or 3 times" in PAGE
    assert "near 1, 2 or 1/2 times the cadence; below 50 a minute (strokes) near 2, 3 or 4 times" in PAGE
