"""``wearbench look``: two files, no study, no settings."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wearbench.commands.common import emit, json_option, quiet_option
from wearbench.errors import UsageError

if TYPE_CHECKING:
    from wearbench.look import LookResult


@click.command(short_help="Two recordings of one session: how far off, when, how.")
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option("--reference", metavar="A|B", help="Which of the two is trusted: A (the first) or B (the second).")
@click.option("--timezone", metavar="ZONE", help='Zone of stamps without an offset, such as "Europe/Oslo".')
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("look.html"),
    show_default=True,
    help="Where the page goes.",
)
@json_option
@quiet_option
def look(
    a: Path, b: Path, *, reference: str | None, timezone: str | None, out: Path, as_json: bool, quiet: bool
) -> None:
    """Hold two recordings of one session against each other: A and B, in any order.

    Recognises both, aligns their clocks, draws one page, prints plain lines. Asks at most two things, and only when it
    must: which is the reference, and the time zone. One session is an anecdote: nothing is claimed in general.

    \b
    Example: wearbench look band.csv strap.csv --reference B --timezone Europe/Oslo
    """  # noqa: D301
    from wearbench.report import write_report
    from wearbench.study.zones import zone_named

    chosen = None if reference is None else _which(reference, a, b)
    if timezone is not None:
        zone_named(timezone)
    _refuse_out(out, a, b)
    result = _looked(a, b, chosen, timezone, quiet=quiet)
    try:
        write_report(result.results, out, title=f"{a.name} and {b.name}")
    except OSError as error:
        said = f"the page cannot be written: {error.strerror}. Name another place with --out"
        raise UsageError(said, slug="not-writable", file=str(out)) from error
    emit([*result.lines, "", f"Page: {out}"], {**result.document, "page": out}, as_json=as_json, wrap=True)


def can_ask() -> bool:
    """Whether a person is there to answer."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _which(text: str, a: Path, b: Path) -> str:
    """``A`` or ``B``, also when the file itself was named."""
    from wearbench.study.problem import shown

    if text.upper() in ("A", "B"):
        return text.upper()
    for letter, path in (("A", a), ("B", b)):
        if text in (str(path), path.name, path.stem):
            return letter
    said = f"--reference: expected A ({a}) or B ({b}), got {shown(text)}"
    raise UsageError(said, slug="ask-reference", value=text)


def _refuse_out(out: Path, a: Path, b: Path) -> None:

    if out.suffix.lower() not in (".html", ".htm"):
        raise UsageError("--out: expected a name that ends in .html", slug="out-name", file=str(out))
    if any(out.exists() and path.exists() and out.samefile(path) for path in (a, b)):
        raise UsageError("--out: expected a name other than that of a recording", slug="out-name", file=str(out))


def _looked(a: Path, b: Path, reference: str | None, zone: str | None, *, quiet: bool) -> LookResult:
    """Look, asking on a terminal what must be asked."""
    from wearbench.commands.progress import waiting
    from wearbench.look import look as look_at

    asked: set[str] = set()
    while True:
        try:
            with waiting("looking", quiet=quiet):
                return look_at(a, b, reference=reference, zone=zone)
        except UsageError as error:
            if error.slug not in ("ask-reference", "ask-zone") or error.slug in asked:
                raise
            if not can_ask():
                raise _naming_the_flag(error) from None
            asked.add(error.slug)
            click.echo(error.message, err=True)
            if error.slug == "ask-reference":
                reference = _which(click.prompt(f"Reference, A ({a.name}) or B ({b.name})", err=True), a, b)
            else:
                zone = click.prompt("Time zone (Europe/Oslo, UTC, +02:00)", err=True)


def _naming_the_flag(error: UsageError) -> UsageError:
    """The question as a message that says which option answers it."""
    flag, answer = {
        "ask-reference": ("--reference", "--reference A or --reference B"),
        "ask-zone": ("--timezone", "--timezone, for example --timezone Europe/Oslo"),
    }[error.slug]
    if flag in error.message:
        return error
    said = f"{error.message.rstrip('.?')}. Say it with {answer}"
    return UsageError(said, slug=error.slug, file=error.file, line=error.line, value=error.value)
