"""Habits of the house that would rot unless something looked: docstrings, printing, versions, documented defaults."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import wearbench
from wearbench.settings import settings_table

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "wearbench"
SOURCES = sorted(PACKAGE.rglob("*.py"))
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
MAY_PRINT = ("cli.py", "commands")


def public_functions(path: Path) -> list[ast.FunctionDef]:
    """Functions of a module that it exports by name."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    exported: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            exported = set(ast.literal_eval(node.value))
    return [node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name in exported]


CORE = [
    pytest.param(function, id=f"{path.relative_to(PACKAGE).as_posix()}:{function.name}")
    for path in SOURCES
    if path.relative_to(PACKAGE).parts[0] == "core"
    for function in public_functions(path)
]


@pytest.mark.parametrize("function", CORE)
def test_public_core_function_documents_what_it_takes_returns_and_raises(function: ast.FunctionDef) -> None:
    sections = set(re.findall(r"^(\w+)\n-{3,}$", ast.get_docstring(function) or "", re.MULTILINE))
    due = set()
    if function.args.args or function.args.kwonlyargs:
        due.add("Parameters")
    if not (isinstance(function.returns, ast.Constant) and function.returns.value is None):
        due.add("Returns")
    if any(isinstance(node, ast.Raise) for node in ast.walk(function)):
        due.add("Raises")
    assert due <= sections


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_libraries_print_nothing(path: Path) -> None:
    if path.relative_to(PACKAGE).parts[0] in MAY_PRINT:
        return
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    assert [node.lineno for node in calls if isinstance(node.func, ast.Name) and node.func.id == "print"] == []


def test_newest_entry_of_the_changelog_is_this_version() -> None:
    versions = re.findall(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert versions[0] == wearbench.__version__
    assert f'version = "{wearbench.__version__}"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_constraints_pin_and_hold_no_addresses() -> None:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if not re.fullmatch(r"[a-z0-9._-]+==[\w.]+( ; .+)?", line)] == []
    assert "://" not in "\n".join(lines)


def test_documented_settings_are_the_settings() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.+?) \| (.+) \|$", (ROOT / "docs/settings.md").read_text("utf-8"), re.MULTILINE)
    assert rows == [(name, str(default), meaning) for name, default, meaning in settings_table()]


def test_readme_opens_with_the_job_and_exactly_two_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    job, commands = re.match(r"# wearbench\n\n([^\n]+)\n\n```\n(.*?)```\n", text, re.DOTALL).groups()  # type: ignore[union-attr]
    assert len(job.split()) > 40
    assert commands.splitlines() == ["python3 start.py demo", "python3 start.py tests"]


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_between_pages_lead_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    targets = [target.split("#")[0] for target in re.findall(r"\]\(([^)\s]+)\)", text) if "://" not in target]
    assert [target for target in targets if target and not (page.parent / target).exists()] == []


def test_no_file_knows_the_machine_it_was_written_on() -> None:
    home = re.compile(r"""(?<![\w.~>])/(?:home|root|Users|work|mnt)/\w|[A-Z]:\\{1,2}Users\\""")
    kinds = {".py", ".md", ".toml", ".yml", ".txt", ".json", ".html", ".css", ".js", ""}
    folders = [ROOT / name for name in ("src", "tests", "docs", "benchmarks", ".ci")]
    files = [path for path in ROOT.iterdir() if path.is_file() and path.suffix in kinds and path.name != ".git"]
    files += [path for folder in folders for path in folder.rglob("*") if path.is_file() and path.suffix in kinds]
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in sorted(files)
        if "__pycache__" not in path.parts
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if home.search(line)
    ]
    assert found == []
