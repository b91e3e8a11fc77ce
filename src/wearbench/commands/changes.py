"""``wearbench changes``: what moved since an earlier run."""

from __future__ import annotations

from pathlib import Path

import click

from wearbench.commands.common import emit, json_option


@click.command(short_help="What moved since the last run, or since a kept one.")
@click.argument("study", type=click.Path(path_type=Path, file_okay=False), default=Path())
@click.option(
    "--since",
    default="last",
    show_default=True,
    metavar="last|NUMBER|NAME",
    help="The run before this one, a run by its number, or a release made with keep.",
)
@json_option
def changes(study: Path, *, since: str, as_json: bool) -> None:
    """Say what moved between an earlier run of a study and the last one.

    Sessions that came or went, recordings and settings that changed, headline numbers with their intervals, episodes
    that appeared, vanished or got another label, findings that changed direction. Nothing is computed anew: run first.

    \b
    Example: wearbench changes my-study --since pilot
    """  # noqa: D301
    from wearbench.study import change_lines, changes_between, earlier_run, read_results

    document = read_results(study).document
    earlier = earlier_run(study, since, now=document)
    found = changes_between(earlier.document, document)
    told = {"study": study, "since": earlier.called, "made": earlier.document["made"], "changes": list(found)}
    emit(change_lines(found, since=earlier.called), told, as_json=as_json, wrap=True)
