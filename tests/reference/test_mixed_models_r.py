"""Second and third implementation: lme4 and nlme of R, on cardiac output and on an invented unbalanced set.

``mixed_models.R`` made ``mixed_models.json``, with its versions; it runs again wherever R has both packages.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from data_cardiac import cardiac
from data_mixed import invented

from wearbench.core.agreement.mixed import ActivityEffect, MixedFit, fit_mixed
from wearbench.core.agreement.mixedcells import cells_of_pairs

HERE = Path(__file__).parent
RECORDED = json.loads((HERE / "mixed_models.json").read_text(encoding="utf-8"))
DATA = invented()
EFFECT: dict[str, ActivityEffect] = {"nested": "none", "crossed": "random", "fixed": "fixed", "gone": "none"}
CASES = [(package, name) for package in ("lme4", "nlme") for name in RECORDED[package]]


def ours(name: str) -> MixedFit:
    if name == "cardiac":
        rv, ic, subject = cardiac()
        return fit_mixed(cells_of_pairs(rv, ic, participant=subject))
    difference = DATA.difference
    if name == "gone":
        own = np.bincount(DATA.participant, weights=difference) / np.bincount(DATA.participant)
        difference = difference - own[DATA.participant]
    cells = cells_of_pairs(
        difference, 0 * difference, participant=DATA.participant, session=DATA.session, activity=DATA.activity
    )
    return fit_mixed(cells, activity=EFFECT[name])


def alike(first: dict[str, Any], second: dict[str, Any], *, rel: float) -> None:
    assert first["means"] == pytest.approx(second["means"], rel=rel, abs=1e-12)
    assert first["standard_errors"] == pytest.approx(second["standard_errors"], rel=rel)
    assert first["variances"] == pytest.approx(second["variances"], rel=rel, abs=1e-12)
    assert first["log_likelihood"] == pytest.approx(second["log_likelihood"], abs=1e-6)


@pytest.mark.parametrize(("package", "name"), CASES)
def test_the_same_estimates_and_likelihood(package: str, name: str) -> None:
    fit = ours(name)
    fixed = name == "fixed"
    found = {
        "means": list(fit.activity_means) if fixed else [fit.mean],
        "standard_errors": list(fit.activity_ses) if fixed else [fit.mean_se],
        "variances": {part.name: part.variance for part in fit.components},
        "log_likelihood": fit.log_likelihood,
    }
    assert fit.converged
    # how far either package goes towards the top: the last digit compared is the fifth for lme4, the fourth for nlme
    alike(found, RECORDED[package][name], rel=5e-5 if package == "lme4" else 1e-4)


def test_no_variance_between_participants_is_said_to_be_0() -> None:
    parts = {part.name: part.at_zero for part in ours("gone").components}
    assert parts == {"participant": True, "session": True, "error": False}


def test_the_tables_that_r_reads_are_the_data() -> None:
    rv, ic, subject = cardiac()
    rows = np.genfromtxt(HERE / "data_cardiac.csv", delimiter=",", skip_header=1)
    assert np.array_equal(rows, np.column_stack([subject, rv, ic]))
    rows = np.genfromtxt(HERE / "data_mixed.csv", delimiter=",", skip_header=1)
    assert np.array_equal(rows, np.column_stack([DATA.participant, DATA.session, DATA.activity, DATA.difference]))


def test_r_still_says_what_was_recorded() -> None:
    program = shutil.which("Rscript")
    if program is None:
        pytest.skip("R is not on this machine; the recorded values stand")
    asked = [program, "-e", "stopifnot(requireNamespace('lme4'), requireNamespace('nlme'))"]
    if subprocess.run(asked, capture_output=True, check=False, timeout=120).returncode != 0:
        pytest.skip("R is here without lme4 or nlme; the recorded values stand")
    done = subprocess.run(
        [program, str(HERE / "mixed_models.R")], capture_output=True, text=True, check=True, timeout=300
    )
    again = json.loads(done.stdout)
    assert {package: list(again[package]) for package in ("lme4", "nlme")} == {
        package: list(RECORDED[package]) for package in ("lme4", "nlme")
    }
    for package, name in CASES:
        alike(again[package][name], RECORDED[package][name], rel=1e-4)
