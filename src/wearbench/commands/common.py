"""What several commands share: options, and output as lines or as JSON."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

import click

from wearbench.errors import UsageError

__all__ = ["emit", "json_option", "quiet_option", "refuse_out", "refuse_session_name", "study_argument", "typed"]

F = TypeVar("F", bound=Callable[..., Any])


def json_option(function: F) -> F:
    """``--json``: the same as what is printed, for programs."""
    return click.option("--json", "as_json", is_flag=True, help="Print the same as JSON.")(function)


def quiet_option(function: F) -> F:
    """``--quiet``: no progress."""
    return click.option("--quiet", is_flag=True, help="Show no progress.")(function)


def study_argument(function: F) -> F:
    """``STUDY``: a study's folder."""
    return click.argument("study", type=click.Path(path_type=Path, file_okay=False))(function)


def typed(path: Path) -> str:
    """A path as it is typed in a command, in quotes where it needs them."""
    return f'"{path}"' if " " in str(path) else str(path)


def refuse_session_name(session: str) -> None:
    """Refuse a name that cannot be a folder's on every system."""
    if not session.strip() or session.startswith(".") or any(sign in session for sign in '/\\:*?"<>|'):
        from wearbench.study.problem import shown

        raise UsageError(f"expected a session name that can name a folder, got {shown(session)}", slug="session-name")


def refuse_out(out: Path, study: Path | None, *, endings: tuple[str, ...]) -> None:
    """Refuse a place for a page whose name ends otherwise, or that lies among recordings."""
    if out.suffix.lower() not in endings:
        said = f"--out: expected a name that ends in {endings[0]} or {endings[1]}"
        raise UsageError(said, slug="out-name", file=str(out))
    if study is not None and out.resolve().is_relative_to((study / "raw").resolve()):
        said = "--out: expected a place outside raw/, which holds recordings only"
        raise UsageError(said, slug="out-name", file=str(out))


def emit(lines: Iterable[str], document: Any, *, as_json: bool, wrap: bool = False) -> None:
    """Print lines for a person (prose may be wrapped on a terminal), or the document for a program."""
    if as_json:
        from wearbench.study.results import plain

        click.echo(json.dumps(plain(document), ensure_ascii=False, indent=1))
    else:
        wide = shutil.get_terminal_size().columns if wrap and sys.stdout.isatty() else 0
        for line in lines:
            click.echo(_wrapped(line, wide) if wide else line)


def _wrapped(line: str, wide: int) -> str:
    """A line of prose at the terminal's width, later lines indented under the first."""
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(line, wide, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
