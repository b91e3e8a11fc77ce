"""``wearbench new``: an empty study."""

from __future__ import annotations

import re
from pathlib import Path

import click

from wearbench.commands.common import emit, json_option, typed
from wearbench.errors import UsageError

TEMPLATE = """\
# A study: what is tested against what. Every key is explained in the documentation, page "The folder".
schema = 1
title = {title}
{timezone}

# One table a device. Its name is how its files begin: raw/<session>/{first}.csv
# role: "reference" is trusted, "tested" is judged, "context" (cadence, power) explains and is not judged.
{devices}
# Worth saying of a device, where it is known (wearbench estimates or recognises the rest):
# label = "Left wrist, size M"       # for readers
# firmware = "2.1"                   # or a column firmware.<device> in sessions.csv
# wear_site = "left wrist"
# timezone = "UTC"                   # if it writes its stamps in another zone
# clock = "shared"                   # its stamps are on the reference's clock
# averaging_s = 5                    # each value stands for this many seconds
# delay_s = 0

# Acceptance figures of your own; `wearbench run` ends with exit code 2 if one is not met.
# [criteria.close_enough]
# statistic = "mape"
# at_most = 10
# source = "our protocol, version 1"
"""


@click.command(short_help="Make the folder of a study.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--tested", multiple=True, default=("band",), show_default=True, help="Device under test; may be repeated."
)
@click.option(
    "--reference", multiple=True, default=("patch",), show_default=True, help="Trusted device; may be repeated."
)
@click.option("--timezone", help='Zone of stamps without an offset, such as "Europe/Oslo".')
@click.option("--title", help="Title; the folder's name otherwise.")
@json_option
def new(
    folder: Path,
    *,
    tested: tuple[str, ...],
    reference: tuple[str, ...],
    timezone: str | None,
    title: str | None,
    as_json: bool,
) -> None:
    """Make the folder of a study, with a study.toml that explains itself.

    \b
    Example: wearbench new my-study --tested band --reference patch --timezone Europe/Oslo
    """  # noqa: D301
    from wearbench.study.config import read_config
    from wearbench.study.problem import shown
    from wearbench.study.zones import zone_named

    path = folder / "study.toml"
    if path.exists():
        raise UsageError("there is a study here already; nothing was changed", slug="study-exists", file=str(path))
    for name in (*tested, *reference):
        if re.fullmatch(r"[A-Za-z0-9_-]+", name) is None:
            said = f"expected the name of a device made of letters, digits, _ and -, got {shown(name)}"
            raise UsageError(said, slug="bad-name", value=name)
    both = [name for name in tested if name in reference]
    if both:
        raise UsageError(f"expected a device to be tested or the reference, got {shown(both[0])} as both", slug="usage")
    if timezone is None:
        zone = '# timezone = "Europe/Oslo"         # for stamps without an offset; without it they are refused'
    else:
        zone_named(timezone)
        zone = f"timezone = {shown(timezone)}             # for stamps without an offset"
    devices = "".join(f'[devices.{name}]\nrole = "reference"\n\n' for name in reference)
    devices += "".join(f'[devices.{name}]\nrole = "tested"\n\n' for name in tested)
    text = TEMPLATE.format(
        title=shown(title or folder.resolve().name), timezone=zone, devices=devices.rstrip("\n") + "\n", first=tested[0]
    )
    try:
        (folder / "raw").mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        raise UsageError(f"cannot be made: {error.strerror}", slug="not-writable", file=str(path)) from error
    try:
        read_config(path)
    except Exception:
        path.unlink()
        raise
    lines = [
        f"Made {path}",
        f"Next: wearbench add {typed(folder)} s01 FILE... --device {tested[0]}",
        f"Then: wearbench check {typed(folder)}, wearbench run {typed(folder)}",
    ]
    emit(lines, {"study": folder, "made": [path]}, as_json=as_json)
