"""How the tests of the command line call it, and stand-ins for the analysis where it is not what is tested."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "study"))

from study_folders import invented_results

import wearbench.figures  # noqa: F401 - imported while the findings are the real ones
from wearbench.findings import leading
from wearbench.study import Results


@pytest.fixture
def analysis(monkeypatch: pytest.MonkeyPatch) -> types.SimpleNamespace:
    """Stands in for analysis, findings and report; ``results`` is what the analysis will say."""
    stand_in = types.SimpleNamespace(results=invented_results(), calls=[])

    def run_study(
        study: object, *, settings: object, progress: Callable[[str, int, int], None], workers: int, keep: object
    ) -> Results:
        stand_in.calls.append((study, settings))
        progress("judging", 1, 1)
        return stand_in.results

    def write_report(results: Results, path: Path, *, title: str) -> None:
        path.write_text(f"<title>{title}</title>", encoding="utf-8")

    for name, functions in (
        ("analysis", {"run_study": run_study}),
        ("report", {"write_report": write_report}),
        (
            "findings",
            {
                "find": lambda document, pairs: stand_in.results.document["findings"],
                "as_rows": lambda found: found,
                "leading": leading,
            },
        ),
    ):
        module = types.ModuleType(f"wearbench.{name}")
        vars(module).update(functions)
        monkeypatch.setitem(sys.modules, f"wearbench.{name}", module)
    return stand_in
