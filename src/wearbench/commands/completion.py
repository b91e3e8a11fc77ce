"""``wearbench completion``: completion of commands for a shell."""

from __future__ import annotations

import click

from wearbench.commands.common import emit, json_option


@click.command(short_help="Print a completion script for a shell.")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@json_option
@click.pass_context
def completion(ctx: click.Context, *, shell: str, as_json: bool) -> None:
    """Print the script that makes SHELL complete wearbench's commands and options.

    \b
    Example: wearbench completion bash >> ~/.bashrc
    """  # noqa: D301
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    assert kind is not None  # the choices above are click's own
    script = kind(ctx.find_root().command, {}, "wearbench", "_WEARBENCH_COMPLETE").source()
    emit([script], {"shell": shell, "script": script}, as_json=as_json)
