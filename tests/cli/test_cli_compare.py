"""``wearbench compare``: what it prints, as JSON, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from study_folders import make_study

from invented_results import invented
from wearbench.study import Results, write_results


def _study(folder: Path, seed: int) -> Path:
    make_study(folder)
    made = invented(seed=seed)
    document = json.loads(json.dumps(made.document))
    write_results(folder, Results(document=document, pairs=made.pairs, traces=made.traces))
    return folder


def test_two_studies_by_hand_of_the_command(wearbench, tmp_path: Path):
    first, second = _study(tmp_path / "a", 4), _study(tmp_path / "b", 5)
    done = wearbench("compare", first, second, "--device", "band-a", "--other", "band-a")
    assert done.code == 0
    assert done.out.splitlines()[2].startswith("Compared over what both did, each weighed by the time in both: ")
    assert done.out.splitlines()[-1].startswith("Two studies differ in people, places, weather, wear and reference")
    told = json.loads(wearbench("compare", first, second, "--device", "band-a", "--other", "band-b", "--json").out)
    assert (told["first"]["device"], told["second"]["device"]) == ("band-a", "band-b")
    assert [r["measure"] for r in told["rows"]][:3] == ["tracking_share", "mae", "bias"]
    assert sum(c["weight"] for c in told["cells"]) == pytest.approx(1.0)


def test_results_must_be_there(wearbench, tmp_path: Path):
    first, bare = _study(tmp_path / "a", 4), make_study(tmp_path / "c")
    done = wearbench("compare", first, bare)
    assert done.code == 1
    assert done.err == (
        f"wearbench: {bare / 'results'}: expected results of a run, found none. Make them with: wearbench run STUDY "
        "[results-missing]\n"
    )
    unclear = wearbench("compare", first, first)
    assert unclear.code == 1
    assert unclear.err.endswith("(band-a and band-b), got no device named [compare-device]\n")
