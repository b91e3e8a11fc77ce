"""``wearbench demo``: an invented study, analysed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from wearbench.commands.common import emit, json_option, quiet_option
from wearbench.errors import UsageError

INVENTED = (
    "This study is invented: a simulator made its people, devices and recordings. "
    "It says nothing about any real device."
)


@click.command(short_help="Invent a study, analyse it, show its report.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("demo"), required=False)
@click.option("--seed", type=click.IntRange(0), help="Another seed gives another invented study.")
@json_option
@quiet_option
def demo(folder: Path, *, seed: int | None, as_json: bool, quiet: bool) -> int:
    """Invent a study in FOLDER (./demo), analyse it, and say where its report is.

    The winter camp of a coastal rowing club: six rowers, two bands under test, a chest patch. All data are invented by
    a simulator; the truth behind them is saved beside them, in truth/.

    \b
    Example: wearbench demo
    """  # noqa: D301
    from wearbench.commands.run import carry_out

    there = (folder / "study.toml").is_file() and (folder / "truth").is_dir()
    if there and seed is not None:
        said = "there is an invented study here already. Name another folder, or leave --seed out to analyse this one"
        raise UsageError(said, slug="demo-exists", file=str(folder))
    if not there:
        _write(folder, seed, quiet=quiet)
    outcome = carry_out(folder, quiet=quiet)
    outcome = replace(outcome, lines=[INVENTED, "", *outcome.lines], document={"invented": True, **outcome.document})
    emit(outcome.lines, outcome.document, as_json=as_json, wrap=True)
    return outcome.code


def _write(folder: Path, seed: int | None, *, quiet: bool) -> None:
    from wearbench.commands.progress import waiting
    from wearbench.settings import Settings
    from wearbench.simulator import write_demo

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(
            "expected a folder that is new or empty. Name another one", slug="demo-exists", file=str(folder)
        )
    beside = folder.with_name(f".{folder.name}.new")
    try:
        _clear(beside)
        with waiting("inventing the study", quiet=quiet):
            write_demo(beside, seed=Settings().seed if seed is None else seed)
        if folder.is_dir():
            folder.rmdir()
        beside.rename(folder)
    except OSError as error:
        raise UsageError(f"cannot be made: {error.strerror}", slug="not-writable", file=str(folder)) from error
    finally:
        _clear(beside)


def _clear(beside: Path) -> None:
    import shutil

    shutil.rmtree(beside, ignore_errors=True)
