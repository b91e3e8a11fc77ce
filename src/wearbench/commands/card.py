"""``wearbench card``: a page to print and take along."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from wearbench.commands.common import emit, json_option, refuse_out, refuse_session_name
from wearbench.errors import UsageError

if TYPE_CHECKING:
    from wearbench.planner import Card

ENDINGS = (".pdf", ".html", ".htm")


@click.command(short_help="A one-page session card to print and fill in.")
@click.argument("study", required=False, type=click.Path(path_type=Path, file_okay=False))
@click.option("--session", metavar="NAME", help="Name of the session; the study's next free one otherwise.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("card.pdf"),
    show_default=True,
    help="Where the card goes: a name ending in .pdf or .html.",
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the page.")
@json_option
def card(study: Path | None, *, session: str | None, out: Path, paper: str, as_json: bool) -> None:
    """Make a one-page card that leads through one session, to print and fill in by hand.

    Wetting the strap, starting and stopping every device, giving the clocks a grip, bouts, anything odd, tonight's
    exports. With STUDY it is filled in: devices, where they are worn, versions last known, zone, the next session's
    name. Without STUDY it is blank.

    \b
    Example: wearbench card my-study --out card.pdf
    """  # noqa: D301
    from wearbench.planner import blank_card, card_of, write_sheet
    from wearbench.study import load_study

    if session is not None:
        refuse_session_name(session)
    refuse_out(out, study, endings=ENDINGS)
    made = blank_card(session=session) if study is None else card_of(load_study(study), session=session)
    try:
        whole = write_sheet(made, out, paper=paper)
    except OSError as error:
        said = f"the card cannot be written: {error.strerror}. Name another place with --out"
        raise UsageError(said, slug="not-writable", file=str(out)) from error
    warnings = _warnings(made, numbered=study is None)
    if not whole:
        warnings.append("no font on this machine has some of the signs; a browser may: --out card.html")
    head = [] if study is None else [f"{made.title}: session {made.session or 'without a name yet'}"]
    lines = [*head, *(f"! {warning}" for warning in warnings), f"Card: {out}"]
    emit(lines, {"study": study, "card": made, "warnings": warnings, "page": out}, as_json=as_json, wrap=True)


def _warnings(card: Card, *, numbered: bool) -> list[str]:
    warnings: list[str] = []
    if card.session is None and not numbered:
        warnings.append("the sessions of this study do not count up, so the name is left to fill in; or say --session")
    if card.recorded:
        warnings.append(f"session {card.session} has recordings already")
    if card.left_out:
        warnings.append(f"no room on one page for {', '.join(card.left_out)}")
    return warnings
