"""Published examples as study folders, through the command as a person would type it.

Cardiac output: Bland & Altman 2007, J Biopharm Stat 17:571-582; printed results and data from memory. Peak flow:
Bland & Altman 1986, Lancet 327(8476):307-310; data from memory; concordance after Lin 1989, Biometrics 45:255-268,
recomputed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wearbench.study import Results, read_results

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reference"))

from data_cardiac import cardiac
from data_peak_flow import peak_flow

STUDY = """\
schema = 1
title = "{title}"
timezone = "UTC"

[quantities.{quantity}]
unit = "{unit}"
range = {range}

[devices.reference_meter]
role = "reference"
stands_for = "spot"

[devices.tested_meter]
role = "tested"
stands_for = "spot"
clock = "shared"
delay_s = 0
"""


def write(
    folder: Path,
    tested: np.ndarray,
    reference: np.ndarray,
    subject: np.ndarray,
    *,
    title: str,
    quantity: str,
    unit: str,
    within: str,
) -> Path:
    """One session a subject, one pair a minute, both devices read at the same moment."""
    folder.mkdir()
    text = STUDY.format(title=title, quantity=quantity, unit=unit, range=within)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    rows = ["session,participant"]
    for number in np.unique(subject):
        name = f"s{number + 1:02d}"
        rows.append(f"{name},p{number + 1:02d}")
        raw = folder / "raw" / name
        raw.mkdir(parents=True)
        for device, values in (("tested_meter", tested), ("reference_meter", reference)):
            lines = [f"time,{quantity}"]
            lines += [
                f"2031-01-{number + 1:02d}T09:{minute:02d}:00,{value}"
                for minute, value in enumerate(values[subject == number].tolist())
            ]
            (raw / f"{device}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "sessions.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def statistics(results: Results) -> dict[str, Any]:
    (row,) = [
        row
        for row in results.document["agreement"]
        if (row["by"], row["readings"], row["clock"]) == ("all", "all", "fitted")
    ]
    return row["statistics"] | row


def test_cardiac_output_2007(tmp_path: Path, wearbench: Callable[..., Any]):
    """Differences are RV - IC, so the radionuclide values stand where a tested device stands."""
    rv, ic, subject = cardiac()
    folder = write(
        tmp_path / "cardiac",
        rv,
        ic,
        subject,
        title="Cardiac output, 2007",
        quantity="cardiac_output",
        unit="l/min",
        within="[0, 30]",
    )
    done = wearbench("run", folder, "--quiet")
    assert done.code == 0, done.err
    results = read_results(folder)
    pairs = results.pairs
    assert pairs["used"].all() and pairs.height == 60
    assert np.array_equal(pairs["tested"].to_numpy(), rv)
    # A spot meets its spot, not a mean over time; to ten digits, as a difference of running sums.
    assert pairs["reference"].to_numpy() == pytest.approx(ic, rel=1e-9)
    found = statistics(results)
    assert (found["n_pairs"], found["n_sessions"], found["n_participants"]) == (60, 12, 12)
    # Printed, to the paper's rounding.
    assert round(found["bias"]["value"], 2) == 0.60
    assert round(found["sd_of_differences"]["value"], 2) == 0.99
    assert round(found["limit_low"]["value"], 2) == -1.34
    assert round(found["limit_high"]["value"], 2) == 2.54
    # Recomputed from the data, centre: mean of all differences.
    assert found["bias"]["value"] == pytest.approx(0.602167, abs=5e-7)
    assert found["sd_of_differences"]["value"] == pytest.approx(0.990624, abs=5e-7)
    assert found["limit_low"]["value"] == pytest.approx(-1.3395, abs=5e-5)
    assert found["limit_high"]["value"] == pytest.approx(2.5438, abs=5e-5)
    assert "report.html" in {path.name for path in (folder / "results").iterdir()}


def test_peak_flow_1986(tmp_path: Path, wearbench: Callable[..., Any]):
    """First readings of the large meter (tested) and the small one: one pair a person."""
    rows = peak_flow()
    folder = write(
        tmp_path / "peak",
        rows[:, 0],
        rows[:, 2],
        np.arange(17),
        title="Peak flow, 1986",
        quantity="peak_flow",
        unit="l/min",
        within="[0, 1000]",
    )
    done = wearbench("run", folder, "--quiet")
    assert done.code == 0, done.err
    results = read_results(folder)
    assert results.pairs["used"].all() and results.pairs.height == 17
    found = statistics(results)
    assert found["ccc"]["value"] == pytest.approx(0.942742, abs=5e-7)
    assert found["bias"]["value"] == pytest.approx(-2.117647, abs=5e-7)
    assert found["sd_of_differences"]["value"] == pytest.approx(38.765130, abs=5e-7)
    assert found["limit_low"]["value"] == pytest.approx(-78.0973, abs=5e-5)
    assert found["limit_high"]["value"] == pytest.approx(73.8620, abs=5e-5)
    assert found["bias"]["low"] == pytest.approx(-22.0488, abs=5e-5)
    assert found["bias"]["high"] == pytest.approx(17.8135, abs=5e-5)
    assert (found["n_participants"], results.pairs.height) == (17, 17)
