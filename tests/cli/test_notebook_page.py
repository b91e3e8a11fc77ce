"""The page of notebooks: its Python runs as it stands, and its lines of R read the tables where R is there."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from invented_results import invented
from wearbench.recipe.assumptionrows import assumption_tables
from wearbench.settings import Settings
from wearbench.study import Results, write_results
from wearbench.study.results import plain

PAGE = Path(__file__).resolve().parents[2] / "docs" / "notebook.md"
BLOCKS = re.findall(r"```(python|r)\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A folder with invented results in my-study."""
    results = invented(sessions=6, participants=3, minutes=2.0)
    led, assumptions, reviewers = assumption_tables(results.document["agreement"], results.pairs, Settings())
    told = {**results.document, "agreement": led, "assumptions": assumptions, "reviewers": reviewers}
    document = json.loads(json.dumps(plain(told)))
    (tmp_path / "my-study").mkdir()
    write_results(tmp_path / "my-study", Results(document=document, pairs=results.pairs, traces=results.traces))
    return tmp_path


def test_python_of_the_page_runs(
    study: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(study)
    scope: dict[str, object] = {}
    for language, code in BLOCKS:
        if language == "python":
            exec(compile(code, str(PAGE), "exec"), scope)
    said = capsys.readouterr().out
    assert "repeated There are repeated pairs in each of the participants" in said
    assert "mixed limit_high None" in said


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed")
def test_r_of_the_page_reads_the_table(study: Path) -> None:
    code = next(code for language, code in BLOCKS if language == "r")
    assert len(code.strip().splitlines()) == 3
    done = subprocess.run(
        ["Rscript", "--vanilla", "-e", code], cwd=study, capture_output=True, text=True, check=True, timeout=120
    )
    assert re.search(r"band-a\s+sloping", done.stdout)
    assert "limit_high" in done.stdout
