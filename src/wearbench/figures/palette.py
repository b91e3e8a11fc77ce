"""States as colour and texture: each can be told from the others without colour."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from wearbench.figures.svg import Drawing
from wearbench.wording import STATE_LABEL, STATES

__all__ = ["MARK", "SHOWN", "fill_of", "legend", "mark_at"]

SHOWN: Final = (*STATES, "judged", "unjudged")
"""In the order of legends; ``judged`` is a used reading of a quantity without states, ``unjudged`` an unused one."""

_TEXTURE: Final[dict[str, tuple[int, int, str]]] = {
    "halved": (6, 6, "M-1 7L7-1M-1 1L1-1M5 7L7 5"),
    "doubled": (6, 6, "M-1-1L7 7M-1 5L1 7M5-1L7 1"),
    "off_ratio": (7, 7, "M0 0L7 7M0 7L7 0"),
    "cadence_locked": (5, 5, "M2.5 0V5"),
    "between": (5, 5, "M1 1h1.5M3.5 3.5h1.5"),
    "frozen": (5, 5, "M0 2.5H5"),
    "astray": (8, 6, "M0 4.5L2 1.5L4 4.5L6 1.5L8 4.5"),
    "missing": (8, 8, "M-1 9L9-1"),
    "not_worn": (7, 7, "M3 3.5h1"),
    "unjudged": (6, 6, "M0 5.5H6"),
    "doubtful": (7, 7, "M-1 8L8-1M-1 1L1-1M6 8L8 6"),
}
"""Size of the tile and the strokes over the state's colour; a state without one is plain."""

MARK: Final[dict[str, str]] = {
    "halved": "m-{r} -{r}h{d}l-{r} {d}z",
    "doubled": "m-{r} {r}h{d}l-{r} -{d}z",
    "off_ratio": "m0 -{r}l{r} {r}l-{r} {r}l-{r} -{r}z",
    "cadence_locked": "m-{r} -{r}h{d}v{d}h-{d}z",
    "between": "m-{r} 0h{d}",
    "frozen": "m-{r} -{q}h{d}v{r}h-{d}z",
    "astray": "m-{r} -{r}l{d} {d}m0 -{d}l-{d} {d}",
}
"""Marks of single readings; a state without one is a round dot."""


def fill_of(drawing: Drawing, state: str) -> str:
    """The paint of a state as a CSS value; its texture is defined in the drawing on first use."""
    texture = _TEXTURE.get(state)
    if texture is None:
        return f"var(--{state.replace('_', '-')})"
    width, height, strokes = texture
    name = f"{drawing.uid}-{state}"
    drawing.define(
        f'<pattern id="{name}" width="{width}" height="{height}" patternUnits="userSpaceOnUse">'
        f'<rect class="tile s-{state}" width="{width}" height="{height}"/>'
        f'<path class="grain g-{state}" d="{strokes}"/></pattern>'
    )
    return f"url(#{name})"


def mark_at(state: str, radius: float) -> str:
    """Relative path data of a state's mark, to follow a move to its centre."""
    shape = MARK.get(state)
    if shape is None:
        return "h0"
    return shape.format(r=f"{radius:.1f}", d=f"{2 * radius:.1f}", q=f"{radius / 2:.1f}")


def legend(
    drawing: Drawing,
    states: set[str],
    *,
    x: float,
    y: float,
    width: float,
    marks: bool = False,
    words: Mapping[str, str] | None = None,
) -> float:
    """Draw the states that occur, with colour, texture or mark, and words; return the height used.

    Parameters
    ----------
    states : set of str
        Only these are shown.
    x, y, width : float
        Top left corner and the room across; entries go on to a new line where they would not fit.
    marks : bool
        Show the marks of single readings rather than textures.
    words : mapping, optional
        Words in place of the states' own.
    """
    left, top = x, y
    for state in SHOWN:
        if state not in states:
            continue
        label = (words or STATE_LABEL)[state]
        room = 22 + drawing.text_width(label) + 18
        if left > x and left + room > x + width:
            left, top = x, top + 20
        if marks:
            kind = "dot" if state not in MARK else "mark"
            drawing.path(f"M{left + 7:.1f} {top + 6:.1f}" + mark_at(state, 4.0), cls=f"{kind} big k-{state}")
        else:
            drawing.rect(left, top, 15, 12, cls=f"swatch o-{state}", fill=fill_of(drawing, state))
        drawing.text(left + 21, top + 10.5, label, cls="sm")
        left += room
    return top - y + 20
