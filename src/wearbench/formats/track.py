"""What TCX and GPX have in common: points in XML with a time and values, read as a stream."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import IO, Final, Protocol
from xml.etree.ElementTree import Element, ParseError

import numpy as np

from wearbench.errors import FormatError
from wearbench.formats.build import plain_column, settle_and_build, too_many
from wearbench.formats.numbers import cells_of, parse_numbers
from wearbench.formats.recording import FileContent, Lap, ReadContext, Repair
from wearbench.formats.stamps import BAD, parse_stamps
from wearbench.formats.textlines import encoding_of

__all__ = ["LapKeeper", "local_name", "read_track", "root_name"]

_WHOLE: Final = ("trackpoint", "trkpt", "creator")
QUANTITIES: Final = ("heart_rate", "cadence", "power", "speed")


@lru_cache(maxsize=512)
def local_name(tag: object) -> str:
    """Name of an element without its namespace, in lower case."""
    return str(tag).rpartition("}")[2].casefold()


def root_name(head: bytes) -> str | None:
    """Local name of an XML file's first element, in lower case; None if the bytes are no XML."""
    encoding = encoding_of(head)
    text = head.decode(encoding if encoding != "utf-32" else "utf-8", "replace").lstrip("\ufeff \t\r\n")
    if not text.startswith("<"):
        return None
    at = 0
    while (at := text.find("<", at)) >= 0:
        if text.startswith("<?", at):
            at = text.find("?>", at)
        elif text.startswith("<!--", at):
            at = text.find("-->", at)
        elif text.startswith("<!", at):
            at = text.find("]>" if "[" in text[at : text.find(">", at) + 1] else ">", at)
        else:
            name = text[at + 1 :].split(">")[0].split()[:1]
            return name[0].rstrip("/").rpartition(":")[2].casefold() if name else None
        if at < 0:
            return ""
    return ""


class LapKeeper(Protocol):
    """What gathers laps while a track is read."""

    def starts(self, element: Element) -> None:
        """Take an element that begins, with its attributes and no content yet."""

    def ends(self, element: Element) -> None:
        """Take an element other than a point that is whole."""

    def point(self, text: str) -> None:
        """Take the time of a point."""

    def laps(self, context: ReadContext) -> tuple[tuple[Lap, ...], list[Repair]]:
        """Give the laps gathered, and their repairs."""


@dataclass(kw_only=True, slots=True)
class _Points:
    time: list[str] = field(default_factory=list)
    row: list[int] = field(default_factory=list)
    values: dict[str, list[str]] = field(default_factory=lambda: {name: [] for name in QUANTITIES})
    strides: bool = False
    n: int = 0


def read_track(
    path: Path,
    context: ReadContext,
    *,
    point_name: str,
    format_name: str,
    values_of: Callable[[Element], dict[str, str]],
    on_other: Callable[[Element, dict[str, str]], None],
    keeper: LapKeeper | None = None,
) -> FileContent:
    """Read points with a time and values.

    Parameters
    ----------
    path : Path
    context : ReadContext
    point_name : str
        Local name of a point, in lower case.
    format_name : str
        For messages and ``FileContent.format``.
    values_of : callable
        From a point to its texts: ``time`` and quantities; ``strides`` when its cadence counts strides.
    on_other : callable
        Called with every other element that ends, and the facts to add to.
    keeper : LapKeeper or None
        For formats that have laps.

    Returns
    -------
    FileContent

    Raises
    ------
    FormatError
        If the XML declares entities, is no XML from its start, or holds no point with a time (which with
        ``context.laps_only`` is no error).
    """
    points = _Points()
    facts: dict[str, str] = {}
    repairs: list[Repair] = []
    with path.open("rb") as handle:
        for element in _elements(handle, points, context, repairs, format_name=format_name, keeper=keeper):
            if local_name(element.tag) != point_name:
                on_other(element, facts)
                if keeper is not None:
                    keeper.ends(element)
                continue
            points.n += 1
            found = values_of(element)
            points.strides |= "strides" in found
            if "time" not in found:
                continue
            if keeper is not None:
                keeper.point(found["time"])
            if context.laps_only:
                continue
            points.time.append(found["time"])
            points.row.append(points.n)
            for name, column in points.values.items():
                column.append(found.get(name, ""))
            if len(points.time) > context.max_readings:
                raise too_many(context)
    if context.laps_only:
        laps, more = keeper.laps(context) if keeper is not None else ((), [])
        return FileContent(
            path=path, format=format_name, recordings=(), repairs=(*repairs, *more), facts=facts, laps=laps
        )
    return _content(path, context, points, facts, repairs, format_name=format_name, keeper=keeper)


def _elements(
    handle: IO[bytes],
    points: _Points,
    context: ReadContext,
    repairs: list[Repair],
    *,
    format_name: str,
    keeper: LapKeeper | None,
) -> Iterator[Element]:
    """Elements as they end, each dropped from its parent afterwards; stops at the first fault."""
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import iterparse

    stack: list[Element] = []
    within = 0
    try:
        for event, element in iterparse(handle, events=("start", "end"), forbid_dtd=False):
            whole = local_name(element.tag) in _WHOLE
            if event == "start":
                stack.append(element)
                within += whole
                if keeper is not None and not within:
                    keeper.starts(element)
                continue
            stack.pop()
            within -= whole
            if within:
                continue
            yield element
            if stack:
                stack[-1].remove(element)
    except DefusedXmlException:
        raise FormatError(
            f"expected a {format_name.upper()} file without entities, got one that declares some, which is how harmful "
            "files grow; export the recording again",
            slug="xml-entities",
            file=context.shown,
        ) from None
    except ParseError as error:
        line = error.position[0]
        if points.n == 0:
            raise FormatError(
                f"expected {format_name.upper()} points, got XML that breaks off before the first; copy the file again",
                slug="xml-broken",
                file=context.shown,
                line=line,
            ) from None
        repairs.append(
            Repair(
                slug="xml-truncated",
                said=f"the XML breaks off at line {line} after {points.n} points; kept these",
                file=context.shown,
                line=line,
            )
        )


def _content(
    path: Path,
    context: ReadContext,
    points: _Points,
    facts: dict[str, str],
    repairs: list[Repair],
    *,
    format_name: str,
    keeper: LapKeeper | None,
) -> FileContent:
    if not points.time:
        raise FormatError(
            f"expected points with a time, got {points.n} points and none with a time; export the recording with its "
            "times",
            slug="no-time",
            file=context.shown,
        )
    untimed = points.n - len(points.time)
    stamps = parse_stamps(cells_of(points.time))
    good = stamps.state != BAD
    if not good.all():
        untimed += int((~good).sum())
    if untimed:
        repairs.append(
            Repair(
                slug="rows-skipped",
                said=f"{untimed} of {points.n} points have no time that can be read; left out",
                file=context.shown,
                count=untimed,
            )
        )
    columns = []
    for name, texts in points.values.items():
        if any(texts):
            value, _ = parse_numbers(cells_of(texts))
            columns.append(plain_column(name, value[good]))
    if not columns:
        raise FormatError(
            f"expected heart rate, cadence, power or speed, got {points.n} points without any of these; export the "
            "recording with its sensors",
            slug="no-numbers",
            file=context.shown,
        )
    row = np.array(points.row, dtype=np.int64)[good]
    recordings, more = settle_and_build(
        columns, ms=stamps.ms[good], state=stamps.state[good], source_row=row, context=context, word="point"
    )
    if points.strides and any(made.quantity == "cadence" for made in recordings):
        facts["cadence_unit"] = "strides/min"
    laps: tuple[Lap, ...] = ()
    if keeper is not None:
        laps, said = keeper.laps(context)
        more = [*more, *said]
    return FileContent(
        path=path, format=format_name, recordings=tuple(recordings), repairs=(*repairs, *more), facts=facts, laps=laps
    )
