"""Running counts of a session read on as one, with what was done to them said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from wearbench.core.counters import one_count
from wearbench.formats import Readings
from wearbench.quantities import Quantity
from wearbench.recipe.joining import Notes
from wearbench.recipe.material import FileNote
from wearbench.recipe.pieces import Piece
from wearbench.study import Session

__all__ = ["counted_on"]


def counted_on(piece: Piece, quantity: Quantity | None, session: Session, *, device: str, notes: Notes) -> Piece:
    """A joined piece whose running count never falls; other pieces are returned as they are.

    Parameters
    ----------
    piece : Piece
    quantity : Quantity or None
        What it holds.
    session : Session
        The total that is said is that between its first and last reading.
    device : str
    notes : Notes
        A count that began anew or was set back is added to the repairs.

    Returns
    -------
    Piece
        Values are the count as if it had gone on; differences of it are what was counted.
    """
    recording = piece.recording
    if quantity is None or quantity.kind != "count" or not isinstance(recording, Readings):
        return piece
    found = one_count(recording.value)
    if found is None or not (found.anew.size or found.mended.size):
        return piece
    held = np.isfinite(found.total)
    for edge, after in ((session.start_ms, True), (session.end_ms, False)):
        if edge is not None and recording.start_known:
            held &= recording.time_ms >= edge if after else recording.time_ms <= edge
    inside = np.flatnonzero(held)
    places = [row for row in found.anew.tolist() if held[row]]
    if places:
        first, last = places[0], inside[-1]
        before = int(np.flatnonzero(np.isfinite(recording.value[:first]))[-1])
        total = found.total[last] - found.total[inside[0]]
        when = datetime.fromtimestamp(int(recording.time_ms[first]) / 1000.0, session.zone or UTC)
        times = "once" if len(places) == 1 else f"{len(places)} times"
        said = (
            f"{session.name}: the running count of {quantity.label} of {device} begins anew {times}, first at "
            f"{when:%Y-%m-%d %H:%M} ({recording.value[before]:,.0f} to {recording.value[first]:,.0f}); read on as one "
            f"count: at least {total:,.0f} {quantity.label} in the session"
        )
        notes.repairs.append(FileNote(slug="counter-anew", said=said, file=piece.shown, count=len(places)))
    back = [row for row in found.mended.tolist() if held[row]]
    if back:
        said = (
            f"{session.name}: the running count of {quantity.label} of {device} is set back by less than half, "
            f"{'once' if len(back) == 1 else f'{len(back)} times'}; held until it has caught up"
        )
        notes.repairs.append(FileNote(slug="counter-set-back", said=said, file=piece.shown, count=len(back)))
    return replace(piece, recording=replace(recording, value=found.total))
