"""Interval lists: a table of what was to be done, step by step, from a trainer or a protocol."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo
from itertools import groupby
from pathlib import Path
from typing import Final

from wearbench.errors import FormatError, StudyError
from wearbench.study.newbouts import NewBout
from wearbench.study.problem import listed, shown
from wearbench.study.tabletext import Row, Table, When, read_table

__all__ = ["BoutList", "read_bout_list"]

KNOWN: Final[dict[str, tuple[str, ...]]] = {
    "name": ("bout", "name", "label", "interval", "step"),
    "start": ("start", "begin", "from"),
    "end": ("end", "until", "to"),
    "duration": ("duration", "length"),
    "activity": ("activity",),
    "intensity": ("intensity", "target", "effort"),
    "repeat": ("repeat", "repeats"),
    "set": ("set", "block"),
}
"""What a heading may be called; of several the first is used."""

UNIT_S: Final = {"s": 1.0, "sec": 1.0, "seconds": 1.0, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0}
MOST: Final = 2000
_UNIT = re.compile(r"[\s_]*[\[(]?\s*(" + "|".join(UNIT_S) + r")\s*[\])]?$")
_COLONS = re.compile(r"(?:(\d{1,3}):)?(\d{1,3}):([0-5]\d(?:[.,]\d+)?)")
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")
_WORDS = re.compile(
    r"(?=.)(?:(?P<h>\d+(?:[.,]\d+)?)\s*(?:h|hr|hours?)\s*)?"
    r"(?:(?P<min>\d+(?:[.,]\d+)?)\s*(?:min|minutes?|m|['\u2032])\s*)?"
    r"(?:(?P<s>\d+(?:[.,]\d+)?)\s*(?:s|sec|seconds?|[\"\u2033])\s*)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class BoutList:
    """What an interval list says.

    ``anchored`` is whether any of it counts from the anchor; ``unused`` are headings without a meaning here.
    """

    bouts: tuple[NewBout, ...]
    anchored: bool
    unused: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Step:
    row: Row
    name: str | None
    start: When | None
    end: When | None
    seconds: float | None
    activity: str | None
    intensity: str | None
    repeat: int
    block: str | None


def read_bout_list(
    path: Path, *, shown_as: str, zone: tzinfo | None, anchor_ms: int | None, clock: str | None
) -> BoutList:
    """Read an interval list.

    Parameters
    ----------
    path : Path
    shown_as : str
        The path as messages name it.
    zone : tzinfo or None
        For instants without an offset.
    anchor_ms : int or None
        What durations, and starts and ends in seconds, count from; milliseconds since 1970.
    clock : str or None
        The device whose clock the times are on.

    Returns
    -------
    BoutList
        Bouts in order of time, without overlap. Names may occur more than once.

    Raises
    ------
    FormatError
        With file, line and value, if anything in the list cannot be understood.
    """
    try:
        table = read_table(path, required=(), known=())
        costly = next((problem for problem in table.problems if problem.costs), None)
        if table.headings:
            columns, units, unused = _columns(table)
        if costly is not None:
            raise StudyError(costly.said, slug=costly.slug, line=costly.line, value=costly.value)
        steps = [_step(row, columns, units, zone) for row in table.rows]
        bouts = tuple(_placed(steps, columns, anchor_ms=anchor_ms, clock=clock))
    except StudyError as error:
        raise FormatError(
            error.message, slug=error.slug, file=shown_as, line=error.line, value=error.value
        ) from error.__cause__
    anchored = any(step.start is None or step.start.utc_ms is None for step in steps[:1]) or any(
        when is not None and when.utc_ms is None for step in steps for when in (step.start, step.end)
    )
    return BoutList(bouts=bouts, anchored=anchored, unused=unused)


def _columns(table: Table) -> tuple[dict[str, str], dict[str, float], tuple[str, ...]]:
    """Heading of each meaning, seconds in its unit, and the headings left over."""
    plain: dict[str, tuple[str, float | None]] = {}
    for heading in table.headings:
        word = heading.strip().casefold()
        unit = _UNIT.search(word)
        stem = word[: unit.start()] if unit else word
        if unit and stem in (*KNOWN["start"], *KNOWN["end"], *KNOWN["duration"]):
            plain.setdefault(stem, (heading, UNIT_S[unit[1]]))
        else:
            plain.setdefault(word, (heading, None))
    columns: dict[str, str] = {}
    units: dict[str, float] = {}
    for meaning, names in KNOWN.items():
        found = next((plain[name] for name in names if name in plain), None)
        if found is not None:
            columns[meaning] = found[0]
            units[meaning] = found[1] or 1.0
    if "duration" not in columns and "start" not in columns:
        said = (
            f"expected an interval list with a heading duration or start, got {listed(table.headings, word='and')}; "
            "the forms are in the documentation, page Bouts from files"
        )
        raise StudyError(said, slug="bout-list-heading", line=1)
    return columns, units, tuple(heading for heading in table.headings if heading not in columns.values())


def _step(row: Row, columns: dict[str, str], units: dict[str, float], zone: tzinfo | None) -> _Step:
    def text(meaning: str) -> str | None:
        return row.text(columns[meaning]) if meaning in columns else None

    times = {meaning: _time(row, columns.get(meaning), units.get(meaning, 1.0), zone) for meaning in ("start", "end")}
    seconds = None
    if (length := text("duration")) is not None:
        seconds = _seconds(length, units["duration"])
        if seconds is None:
            said = f"expected a duration (240, 4:00, 1:04:00, 4 min, 4 min 30 s), got {shown(length)}"
            raise row.fail(columns["duration"], said, slug="bout-list-duration", value=length)
        if seconds <= 0:
            said = f"expected a duration longer than nothing, got {shown(length)}"
            raise row.fail(columns["duration"], said, slug="bout-list-duration", value=length)
    repeat = 1
    if (count := text("repeat")) is not None:
        if not count.isdecimal() or not 1 <= int(count) <= 999:
            said = f"expected how often it was done (1 to 999), got {shown(count)}"
            raise row.fail(columns["repeat"], said, slug="bout-list-repeat", value=count)
        repeat = int(count)
    if repeat > 1 and (times["start"] is not None or times["end"] is not None):
        said = (
            "expected a duration, and neither start nor end, for steps that repeat; or write each as a row of its own"
        )
        raise row.fail(columns["repeat"], said, slug="bout-list-repeat", value=count)
    if seconds is not None and times["end"] is not None and times["start"] is not None:
        said = "expected two of start, end and duration, got all three; leave one of them empty"
        raise row.fail("", said, slug="bout-list-three", value=length)
    return _Step(
        row=row,
        name=text("name"),
        start=times["start"],
        end=times["end"],
        seconds=seconds,
        activity=text("activity"),
        intensity=text("intensity"),
        repeat=repeat,
        block=text("set"),
    )


def _seconds(text: str, unit_s: float) -> float | None:
    """A written duration in seconds; a bare number is in the heading's unit."""
    text = text.strip()
    if _NUMBER.fullmatch(text):
        return float(text.replace(",", ".")) * unit_s
    colons = _COLONS.fullmatch(text)
    if colons is not None and unit_s < UNIT_S["h"]:
        hours, minutes, seconds = (float((part or "0").replace(",", ".")) for part in colons.groups())
        return 3600.0 * hours + 60.0 * minutes + seconds if hours == 0 or minutes < 60 else None
    words = _WORDS.fullmatch(text)
    if words is None:
        return None
    parts = {name: float(part.replace(",", ".")) for name, part in words.groupdict().items() if part}
    return sum(UNIT_S[name] * part for name, part in parts.items()) if parts else None


def _time(row: Row, heading: str | None, unit_s: float, zone: tzinfo | None) -> When | None:
    """A start or an end: an instant, or seconds from the anchor."""
    text = None if heading is None else row.text(heading)
    if heading is None or text is None:
        return None
    if _COLONS.fullmatch(text):
        seconds = _seconds(text, 1.0)
        if seconds is not None:
            return When(offset_s=seconds)
    when = row.when(heading, zone, offsets=True)
    if when is not None and when.offset_s is not None:
        return When(offset_s=when.offset_s * unit_s)
    return when


def _placed(
    steps: list[_Step], columns: dict[str, str], *, anchor_ms: int | None, clock: str | None
) -> Iterator[NewBout]:
    """Bouts one after the other."""
    _refuse_time_of_day(steps, columns)
    ordered = [step for _, block in groupby(steps, key=lambda s: (s.block, s.repeat)) for step in _rounds(list(block))]
    if len(ordered) > MOST:
        said = f"expected at most {MOST} bouts, got {len(ordered)} with all repeats"
        raise StudyError(said, slug="bout-list-repeat", line=steps[0].row.line)
    at_ms = anchor_ms
    for place, step in enumerate(ordered):
        start_ms = at_ms if step.start is None else _instant(step.start, anchor_ms, step.row)
        if start_ms is None:
            raise _no_anchor(step.row)
        if step.end is not None:
            end_ms = _instant(step.end, anchor_ms, step.row)
        elif step.seconds is not None:
            end_ms = start_ms + round(1000 * step.seconds)
        else:
            following = ordered[place + 1].start if place + 1 < len(ordered) else None
            if following is None:
                said = "expected a duration, an end, or a start in the row after, to know how long it was, found none"
                raise step.row.fail("", said, slug="bout-list-open")
            end_ms = _instant(following, anchor_ms, step.row)
        if end_ms <= start_ms:
            said = "expected an end after the start; look at this row's times and at those of the row after"
            raise step.row.fail("", said, slug="end-before-start")
        if at_ms is not None and start_ms < at_ms and place:
            said = f"expected a start after the end of the row before, got one {(at_ms - start_ms) / 1000:g} s earlier"
            raise step.row.fail("", said, slug="bout-list-overlap")
        at_ms = end_ms
        if "name" in columns and step.name is step.activity is step.intensity is None:
            continue  # a pause
        yield NewBout(
            name=" ".join((step.name or f"step {place + 1}").split()),
            start_ms=start_ms,
            end_ms=end_ms,
            source_row=step.row.line,
            activity=step.activity,
            intensity=step.intensity,
            clock=clock,
        )


def _rounds(block: list[_Step]) -> list[_Step]:
    """Rows that follow one another with the same count are done in turn, that many times."""
    return block * block[0].repeat


def _instant(when: When, anchor_ms: int | None, row: Row) -> int:
    if when.utc_ms is not None:
        return when.utc_ms
    if anchor_ms is None:
        raise _no_anchor(row)
    return when.at_ms(anchor_ms)


def _no_anchor(row: Row) -> StudyError:
    said = "this counts from a start that is not known. Give the session's start in sessions.csv, or --from"
    return row.fail("", said, slug="bouts-anchor")


def _refuse_time_of_day(steps: list[_Step], columns: dict[str, str]) -> None:
    """Starts such as 9:05 could be times of day; they are not if the list begins at 0:00."""
    heading = columns.get("start")
    written = [(s, text) for s in steps if heading is not None and (text := s.row.text(heading)) and ":" in text]
    first = next(((s, text) for s, text in written if _COLONS.fullmatch(text)), None)
    if first is None or heading is None or (first[0].start or When()).offset_s == 0:
        return
    step, text = first
    said = (
        f"expected a date and time, seconds, or minutes and seconds in a list that begins at 0:00, got {shown(text)}, "
        "which could be a time of day; write it as one of these"
    )
    raise step.row.fail(heading, said, slug="bout-list-clock", value=text)
