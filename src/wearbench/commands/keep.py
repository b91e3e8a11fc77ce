"""``wearbench keep``: a release of the results."""

from __future__ import annotations

from pathlib import Path

import click

from wearbench.commands.common import emit, json_option, typed


@click.command(short_help="Keep the results as a release that stays.")
@click.argument("name")
@click.argument("study", type=click.Path(path_type=Path, file_okay=False), default=Path())
@json_option
def keep(name: str, study: Path, *, as_json: bool) -> None:
    """Keep the last results of STUDY (the folder you are in, unless named) as the release NAME.

    Results, report, the study's own files, the hash of every recording and the versions used go to kept/NAME/, outside
    results/, with a page that says how to get the same numbers again. A release is never overwritten.

    \b
    Example: wearbench keep pilot my-study
    """  # noqa: D301
    from wearbench.study import keep_release, read_results

    place = keep_release(study, name, document=read_results(study).document)
    lines = [f"Kept: {place}", f"Compare later: wearbench changes {typed(study)} --since {name}"]
    emit(lines, {"study": study, "release": name, "kept": place}, as_json=as_json)
