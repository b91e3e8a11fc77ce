"""The page ``docs/commands.md`` from the commands' own help: ``python tests/cli/commands_page.py`` writes it anew."""

from __future__ import annotations

import inspect
from pathlib import Path

import click

from wearbench.cli import cli

PAGE = Path(__file__).resolve().parents[2] / "docs" / "commands.md"
HEAD = """\
# Commands

What `wearbench COMMAND --help` prints, command by command. Everything a command prints it also gives with `--json`.

| exit code | meaning |
|---|---|
| 0 | done |
| 1 | could not run, or wrong usage |
| 2 | a criterion stated in `study.toml` was not met |

A message goes to standard error and ends with its kind in brackets; what each kind means stands under
[Messages](messages.md).
"""


def page() -> str:
    """The whole page."""
    context = click.Context(cli, info_name="wearbench", **{**cli.context_settings, "terminal_width": 100})
    parts = [HEAD, _block("wearbench", cli.get_help(context))]
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None
        inner = click.Context(command, info_name=name, parent=context)
        parts.append(_block(f"wearbench {name}", command.get_help(inner)))
    return "\n".join(parts)


def _block(title: str, text: str) -> str:
    lines = "\n".join(line.rstrip() for line in inspect.cleandoc(text).splitlines())
    return f"## {title}\n\n```text\n{lines}\n```\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
