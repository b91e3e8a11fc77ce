"""``wearbench settings``: the table of settings."""

from __future__ import annotations

import click

from wearbench.commands.common import emit, json_option


@click.command(short_help="List the settings of the analysis.")
@json_option
def settings(*, as_json: bool) -> None:
    """List the settings of the analysis: name, default, meaning.

    Set one in study.toml under [settings]; every result stores those it was made with.

    \b
    Example: wearbench settings
    """  # noqa: D301
    from wearbench.commands.tabletext import table_lines
    from wearbench.settings import settings_table

    rows = [{"name": name, "default": default, "meaning": meaning} for name, default, meaning in settings_table()]
    emit(table_lines(rows) if not as_json else (), rows, as_json=as_json)
