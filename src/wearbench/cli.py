"""The command line: the only place that turns errors into text and exit codes.

Exit codes: 0 done; 1 could not run, or wrong usage; 2 a criterion stated in study.toml was not met.
"""

from __future__ import annotations

import importlib
import json
import sys
import traceback
from collections.abc import Sequence
from typing import Final, NoReturn

import click

from wearbench import __version__
from wearbench.errors import WearbenchError

__all__ = ["cli", "main"]

COMMANDS: Final = (
    *("look", "new", "sort", "card", "add", "bouts", "check", "declare"),
    *("run", "changes", "compare", "keep", "demo", "show", "settings", "cache", "completion"),
)


class Commands(click.Group):
    """The commands, each imported when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order in which a person meets them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        command = getattr(importlib.import_module(f"wearbench.commands.{cmd_name}"), cmd_name)
        return command if isinstance(command, click.Command) else None


def _carried_out(given: list[str], *, debug: bool) -> int:
    try:
        code = cli.main(given, prog_name="wearbench", standalone_mode=False)
    except click.Abort:
        return _failed(
            "interrupted; nothing was replaced, the last results are as they were", given, slug="interrupted"
        )
    except click.UsageError as error:
        context = "" if error.ctx is None else f"\n{error.ctx.get_usage()}\nMore: {error.ctx.command_path} --help"
        return _failed(error.format_message() + context, given, slug="usage", trace=debug)
    except click.ClickException as error:
        return _failed(error.format_message(), given, slug="usage", trace=debug)
    except WearbenchError as error:
        return _failed(str(error), given, slug=error.slug, error=error, trace=debug)
    except Exception as error:  # noqa: BLE001 - the last place where anything can become a message
        kind = type(error).__name__
        said = (
            f"a fault of wearbench, not of your data: {kind}: {str(error).rstrip('.')}. "
            "Run it again with --debug for the trace, and report it"
        )
        return _failed(said, given, slug="fault", trace=debug)
    return code if isinstance(code, int) else 0


def _failed(said: str, given: list[str], *, slug: str, error: WearbenchError | None = None, trace: bool = False) -> int:
    """Print the message (as JSON too if that was asked for) and return the exit code."""
    if trace:
        traceback.print_exc()
    click.echo(f"wearbench: {said} [{slug}]", err=True)
    if "--json" in given:
        told = {"slug": slug, "message": said if error is None else error.message}
        if error is not None:
            told |= {"file": error.file, "line": error.line, "value": error.value}  # type: ignore[dict-item]
        click.echo(json.dumps({"error": told}, ensure_ascii=False, indent=1))
    return 1


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, "--version", prog_name="wearbench", message="%(prog)s %(version)s")
@click.option("--debug", is_flag=True, help="Show the trace of an error; may stand anywhere.")
def cli(*, debug: bool) -> None:
    """How far is a body-worn sensor off, when does it fail, and how.

    Point it at recordings of a device under test and of a reference worn at the same time.

    \b
    Two files, no settings:    wearbench look band.csv strap.csv
    An invented study to see:  wearbench demo
    A study of your own:       wearbench new my-study

    Everything stays on this machine. For research and consumer testing, not for diagnosis or treatment.

    \b
    Exit codes: 0 done; 1 could not run, or wrong usage;
    2 a criterion stated in study.toml was not met.
    """  # noqa: D301 - \b is click's mark for lines kept as they are


def main(args: Sequence[str] | None = None) -> NoReturn:
    """Entry point of the command ``wearbench``; exits with 0, 1 or 2."""
    given = list(sys.argv[1:] if args is None else args)
    debug = "--debug" in given
    given = [word for word in given if word != "--debug"] or ["--help"]
    sys.exit(_carried_out(given, debug=debug))


if __name__ == "__main__":
    main()
