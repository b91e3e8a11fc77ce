"""The report: one HTML page that opens from disk, needs no script and loads nothing."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from wearbench.figures import stylesheet
from wearbench.report.pieces import linked, unbroken
from wearbench.report.view import page_of
from wearbench.study.beside import write_beside
from wearbench.study.results import Results
from wearbench.wording import join_words

__all__ = ["render_report", "write_report"]


def render_report(results: Results, *, title: str) -> str:
    """The report as text.

    Parameters
    ----------
    results : Results
        Its findings are shown as they are; where it has none they are worked out.
    title : str
        Of the page.

    Returns
    -------
    str
        A complete HTML document; the same results give the same bytes.
    """
    here = files("wearbench.report")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    page = page_of(results, title=title)
    environment.filters["unbroken"] = unbroken
    environment.filters["listed"] = lambda names: join_words(list(names))
    environment.filters["linked"] = lambda text: linked(text, {s.name: s.anchor for s in page.sessions})
    template = environment.from_string(here.joinpath("page.html.j2").read_text(encoding="utf-8"))
    css = stylesheet() + here.joinpath("page.css").read_text(encoding="utf-8")
    return template.render(page=page, css=Markup(css)) + "\n"


def write_report(results: Results, path: Path, *, title: str) -> None:
    """Write the report beside its place and rename it, so that a killed run leaves the last one whole.

    Parameters
    ----------
    results : Results
    path : Path
        Of the page; its folder must exist.
    title : str

    Raises
    ------
    OSError
        If the page cannot be written; what stood there before is untouched.
    """
    write_beside(path, render_report(results, title=title).encode())
