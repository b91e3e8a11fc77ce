"""A small SVG layer: a drawing collects elements and prints them; no colours here, only classes."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

__all__ = ["Drawing", "fmt", "path_of", "stand_alone"]

F64 = NDArray[np.float64]


def fmt(value: float) -> str:
    """One decimal, without a trailing zero: a tenth of a pixel is finer than any screen shows."""
    return f"{round(value, 1) + 0.0:.12g}"


def path_of(x: F64, y: F64) -> str:
    """Path data of one unbroken line; relative steps, which are shorter than positions.

    Parameters
    ----------
    x, y : float64 arrays, shape (n,)
        Positions in the drawing; n >= 1.
    """
    xs, ys = np.round(x * 10).astype(int), np.round(y * 10).astype(int)
    start = f"M{xs[0] / 10:g} {ys[0] / 10:g}"
    if xs.size == 1:
        return start + "h0"
    steps = np.stack([np.diff(xs), np.diff(ys)], axis=1) / 10.0
    return start + "l" + " ".join(["%g,%g" % (dx, dy) for dx, dy in steps.tolist()])  # noqa: UP031 - twice as quick


class Drawing:
    """One picture with its title and description.

    Parameters
    ----------
    width, height : float
        Size in pixels of the drawing's own coordinates.
    title, description : str
        Read out by screen readers; the description says in words what the picture shows.
    uid : str
        Prefix of all ids, so that many drawings can stand in one page.
    """

    def __init__(self, *, width: float, height: float, title: str, description: str, uid: str) -> None:
        self.width, self.height, self.uid = width, height, uid
        self._title, self._description = title, description
        self._parts: list[str] = []
        self._defs: list[str] = []

    def raw(self, markup: str) -> None:
        """Add markup as it is; callers escape what came from outside."""
        self._parts.append(markup)

    def define(self, markup: str) -> None:
        """Add something to the drawing's definitions, once."""
        if markup not in self._defs:
            self._defs.append(markup)

    def rect(self, x: float, y: float, width: float, height: float, *, cls: str = "", fill: str = "") -> None:
        """Add a rectangle; ``fill`` names a paint in place of the class's own."""
        paint = f' style="fill:{fill}"' if fill else ""
        self.raw(
            f'<rect class="{cls}" x="{fmt(x)}" y="{fmt(y)}" width="{fmt(max(0.0, width))}" '
            f'height="{fmt(max(0.0, height))}"{paint}/>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, *, cls: str) -> None:
        """Add a straight line."""
        self.raw(f'<path class="{cls}" d="M{fmt(x1)} {fmt(y1)}L{fmt(x2)} {fmt(y2)}"/>')

    def path(self, data: str, *, cls: str, fill: str = "") -> None:
        """Add a path."""
        if data:
            paint = f' style="fill:{fill}"' if fill else ""
            self.raw(f'<path class="{cls}" d="{data}"{paint}/>')

    def lines(self, x: F64, y: F64, breaks: Sequence[int], *, cls: str) -> None:
        """Add a line in pieces; ``breaks`` are the indices at which a new piece starts."""
        edges = [0, *breaks, x.size]
        pieces = (path_of(x[a:b], y[a:b]) for a, b in itertools.pairwise(edges) if b > a)
        self.path("".join(pieces), cls=cls)

    def text(self, x: float, y: float, words: str, *, cls: str = "", anchor: str = "start", turn: float = 0.0) -> None:
        """Add a line of text, escaped; ``turn`` rotates it about its anchor."""
        place = "" if anchor == "start" else f' text-anchor="{anchor}"'
        rotate = f' transform="rotate({fmt(turn)} {fmt(x)} {fmt(y)})"' if turn else ""
        kind = f' class="{cls}"' if cls else ""
        self.raw(f'<text{kind} x="{fmt(x)}" y="{fmt(y)}"{place}{rotate}>{escape(words)}</text>')

    def text_width(self, words: str, size: float = 12.0) -> float:
        """Roughly how wide a line of text is: wide letters, narrow letters, the rest."""
        narrow = sum(words.count(c) for c in "iljtf.,:;'|!()[] ")
        wide = sum(words.count(c) for c in "mwMW@%") + sum(c.isupper() for c in words) * 0.4
        return size * (0.6 * (len(words) - narrow) + 0.32 * narrow + 0.26 * wide)

    def fitted(self, words: str, room: float, size: float = 12.0) -> str:
        """The text, cut with an ellipsis where it would not fit."""
        if self.text_width(words, size) <= room:
            return words
        while words and self.text_width(words + "…", size) > room:
            words = words[:-1]
        return words.rstrip() + "…" if words else ""

    def paragraph(self, x: float, y: float, words: str, *, room: float, cls: str = "xs soft") -> float:
        """Add text that goes on to further lines where it would not fit; return the height used."""
        lines: list[str] = [""]
        for word in words.split():
            longer = f"{lines[-1]} {word}".strip()
            if lines[-1] and self.text_width(longer, 11) > room:
                lines.append(word)
            else:
                lines[-1] = longer
        for k, line in enumerate(lines):
            self.text(x, y + 15 * k, line, cls=cls)
        return 15.0 * len(lines)

    def render(self) -> str:
        """The drawing as one ``<svg>`` element."""
        defs = f"<defs>{''.join(self._defs)}</defs>" if self._defs else ""
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="fig" viewBox="0 0 {fmt(self.width)} {fmt(self.height)}" '
            f'width="{fmt(self.width)}" height="{fmt(self.height)}" role="img" '
            f'aria-labelledby="{self.uid}-t {self.uid}-d">'
            f'<title id="{self.uid}-t">{escape(self._title)}</title>'
            f'<desc id="{self.uid}-d">{escape(self._description)}</desc>{defs}{"".join(self._parts)}</svg>'
        )


def stylesheet() -> str:
    """Colours and type of all drawings, light and dark and print."""
    return files("wearbench.figures").joinpath("figures.css").read_text(encoding="utf-8")


def stand_alone(svg: str) -> str:
    """A drawing as a file of its own: with its colours inside and a paper behind it.

    Parameters
    ----------
    svg : str
        What a ``draw_`` function returned.
    """
    head, _, rest = svg.partition(">")
    start = f'<?xml version="1.0" encoding="UTF-8"?>\n{head}><style>{stylesheet()}</style>'
    return f'{start}<rect class="paper" width="100%" height="100%"/>{rest}\n'


def breaks_at(time_s: F64, longest_s: float) -> list[int]:
    """Indices at which a line must be cut, because more than ``longest_s`` lies before them."""
    found: Iterable[int] = (np.flatnonzero(np.diff(time_s) > longest_s) + 1).tolist()
    return list(found)
