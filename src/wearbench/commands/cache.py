"""``wearbench cache``: what is kept between runs."""

from __future__ import annotations

import click

from wearbench.commands.common import emit, json_option


@click.command(short_help="Say what is kept between runs, or forget it.")
@click.option("--clear", is_flag=True, help="Remove all of it; the next run of a study does everything anew.")
@json_option
def cache(*, clear: bool, as_json: bool) -> None:
    """Say where results of steps are kept between runs, and how much room they take.

    They hold readings of your recordings. They are in your own cache folder (or that named by WEARBENCH_CACHE), not in
    a study; those not used for longest go when there are more than cache_mb of wearbench settings. Removing them loses
    nothing but time.

    \b
    Example: wearbench cache --clear
    """  # noqa: D301
    from wearbench.errors import UsageError
    from wearbench.study.cache import CACHE_VARIABLE, Cache, cache_folder

    folder = cache_folder()
    if folder is None:
        said = f"expected a cache folder of yours, found none: set {CACHE_VARIABLE} to one; until then nothing is kept"
        raise UsageError(said, slug="no-cache-folder")
    kept = Cache(folder=folder)
    entries, size = kept.size()
    if clear:
        kept.clear()
        left = kept.size()[0]
        lines = [f"Removed: {entries - left} entries, {size / 1e6:.1f} MB, from {folder}"]
    else:
        lines = [f"Kept: {entries} entries, {size / 1e6:.1f} MB, in {folder}"]
    emit(lines, {"folder": folder, "entries": entries, "bytes": size, "cleared": clear}, as_json=as_json)
