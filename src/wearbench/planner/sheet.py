"""Drawing the card: a PDF for the printer, or an HTML page; one page, nothing loaded from anywhere."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Final

from jinja2 import Environment, StrictUndefined

from wearbench.errors import DataError
from wearbench.planner.card import Card
from wearbench.planner.words import sheet_words
from wearbench.study.beside import write_beside

__all__ = ["PAPERS", "render_html", "render_pdf", "write_sheet"]

PAPERS: Final = {"a4": ("a4", 210.0, 297.0), "letter": ("us-letter", 215.9, 279.4)}
"""Name of the paper: the PDF's word for it, width and height in mm."""
LAST_OWN_SIGN: Final = 0x052F
"""Latin, Greek and Cyrillic signs end here; the fonts that come with the PDF writer have them."""


def render_pdf(card: Card, *, paper: str = "a4") -> bytes:
    """The card as a PDF of one page: tagged, fonts embedded, no date in it, so that one card gives the same bytes.

    Parameters
    ----------
    card : Card
    paper : {"a4", "letter"}

    Returns
    -------
    bytes

    Raises
    ------
    DataError
        For a paper that is not known.

    Notes
    -----
    Only texts in scripts that the embedded fonts lack are set in fonts of the machine; a sign that no font has is an
    empty box.
    """
    return _pdf(card, paper)[0]


def render_html(card: Card, *, paper: str = "a4") -> str:
    """The card as an HTML page that prints on one sheet and loads nothing.

    Parameters
    ----------
    card : Card
    paper : {"a4", "letter"}

    Raises
    ------
    DataError
        For a paper that is not known.

    Notes
    -----
    A few lines of script choose the largest type that fits; without them the type is as small as it may have to be.
    """
    _, width, height = _paper(paper)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("wearbench.planner").joinpath("sheet.html.j2").read_text(encoding="utf-8"))
    words = sheet_words(card)
    many = len(card.devices)
    rows = (6 if many < 4 else 5 if many == 4 else 4) - (0 if paper == "a4" else 1 if many >= 4 else 2)
    size = (9.5 if many < 4 else 8.5) * height / PAPERS["a4"][2]
    return template.render(words=words, width=width, height=height, size=f"{size:.2f}", rows=rows) + "\n"


def _pdf(card: Card, paper: str) -> tuple[bytes, bool]:
    """The PDF, and whether there was a font for every sign; without, it cannot claim to be accessible (PDF/UA-1)."""
    import typst

    words = json.dumps({**sheet_words(card), "paper": _paper(paper)[0]}, ensure_ascii=False)
    template = files("wearbench.planner").joinpath("sheet.typ").read_bytes()
    compiler = typst.Compiler(ignore_system_fonts=all(map(_own, words)), sys_inputs={"card": words})
    whole = True
    try:
        made = compiler.compile(template, format="pdf", pdf_standards="ua-1")
    except typst.TypstError:
        made, whole = compiler.compile(template, format="pdf"), False
    assert isinstance(made, bytes)  # one document, kept in memory
    return made, whole


def write_sheet(card: Card, path: Path, *, paper: str = "a4") -> bool:
    """Write the card as PDF or HTML, by the name's ending, beside its place and rename it.

    Parameters
    ----------
    card : Card
    path : Path
        Ending in ``.pdf``, ``.html`` or ``.htm``; its folder must exist.
    paper : {"a4", "letter"}

    Returns
    -------
    bool
        Whether every sign could be drawn; False where this machine has no font for some.

    Raises
    ------
    DataError
        For another ending or paper.
    OSError
        If it cannot be written; what stood there before is untouched.
    """
    kind = path.suffix.lower()
    if kind not in (".pdf", ".html", ".htm"):
        raise DataError(f"path: expected a name that ends in .pdf or .html, got {path.name}")
    made, whole = _pdf(card, paper) if kind == ".pdf" else (render_html(card, paper=paper).encode(), True)
    write_beside(path, made)
    return whole


def _own(sign: str) -> bool:
    return ord(sign) <= LAST_OWN_SIGN or sign in "–—‘’“”…•°−"


def _paper(name: str) -> tuple[str, float, float]:
    if name not in PAPERS:
        raise DataError(f"paper: expected {' or '.join(PAPERS)}, got {name}")
    return PAPERS[name]
