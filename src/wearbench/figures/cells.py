"""Many readings as few marks: readings are counted in small cells, one mark a cell and state, larger for more."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.figures.palette import MARK, SHOWN, mark_at
from wearbench.figures.svg import Drawing

__all__ = ["draw_cells"]

F64 = NDArray[np.float64]
_CELL = 5.0
_ROW = 1 << 20
_RADII = (1.1, 1.6, 2.1, 2.6)


def draw_cells(drawing: Drawing, x: F64, y: F64, states: pl.Series, *, many_from: float) -> None:
    """Draw one mark for each cell and state.

    Parameters
    ----------
    drawing : Drawing
    x, y : float64 arrays, shape (n,)
        Places in the drawing.
    states : polars.Series, shape (n,)
        State of each reading.
    many_from : float
        Readings in a cell from which the mark has its full size; sizes between go by the logarithm.
    """
    if not x.size:
        return
    key = np.floor(y / _CELL).astype(np.int64) * _ROW + np.floor(x / _CELL).astype(np.int64)
    for state in SHOWN:
        mine = (states == state).to_numpy()
        if not mine.any():
            continue
        keys, counts = np.unique(key[mine], return_counts=True)
        cells = np.stack([keys % _ROW, keys // _ROW], axis=1)
        level = np.floor(len(_RADII) * np.log1p(counts) / np.log1p(max(2.0, many_from))).astype(int)
        level = np.clip(level, 0, len(_RADII) - 1)
        for k, radius in enumerate(_RADII):
            chosen = cells[level == k]
            if not chosen.size:
                continue
            shape = mark_at(state, radius)
            data = "".join([f"M{a:g} {b:g}{shape}" for a, b in ((chosen + 0.5) * _CELL).tolist()])
            if state in MARK:
                drawing.path(data, cls=f"mark k-{state}")
            else:
                drawing.raw(f'<path class="dot k-{state}" stroke-width="{2 * radius:.1f}" d="{data}"/>')
