"""Bouts that are to be added to a session, and how they stand to those it has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from wearbench.errors import UsageError
from wearbench.formats.recording import Lap
from wearbench.study.tables import Bout

__all__ = ["BoutPlan", "NewBout", "bouts_of_laps", "named_apart", "plan_bouts"]


@dataclass(frozen=True, kw_only=True, slots=True)
class NewBout:
    """A bout to be added; milliseconds since 1970 on the clock of ``clock``, None for the reference's.

    ``source_row`` is the lap's number or the line of the list it comes from.
    """

    name: str
    start_ms: int
    end_ms: int
    source_row: int
    activity: str | None = None
    intensity: str | None = None
    clock: str | None = None
    trigger: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class BoutPlan:
    """What would become of new bouts.

    Attributes
    ----------
    add : tuple of NewBout
        Bouts that are not there yet, under names of their own.
    already : tuple of NewBout
        Those whose times stand in the table already, on the same clock.
    overlaps : tuple of pairs (NewBout, Bout)
        Those of ``add`` that lie over one that is there.
    """

    add: tuple[NewBout, ...]
    already: tuple[NewBout, ...]
    overlaps: tuple[tuple[NewBout, Bout], ...]

    @property
    def taken_out(self) -> tuple[Bout, ...]:
        """Rows that would go if those that overlap are replaced, each once, in the order of the table."""
        rows = {bout.line: bout for _, bout in self.overlaps}
        return tuple(rows[line] for line in sorted(rows))


def bouts_of_laps(laps: Iterable[Lap], *, clock: str) -> tuple[NewBout, ...]:
    """A bout for each lap, named by its label, else ``lap 1``, ``lap 2``, ... by its number in the file.

    Parameters
    ----------
    laps : iterable of Lap
    clock : str
        The device that recorded them.
    """
    return tuple(
        NewBout(
            name=lap.label or f"lap {lap.number}",
            start_ms=lap.start_ms,
            end_ms=lap.end_ms,
            source_row=lap.number,
            activity=lap.activity,
            intensity=lap.intensity,
            clock=clock,
            trigger=lap.trigger,
        )
        for lap in laps
    )


def named_apart(bouts: Sequence[NewBout], *, taken: Iterable[str] = ()) -> tuple[NewBout, ...]:
    """The same bouts under names that occur once: ``hard`` twice becomes ``hard 1`` and ``hard 2``.

    Parameters
    ----------
    bouts : sequence of NewBout
    taken : iterable of str
        Names the session has already; a new bout of that name gets the next free number.
    """
    used = set(taken)
    often = Counter(bout.name for bout in bouts)
    plain = {name for name, count in often.items() if count == 1 and name not in used}
    used |= plain
    named: list[NewBout] = []
    following: dict[str, int] = {}
    for bout in bouts:
        name = bout.name
        if name not in plain:
            number = following.get(name, 1 if often[name] > 1 else 2)
            while f"{name} {number}" in used:
                number += 1
            following[name] = number + 1
            name = f"{name} {number}"
            used.add(name)
        named.append(replace(bout, name=name))
    return tuple(named)


def plan_bouts(new: Sequence[NewBout], there: Sequence[Bout], *, session_start_ms: int | None) -> BoutPlan:
    """Compare new bouts with those of the session.

    Parameters
    ----------
    new : sequence of NewBout
    there : sequence of Bout
        As read from bouts.csv. On different clocks they are compared as they are written.
    session_start_ms : int or None

    Returns
    -------
    BoutPlan

    Raises
    ------
    UsageError
        If a bout that is there counts from a session's start that is not known.
    """
    spans: list[tuple[int, int, Bout]] = []
    for bout in there:
        if session_start_ms is None and None in (bout.start.utc_ms, bout.end.utc_ms):
            raise UsageError(
                "expected the session's start in sessions.csv, since this bout is given in seconds from it, found none",
                slug="bouts-anchor",
                file="bouts.csv",
                line=bout.line,
            )
        start = session_start_ms or 0
        spans.append((bout.start.at_ms(start), bout.end.at_ms(start), bout))
    known = {(low, high, bout.clock or None) for low, high, bout in spans}
    add = [bout for bout in new if (bout.start_ms, bout.end_ms, bout.clock) not in known]
    already = [bout for bout in new if (bout.start_ms, bout.end_ms, bout.clock) in known]
    named = named_apart(add, taken=[bout.name for bout in there])
    overlaps = [(bout, old) for bout in named for low, high, old in spans if bout.start_ms < high and bout.end_ms > low]
    return BoutPlan(add=named, already=tuple(already), overlaps=tuple(overlaps))
