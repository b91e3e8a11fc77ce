"""Where an interval list begins: an instant, seconds from the session's start, or a mark."""

from __future__ import annotations

import re
from typing import Final

from wearbench.errors import UsageError, WearbenchError
from wearbench.study import Session, Study
from wearbench.study.bouttable import iso_instant
from wearbench.study.tables import MARK_KINDS
from wearbench.study.tabletext import Row

__all__ = ["anchor_of"]

_MARK: Final = re.compile(rf"({'|'.join(MARK_KINDS)})(?::(\d+))?")


def anchor_of(study: Study, session: Session, text: str, *, device: str | None) -> tuple[int, str | None, str]:
    """Where ``--from`` lets a list begin.

    Parameters
    ----------
    study : Study
    session : Session
    text : str
        An instant, seconds from the session's start, or a kind of mark with its number.
    device : str or None
        Whose marks count, and whose zone an instant without offset is read in.

    Returns
    -------
    at_ms : int
        Milliseconds since 1970.
    clock : str or None
        The device whose clock it is on, if a mark says so.
    said : str
        What it is in words; empty for an instant.

    Raises
    ------
    UsageError
        If it is none of these, or there is no such mark, or several.
    """
    mark = _MARK.fullmatch(text.strip())
    if mark is not None:
        return _marked(session, mark[1], None if mark[2] is None else int(mark[2]), device=device)
    row = Row(file="", line=0, cells={"--from": text.strip()})
    zone = session.zone or study.config.zone
    if device is not None and study.config.devices[device].zone is not None:
        zone = study.config.devices[device].zone
    try:
        when = row.when("--from", zone, offsets=True)
    except WearbenchError as error:
        raise UsageError(f"{error.message}, or a mark ({', '.join(MARK_KINDS)})", slug=error.slug, value=text) from None
    if when is None or (when.utc_ms is None and session.start_ms is None):
        said = "--from: expected the session's start in sessions.csv, to count seconds from, found none"
        raise UsageError(said, slug="bouts-anchor", value=text)
    return when.at_ms(session.start_ms or 0), None, ""


def _marked(session: Session, kind: str, number: int | None, *, device: str | None) -> tuple[int, str | None, str]:
    marks = [mark for mark in session.marks if mark.kind == kind and device in (None, mark.device)]
    if any(mark.time.utc_ms is None for mark in marks) and session.start_ms is None:
        said = (
            "--from: expected the session's start in sessions.csv, since marks are given in seconds from it, found none"
        )
        raise UsageError(said, slug="bouts-anchor", value=kind)
    marks.sort(key=lambda mark: mark.time.at_ms(session.start_ms or 0))
    of = "" if device is None else f" of {device}"
    if not marks:
        said = f"--from: expected a mark {kind}{of} in marks.csv for session {session.name}, found none"
        raise UsageError(said, slug="no-mark", value=kind)
    if number is None and len(marks) > 1:
        listed_marks = "; ".join(
            f"{kind}:{n} is {iso_instant(m.time.at_ms(session.start_ms or 0), session.zone)} of {m.device}"
            for n, m in enumerate(marks, 1)
        )
        said = f"--from: expected one mark {kind}{of}, found {len(marks)}; choose: {listed_marks}"
        raise UsageError(said, slug="no-mark", value=kind)
    place = 1 if number is None else number
    if not 1 <= place <= len(marks):
        said = f"--from: expected {kind}:1 to {kind}:{len(marks)}, got {kind}:{place}"
        raise UsageError(said, slug="no-mark", value=f"{kind}:{place}")
    mark = marks[place - 1]
    return mark.time.at_ms(session.start_ms or 0), mark.device, f"the mark {kind} of {mark.device}"
