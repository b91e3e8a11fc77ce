"""False alarms and power of before and after: the committed table is what the bench gives, and the docs show it."""

from __future__ import annotations

import re

import numpy as np
import pytest

from benchmarks.beforeafter import BEGIN, DOCS, END, LEAST, MOST, NULL, PAGE, answered, columns, invented, misses, rate


def test_the_page_of_the_documentation_shows_the_committed_table() -> None:
    page = PAGE.read_text(encoding="utf-8").partition("\n\n")[2]
    docs = DOCS.read_text(encoding="utf-8")
    assert docs.partition(BEGIN)[2].partition(END)[0].strip() == page.strip()


def test_the_committed_table_meets_what_is_asked() -> None:
    rows = re.findall(r"^\| (.+?) \| (\S+) \| (.+?) \| \S+ \| ([\d.]+) % \|", PAGE.read_text("utf-8"), re.MULTILINE)
    independent = [(d, m, float(p) / 100) for d, alike, m, p in rows if alike == "0"]
    assert len(independent) == 12
    assert max(p for _, _, p in independent) <= MOST
    assert next(p for d, m, p in independent if (d, m) == ("6 + 6", "error")) >= LEAST


def test_the_bench_gives_the_committed_table() -> None:
    """A tenth of it: the first 200 studies of six and six sessions; three standard errors."""
    made = [invented(NULL[0], seed) for seed in range(1, 201)]
    answers = [answered(study, "error", seed) for seed, study in enumerate(made, 1)]
    assert rate(answers, lambda a: a.p < 0.05) == pytest.approx(0.044, abs=0.045)
    assert rate(answers, lambda a: a.covers) == pytest.approx(0.962, abs=0.045)


def test_invented_studies_are_as_they_say() -> None:
    """Over many studies 30 % of sessions are affected, most of them hold nothing wrong, and labels mean nothing."""
    made = [invented(NULL[2], seed) for seed in range(1, 401)]
    affected = np.concatenate([s.affected for s in made])
    after = np.concatenate([s.after for s in made])
    assert affected.mean() == pytest.approx(0.3, abs=0.02)
    assert affected[after].mean() == pytest.approx(affected[~after].mean(), abs=0.03)
    wrong = np.concatenate([s.wrong_s for s in made])
    assert ((wrong > 0) == (affected > 0)).all()
    top, bottom = columns(made[0], "sessions affected")
    assert set(top) <= {0.0, 1.0}
    assert (bottom == 1).all()
    alike = np.array([invented(NULL[5], seed).error for seed in range(1, 301)])
    independent = np.array([invented(NULL[0], seed).error for seed in range(1, 301)])
    lag = [float(np.corrcoef(np.log(e)[:, 4], np.log(e)[:, 5])[0, 1]) for e in (independent, alike)]
    assert lag[1] > lag[0]


def test_misses_are_named() -> None:
    bad = [(NULL[0], ("error", 0.02, 0.0, 0.9)), (NULL[1], ("error", 0.08, 0.0, 0.9))]
    assert misses(bad) == [
        "6 + 6, error: p below 0.05 in 2.0 % of studies, less than 3.5 %",
        "4 + 8, error: p below 0.05 in 8.0 % of studies, more than 6 %",
    ]
