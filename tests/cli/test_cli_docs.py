"""The pages about folder, commands and messages say all that there is to say, and nothing that is gone."""

from __future__ import annotations

import ast
import dataclasses
import re
from pathlib import Path

import commands_page
import pytest

import wearbench
from wearbench.core.pairing import REASONS
from wearbench.formats.recording import Layout, LayoutColumn
from wearbench.study import PAIRS, CriterionConfig, DeviceConfig, results_schema
from wearbench.study.decisions import Decision
from wearbench.study.device import STAMPS, STANDS_FOR
from wearbench.study.tables import MARK_KINDS, SESSION_KNOWN, VERSION_PARTS, WEAR_KINDS

PACKAGE = Path(wearbench.__file__).parent
DOCS = Path(__file__).resolve().parents[2] / "docs"
SLUG = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def test_commands_page_is_current():
    assert commands_page.PAGE.read_text(encoding="utf-8") == commands_page.page(), (
        "write it anew with: python tests/cli/commands_page.py"
    )


def constants(node: ast.expr) -> set[str]:
    """Strings a slug may be, looking through a conditional expression and a dictionary of slugs."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return {node.value}
    if isinstance(node, ast.IfExp):
        return constants(node.body) | constants(node.orelse)
    return set()


def slugs_of(tree: ast.Module) -> set[str]:
    """Slugs given by keyword, by position to a function whose first parameter is ``slug``, in a loop, as a default."""
    found: set[str] = set()
    takers = {
        node.name
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.args.args and node.args.args[0].arg == "slug"
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            for keyword in node.keywords:
                if keyword.arg == "slug":
                    assert not isinstance(keyword.value, ast.JoinedStr), "a slug put together cannot be looked up"
                    found |= constants(keyword.value)
            if isinstance(node.func, ast.Name) and node.func.id in takers and node.args:
                found |= constants(node.args[0])
        elif isinstance(node, ast.For) and isinstance(node.target, ast.Tuple) and isinstance(node.iter, ast.Tuple):
            names = [name.id if isinstance(name, ast.Name) else "" for name in node.target.elts]
            if "slug" in names:
                rows = [row for row in node.iter.elts if isinstance(row, ast.Tuple)]
                found |= {slug for row in rows for slug in constants(row.elts[names.index("slug")])}
        elif isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if any(isinstance(target, ast.Name) and target.id == "default_slug" for target in targets):
                found |= constants(node.value)
    return found


SLUGS = {
    slug for path in sorted(PACKAGE.rglob("*.py")) for slug in slugs_of(ast.parse(path.read_text(encoding="utf-8")))
}


def test_every_kind_of_message_has_one_entry_and_no_entry_is_left_over():
    text = (DOCS / "messages.md").read_text(encoding="utf-8")
    entries = re.findall(r"^### (\S+)\n(.+)$", text, re.MULTILINE)
    names = [name for name, _ in entries]
    assert " ".join(sorted(SLUGS - set(names))) == "", "add these to docs/messages.md"
    assert " ".join(sorted(set(names) - SLUGS)) == "", "no source gives these any more"
    assert len(names) == len(set(names)) == len(re.findall(r"^### ", text, re.MULTILINE))
    assert all(SLUG.fullmatch(slug) for slug in SLUGS)


def section(title: str) -> str:
    text = (DOCS / "folder.md").read_text(encoding="utf-8")
    return re.split(rf"^#+ {re.escape(title)}$", text, flags=re.MULTILINE)[1].split("\n#")[0]


def fields(kind: type, *left_out: str) -> list[str]:
    """Names of the fields of a dataclass or a msgspec struct."""
    names = [f.name for f in dataclasses.fields(kind)] if dataclasses.is_dataclass(kind) else kind.__annotations__
    return [name for name in names if name not in left_out]


@pytest.mark.parametrize(
    ("title", "names"),
    [
        ("[devices.NAME]", [*fields(DeviceConfig, "name", "zone", "roles"), "roles.<quantity>"]),
        ("[layouts.NAME]", [*fields(Layout, "columns"), *fields(LayoutColumn)]),
        ("[criteria.NAME]", fields(CriterionConfig, "name")),
        ("[quantities.NAME]", ["unit", "kind", "range", "log"]),
        ("sessions.csv", ["session", *SESSION_KNOWN]),
        ("marks.csv", list(MARK_KINDS)),
        ("wear.csv", list(WEAR_KINDS)),
        ("versions.csv", list(VERSION_PARTS)),
        ("decisions.jsonl", fields(Decision)),
        ("pairs.parquet", [*PAIRS, *REASONS[1:]]),
        ("results.json", list(results_schema()["properties"])),
    ],
)
def test_every_key_and_column_is_in_the_folder_page(title: str, names: list[str]):
    text = section(title)
    assert [name for name in names if f"`{name}`" not in text] == []


def test_every_choice_is_in_the_folder_page():
    text = section("[devices.NAME]")
    assert [choice for choice in (*STAMPS[1:], *STANDS_FOR) if f'`"{choice}"`' not in text] == []
