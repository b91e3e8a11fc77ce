"""The house is layered: data walks one way, nothing imports anything below it, and there is no cycle."""

from __future__ import annotations

import ast
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "wearbench"
ORDER = (
    *("errors", "core", "quantities", "settings", "wording", "formats", "study", "simulator"),
    "heap",
    *("recipe", "analysis", "findings", "look", "figures", "report", "recorder", "planner", "workbench"),
    *("commands", "cli"),
)
CORE_MAY_IMPORT = {"numpy", "scipy", "sleepecg", "wearbench.core", "wearbench.errors"} | set(sys.stdlib_module_names)


def name_of(path: Path) -> str:
    parts = ("wearbench", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def imported(path: Path) -> set[str]:
    """Full names of everything a file imports, wherever in the file it does so."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)} imports relatively"
            whole = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {name if name in MODULES else str(node.module) for name in whole}
    return found


def room(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


GRAPH = {module: imported(path) for module, path in MODULES.items()}


def test_every_module_has_its_place_in_the_order() -> None:
    assert {room(module) for module in MODULES} - {""} <= set(ORDER) | {"__main__"}


@pytest.mark.parametrize("module", sorted(set(MODULES) - {"wearbench", "wearbench.__main__"}))
def test_module_imports_nothing_below_it(module: str) -> None:
    place = ORDER.index(room(module))
    below = {name for name in GRAPH[module] & set(MODULES) if name != "wearbench" and ORDER.index(room(name)) > place}
    assert below == set()


def test_no_cycle() -> None:
    inside = {module: {name for name in names & set(MODULES) if name != module} for module, names in GRAPH.items()}
    list(TopologicalSorter(inside).static_order())  # raises CycleError, which names the modules


@pytest.mark.parametrize("module", [m for m in sorted(MODULES) if room(m) == "core"])
def test_core_imports_numbers_and_errors_only(module: str) -> None:
    def allowed(name: str) -> bool:
        return any(name == may or name.startswith(may + ".") for may in CORE_MAY_IMPORT)

    assert {name for name in GRAPH[module] if not allowed(name)} == set()
