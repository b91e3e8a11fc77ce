"""The grid's designs: written down, complete, the same each time, and possible."""

from __future__ import annotations

import pytest

from benchmarks.truth.design import BASE, CROSSED, FACTORS, GENERATORS, crossing, designs, number, settled


def test_every_level_of_every_factor_is_varied_alone_with_both_generators() -> None:
    alone = {(d.generator, d.name.partition("-")[2]) for d in designs() if d.kind == "single"}
    assert len(alone) == 2 * sum(len(levels) - 1 for levels in FACTORS.values())
    for design in designs():
        if design.kind == "single":
            changed = {f for f, level in design.levels.items() if level != BASE[f]}
            # what must follow from it: a length, an average, no lock without a stride, shares that add up
            assert len(changed - {"length", "averaging", "locked", "frozen", "dropout"}) <= 1


def test_hundreds_of_sessions_with_names_of_their_own() -> None:
    found = designs()
    assert len({d.name for d in found}) == len(found)
    assert len({d.seed for d in found}) == len(found)
    assert sum(d.n_sessions for d in found) >= 400
    assert {d.generator for d in found} == set(GENERATORS)
    assert all(c.isalnum() or c in "-_" for d in found for c in d.name)


def test_the_random_crossing_is_fixed_and_meets_most_levels_of_every_factor() -> None:
    assert crossing(1) == crossing(1) != crossing(2)
    crossed = [settled(BASE | crossing(i)) for i in range(1, CROSSED + 1)]
    for factor, levels in FACTORS.items():
        met = {one[factor] for one in crossed}
        assert len(met) >= 0.7 * len(levels), factor


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ({"interval": "600 s"}, {"length": "12 h"}),
        ({"averaging": "60 s", "length": "5 min"}, {"length": "2 h"}),
        ({"cadence": "not recorded"}, {"locked": "0 %"}),
        ({"halved": "90 %"}, {"locked": "0 %", "frozen": "0 %"}),
        ({"halved": "90 %", "dropout": "10 % sentinel"}, {"locked": "0 %", "frozen": "0 %", "dropout": "0 %"}),
    ],
)
def test_what_cannot_be_together_is_changed(levels: dict[str, str], expected: dict[str, str]) -> None:
    assert settled(BASE | levels) == BASE | levels | expected


def test_levels_as_numbers() -> None:
    assert [number(level) for level in ("600 s", "80 ppm", "irregular", "3 % no row", "2/3")] == [600, 80, 0, 3, 0]


def test_clean_designs_never_fail() -> None:
    assert all(d.is_clean for d in designs() if d.kind == "clean")
    assert not any(d.is_clean for d in designs() if d.kind == "base")
