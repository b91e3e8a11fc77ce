"""Notes of versions: text files whose lines say on which day which device showed which version."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, tzinfo
from typing import Final

from wearbench.heap.files import HeapFile
from wearbench.heap.recorders import Recorder

__all__ = ["VersionNote", "VersionRow", "read_version_notes"]

_MOST_BYTES: Final = 65_536
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_YMD: Final = r"(\d{4})\s*[-/.\u5e74\ub144]\s*(\d{1,2})\s*[-/.\u6708\uc6d4]\s*(\d{1,2})\s*[\u65e5\uc77c]?(?!\d)"
_DATES: Final = (
    ("ymd", re.compile(_YMD)),
    ("dmy", re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4}|\d{2})(?!\d)")),
    ("either", re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})(?!\d)")),
    ("dby", re.compile(r"(\d{1,2})\.?\s+([^\W\d_]{3,9})\.?,?\s+(\d{4})(?!\d)")),
    ("bdy", re.compile(r"([^\W\d_]{3,9})\.?\s+(\d{1,2}),?\s+(\d{4})(?!\d)")),
)
_TIME: Final = re.compile(r"[T,;\s]*(\d{1,2}):(\d{2})(?::(\d{2}))?(?!\d)")
_VERSION: Final = re.compile(
    r"(?<![\w.,])[vV]?(\d{1,4}(?:\.\d{1,5}){1,4}(?:-?[a-z]{1,5}\d{0,3})?|(?<=[vV])\d{1,5})(?![\w]|[.,]\d)"
)
_REMARK: Final = re.compile(r"\([^()]*\)|\uff08[^\uff08\uff09]*\uff09|\[[^\[\]]*\]")
_FILLERS: Final = frozenset(("v", "ver", "version", "fw", "firmware", "software", "sw", "rev", "release"))
_PARTS: Final = frozenset(("app", "server"))
_HEADER: Final = ("firmware", "firmware_version", "software_version")
_FROM_FILES: Final = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class VersionRow:
    """One row for versions.csv."""

    device: str
    part: str
    seen_at: datetime
    version: str

    @property
    def key(self) -> tuple[str, str, int, str]:
        """What makes it the same as a row of versions.csv."""
        return self.device, self.part, round(self.seen_at.timestamp() * 1000), self.version


@dataclass(frozen=True, kw_only=True, slots=True)
class VersionNote:
    """What a note says.

    Attributes
    ----------
    file : HeapFile
    rows : tuple of VersionRow
        In order of time, without the ``n_there`` that versions.csv has already.
    unknown : tuple of str
        Names in it that are of no device.
    by_files : dict
        Name in it -> device, matched because the device's files name the same versions.
    days_only : bool
        Whether days without a time of day stand in it.
    """

    file: HeapFile
    rows: tuple[VersionRow, ...]
    unknown: tuple[str, ...]
    by_files: dict[str, str]
    days_only: bool
    n_there: int = 0

    @property
    def understood(self) -> bool:
        """Whether it says something of a device of the study."""
        return bool(self.rows) or self.n_there > 0


@dataclass(frozen=True, kw_only=True, slots=True)
class _Line:
    day: date
    clock: time | None
    pairs: tuple[tuple[str, str, str], ...]
    """Name (as written, may be empty), part, version."""


def read_version_notes(
    files: Sequence[HeapFile],
    devices: Sequence[Recorder],
    *,
    roles: dict[str, str],
    labels: dict[str, str],
    zone: tzinfo | None,
    there: frozenset[tuple[str, str, int, str]] = frozenset(),
) -> list[VersionNote]:
    """Read those of some files that are notes of versions.

    Parameters
    ----------
    files : sequence of HeapFile
        That are no recordings.
    devices : sequence of Recorder
    roles, labels : dict
        Of devices, by name; ``labels`` as the study has them.
    zone : tzinfo or None
        Of the days in them.
    there : set of tuple
        Device, part, ms since 1970 and version of the rows that versions.csv has.

    Returns
    -------
    list of VersionNote
        Files that are something else are not among them.

    Notes
    -----
    Own rule. A note is a text in which every line with a date is a date and then names and versions, with nothing else
    but remarks in brackets; lines without a date and without a version are passed over. A day without a time counts as
    a whole for the first sighting of a device, and for a version seen before; as its end for a version that is new,
    since the update may have come at any hour of it.
    """
    out = []
    for file in files:
        known = _names(devices, labels)
        lines = _lines_of(file, known)
        if lines is None:
            continue
        by_files = _by_files(lines, known, devices)
        only = [d.name for d in devices if roles.get(d.name) == "tested"]
        named = known | by_files | ({"": only[0]} if len(only) == 1 else {})
        said = {name for line in lines for name, _, _ in line.pairs}
        left = sorted(name for name in said if _plain(name) not in named)
        rows = _rows(lines, named, zone or UTC)
        out.append(
            VersionNote(
                file=file,
                rows=tuple(row for row in rows if row.key not in there),
                n_there=sum(row.key in there for row in rows),
                unknown=tuple(left),
                by_files={name: by_files[_plain(name)] for name in sorted(said) if _plain(name) in by_files},
                days_only=any(line.clock is None for line in lines),
            )
        )
    return out


def _plain(text: str) -> str:
    """Without accents, case and space around."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join(bare.casefold().split())


def _names(devices: Sequence[Recorder], labels: dict[str, str]) -> dict[str, str]:
    names = {_plain(label): device for device, label in labels.items()}
    return names | {_plain(device.name): device.name for device in devices}


def _lines_of(file: HeapFile, known: dict[str, str]) -> list[_Line] | None:
    """The dated lines of a note; None if it is something else."""
    if file.imprint.problem is None or not 0 < file.imprint.bytes <= _MOST_BYTES:
        return None
    text = _text(file)
    if text is None:
        return None
    dated: list[tuple[str, re.Match[str], str]] = []
    for raw in text.splitlines():
        line = _REMARK.sub(" ", raw).strip(" \t\"'-*\u2022#|")
        found = next(((kind, match) for kind, form in _DATES if (match := form.match(line)) is not None), None)
        if found is not None:
            dated.append((*found, line[found[1].end() :]))
        elif _VERSION.search(line) is not None:
            return None
    day_first = _day_first(dated)
    out = []
    for kind, match, rest in dated:
        day = _day(kind, match, day_first=day_first)
        clock = _TIME.match(rest)
        at = None if clock is None else _clock(clock)
        pairs = _pairs(rest if clock is None else rest[clock.end() :], known)
        if day is None or pairs is None or (clock is not None and at is None):
            return None
        out.append(_Line(day=day, clock=at, pairs=pairs))
    return out or None


def _text(file: HeapFile) -> str | None:
    try:
        data = file.path.read_bytes()
    except OSError:
        return None
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    if 0 in data:
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _day_first(dated: Iterable[tuple[str, re.Match[str], str]]) -> bool | None:
    """Which of two numbers is the day, by all lines together; None if it stays open."""
    pairs = [(int(match[1]), int(match[2])) for kind, match, _ in dated if kind == "either"]
    if any(a > 12 for a, _ in pairs):
        return True
    return False if any(b > 12 for _, b in pairs) else None


def _day(kind: str, match: re.Match[str], *, day_first: bool | None) -> date | None:
    a, b, c = match.groups()
    if kind == "ymd":
        year, month, day = a, b, c
    elif kind == "dmy" or (kind == "either" and day_first):
        day, month, year = a, b, c
    elif kind == "either" and day_first is not None:
        month, day, year = a, b, c
    elif kind in ("dby", "bdy"):
        word, day, year = (b, a, c) if kind == "dby" else (a, b, c)
        short = _plain(word)[:3]
        month = str(_MONTHS.index(short) + 1) if short in _MONTHS else "0"
    else:
        return None
    try:
        return date(int(year) + (2000 if int(year) < 100 else 0), int(month), int(day))
    except ValueError:
        return None


def _clock(match: re.Match[str]) -> time | None:
    try:
        return time(int(match[1]), int(match[2]), int(match[3] or 0))
    except ValueError:
        return None


def _pairs(text: str, known: dict[str, str]) -> tuple[tuple[str, str, str], ...] | None:
    """Names and versions in a line; None if something else stands in it."""
    found = list(_VERSION.finditer(text))
    if not found or text[found[-1].end() :].strip(" \t.,;:!/|-\"'"):
        return None
    out = []
    start = 0
    for number, match in enumerate(found):
        words = text[start : match.start()].replace(":", " ").replace("=", " ").strip(" \t,;/|-+&\"'")
        name, part = _named(words, known, first=number == 0)
        if name is None:
            return None
        out.append((name, part, match[1]))
        start = match.end()
    return tuple(out)


def _named(words: str, known: dict[str, str], *, first: bool) -> tuple[str | None, str]:
    """The name that ends a piece of text, and the part it speaks of; None if it could be a sentence."""
    part = "device"
    held = words.split()
    while held and (_plain(held[-1]).strip(".") in _FILLERS or _plain(held[-1]) in _PARTS):
        word = _plain(held.pop())
        part = word if word in _PARTS else part
    if not held:
        return "", part
    for take in range(min(4, len(held)), 0, -1):
        name = " ".join(held[-take:])
        if _plain(name) in known:
            return (name if len(held) - take <= 1 else None), part
    # A name that no device has: alone, or after one word such as the day of the week.
    return (held[-1] if len(held) <= (2 if first else 1) else None), part


def _by_files(lines: Sequence[_Line], known: dict[str, str], devices: Sequence[Recorder]) -> dict[str, str]:
    """Names of no device whose versions the files of one device name."""
    noted: dict[str, set[str]] = defaultdict(set)
    for line in lines:
        for name, part, version in line.pairs:
            if part == "device" and name and _plain(name) not in known:
                noted[_plain(name)].add(_number(version))
    out: dict[str, str] = {}
    for name, versions in noted.items():
        fits = [d.name for d in devices if len(held := _header(d)) >= _FROM_FILES and held <= versions]
        rivals = [other for other in noted if other != name and noted[other] & versions]
        if len(fits) == 1 and not rivals and fits[0] not in out.values():
            out[name] = fits[0]
    return out


def _header(device: Recorder) -> set[str]:
    facts = (f.imprint.facts.get(key) for f in device.files for key in _HEADER)
    return {_number(value) for value in facts if value}


def _number(version: str) -> str:
    """One spelling of a version: ``4.30`` of a file and ``4.3`` of a note are one."""
    plain = version.strip().lower().removeprefix("v")
    try:
        return str(float(plain))
    except ValueError:
        return plain


def _rows(lines: Sequence[_Line], named: dict[str, str], zone: tzinfo) -> tuple[VersionRow, ...]:
    out: list[VersionRow] = []
    last: dict[tuple[str, str], str] = {}
    for line in sorted(lines, key=lambda one: (one.day, one.clock or time.max)):
        for name, part, version in line.pairs:
            device = named.get(_plain(name))
            if device is None:
                continue
            clocks = [line.clock] if line.clock else [time(23, 59, 59)]
            if line.clock is None and last.get((device, part), version) == version:
                clocks.insert(0, time(0, 0))
            for clock in clocks:
                at = datetime.combine(line.day, clock, tzinfo=zone)
                out.append(VersionRow(device=device, part=part, seen_at=at, version=version))
            last[device, part] = version
    return tuple(dict.fromkeys(out))
