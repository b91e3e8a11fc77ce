"""The grid's page: marks of what falls short, and the same figures in the documentation as in the JSON."""

from __future__ import annotations

import json

import pytest

from benchmarks.truth.grid import DOCS, HERE, by_chance, chosen, named
from benchmarks.truth.gridtable import covering, held, main_table, page, percent, with_table

TABLE = json.loads((HERE / "grid.json").read_text(encoding="utf-8"))


def test_what_falls_short_is_marked_and_what_holds_is_not() -> None:
    assert held(0.96, "0.960", least=0.97) == "**0.960** short"
    assert held(0.97, "0.970", least=0.97) == "0.970"
    assert held(0.003, "0.30 %", most=0.002) == "**0.30 %** short"
    assert held(None, "-", least=0.97) == "-"


def test_shares_in_words() -> None:
    assert (percent(0.9876), percent(0.0021, digits=2), percent(None)) == ("98.8 %", "0.21 %", "-")


def test_documentation_shows_the_figures_of_the_json() -> None:
    document = DOCS.read_text(encoding="utf-8")
    assert main_table(TABLE) in document
    assert with_table(document, TABLE) == document


def test_the_page_of_figures_is_that_of_the_json() -> None:
    assert (HERE / "grid.md").read_text(encoding="utf-8") == page(TABLE)


def test_the_committed_grid_says_how_much_of_the_grid_it_is() -> None:
    n, whole = TABLE["all"]["n_studies"], len(chosen([], 0))
    said = f"all {whole} studies" if n == whole else f"{n} of the {whole} studies"
    assert f" sessions in {said} of the grid.\n" in DOCS.read_text(encoding="utf-8")
    assert {n} == {sum(one["n_studies"] for one in TABLE["factors"]["interval"].values())}


def test_coverage_below_its_band_is_short_and_above_it_wide() -> None:
    assert covering(0.92, "92 %") == "**92 %** short"
    assert covering(0.95, "95 %") == "95 %"
    assert covering(0.98, "98 %") == "**98 %** wide"


def test_a_page_without_marks_is_refused() -> None:
    with pytest.raises(ValueError, match="expected a page with the marks <!-- grid --> and <!-- end of grid -->"):
        with_table("nothing", TABLE)


def test_parts_of_the_grid() -> None:
    assert [d.name for d in chosen(["design=second-base"], 0)] == ["second-base"]
    assert {named(d)["interval"] for d in chosen(["interval=60 s", "generator=demo"], 0)} == {"60 s"}
    five = chosen([], 5)
    assert five == sorted(chosen([], 0), key=by_chance)[:5]
    with pytest.raises(SystemExit, match="expected --only FACTOR=LEVEL that some designs have"):
        chosen(["interval=7 s"], 0)


def test_documentation_names_the_files() -> None:
    text = DOCS.read_text(encoding="utf-8")
    for name in ("benchmarks/truth/design.py", "benchmarks/truth/grid.md"):
        assert name in text
        assert (HERE.parents[1] / name).is_file()
