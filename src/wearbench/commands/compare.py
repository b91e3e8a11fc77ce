"""``wearbench compare``: devices of two studies, over what both did."""

from __future__ import annotations

from pathlib import Path

import click

from wearbench.commands.common import emit, json_option


@click.command(short_help="Two studies beside each other, over what both did.")
@click.argument("study", type=click.Path(path_type=Path, file_okay=False))
@click.argument("other", metavar="STUDY", type=click.Path(path_type=Path, file_okay=False))
@click.option("--device", metavar="NAME", help="Tested device of the first study, where it has several.")
@click.option("--other", "other_device", metavar="NAME", help="Tested device of the second study.")
@click.option("--quantity", default="heart_rate", show_default=True, metavar="NAME", help="What to compare.")
@json_option
def compare(
    study: Path, other: Path, *, device: str | None, other_device: str | None, quantity: str, as_json: bool
) -> None:
    """Compare a tested device of one STUDY with one of another, from their last results.

    Both are brought to the same activities and intensities, weighed by the time that both spent in them; what only one
    did is listed and left out. Time right, mean error, bias and sessions affected with the difference and its interval.
    Nothing is computed anew: run both first.

    \b
    Example: wearbench compare camp-2031 camp-2032 --device band
    """  # noqa: D301
    from wearbench.findings.twostudies import compare_studies, comparison_lines
    from wearbench.study import read_results

    found = compare_studies(
        read_results(study),
        read_results(other),
        names=(str(study), str(other)),
        devices=(device, other_device),
        quantity=quantity,
    )
    emit(comparison_lines(found), found, as_json=as_json, wrap=True)
