"""NIST Statistical Reference Datasets, one-way analysis of variance; certified values from the data files.

AtmWtAg and SmLs09 are read from the copies that ship with SciPy; SiRstv stands here in full.
"""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import numpy as np
import pytest

from wearbench.core.agreement import grouped_sums, merge_sums, one_way_components, summarise

SIRSTV = """196.3052 196.1240 196.1890 196.2569 196.3403
196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811
196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090"""


def certified_file(name: str) -> str:
    found = importlib.util.find_spec("scipy")
    path = Path(str(found.origin)).parent / "stats/tests/data/nist_anova" / name if found else Path(name)
    if not path.exists():
        pytest.skip(f"this SciPy comes without its test data, {name} is not there")
    return path.read_text(encoding="ascii")


def rows_of(text: str) -> list[tuple[int, str]]:
    """Treatment and response of each row, the response as it is written."""
    return [(int(number) - 1, value) for number, value in re.findall(r"^ +(\d+) +(\d+\.\d+) *$", text, re.MULTILINE)]


def digits(found: float, certified: float) -> float:
    """Correct digits: -log10 of the relative error."""
    error = abs(found - certified) / abs(certified)
    return 15.0 if error == 0 else -np.log10(error)


def test_sirstv_to_10_digits() -> None:
    value = np.array(SIRSTV.split(), dtype=float)
    parts = one_way_components(value, np.repeat(np.arange(5), 5))
    assert digits(parts.ss_between, 5.11462616000000e-02) > 10
    assert digits(parts.ms_between, 1.27865654000000e-02) > 10
    assert digits(parts.ss_within, 2.16636560000000e-01) > 10
    assert digits(parts.ms_within, 1.08318280000000e-02) > 10
    assert digits(parts.f, 1.18046237440255) > 10
    assert digits(np.sqrt(parts.ms_within), 1.04076068334656e-01) > 10


def test_atmwtag_to_10_digits() -> None:
    rows = rows_of(certified_file("AtmWtAg.dat"))
    assert len(rows) == 48
    group = np.array([number for number, _ in rows])
    # subtracted in decimal, as the values have 10 digits and float64 keeps 16: then every digit is there
    centred = np.array([round((float(v) - 107.0) * 1e7) for _, v in rows]) * 1e-7
    for value, wanted in ((centred, 12), (np.array([float(v) for _, v in rows]), 10)):
        parts = one_way_components(value, group)
        assert digits(parts.ss_between, 3.63834187500000e-09) > wanted
        assert digits(parts.ss_within, 1.04951729166667e-08) > wanted
        assert digits(parts.f, 1.59467335677930e01) > wanted


def test_smls09_from_raw_values_what_float64_allows() -> None:
    rows = rows_of(certified_file("SmLs09.dat"))
    assert len(rows) == 18_009
    group, value = np.array([number for number, _ in rows]), np.array([float(text) for _, text in rows])
    parts = one_way_components(value, group)
    # float64 has a spacing of 1.2e-4 at 1e12, against deviations of 0.1: what is stored, taken exactly
    exact = value - 1e12
    stored = one_way_components(exact, group)
    assert digits(parts.ss_between, stored.ss_between) > 12
    assert digits(parts.ss_within, stored.ss_within) > 12
    assert digits(parts.ss_between, 160.08) > 3.9
    assert digits(parts.ss_within, 180.0) > 3.9
    assert digits(parts.f, 2001.0) > 3.9


def test_smls09_centred_first_to_all_digits() -> None:
    rows = rows_of(certified_file("SmLs09.dat"))
    group = np.array([number for number, _ in rows])
    value = np.array([float(text.removeprefix("1000000000000")) for _, text in rows])
    parts = one_way_components(value, group)
    assert digits(parts.ss_between, 160.08) > 12
    assert digits(parts.ss_within, 180.0) > 12
    assert digits(parts.f, 2001.0) > 12


def test_the_same_through_sums_of_clusters() -> None:
    rows = rows_of(certified_file("SmLs09.dat"))
    group = np.array([number for number, _ in rows])
    value = np.array([float(text.removeprefix("1000000000000")) for _, text in rows])
    sums = grouped_sums(value, np.zeros_like(value), group=group)
    found = summarise(sums, session=np.arange(9), participant=np.arange(9))
    assert digits(found["sd_within"].value ** 2, 0.01) > 11
    assert digits(found["sd_between"].value ** 2, (20.01 - 0.01) / 2001) > 11
    assert digits(merge_sums(sums)[0, 6], 160.08 + 180.0) > 11
