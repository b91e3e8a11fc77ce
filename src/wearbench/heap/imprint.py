"""What is kept of a file once read: enough to tell whose it is, when it was made and what else says the same."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from wearbench.errors import FormatError, WearbenchError
from wearbench.formats import FileContent, Intervals, Layout, ReadContext, Readings, Signal, read_file

__all__ = ["BIN_MS", "Imprint", "Stretch", "Track", "imprint_of"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

BIN_MS: Final = 15_000
"""Values are kept as means over bins of this length, in ms."""
FAST_MS: Final = 30_000
"""Readings closer together than this belong to a recording that was switched on."""
JOIN_MS: Final = 600_000
SHORTEST_MS: Final = 120_000
_HEAD_BYTES: Final = 2048
_SHOWN_LINES: Final = 3
_OWNER: Final = re.compile(
    r"""^[#"'\s]*
    (serial|serial[ _]?(?:no|number|nr)|device|device[ _]?(?:id|name)|sensor|sensor[ _]?id|unit|model|recorder)
    ["']?\s*[:=,;\t]\s*["']?([^"',;\t]{2,60})["']?\s*$""",
    re.IGNORECASE | re.VERBOSE,
)
_FILE_FACTS: Final = ("date_order", "heading_line", "software_version", "sport", "time", "kind")


class Stretch(msgspec.Struct, frozen=True):
    """An unbroken run of readings; ms, and whether they came in quick succession."""

    start_ms: int
    end_ms: int
    n: int
    fast: bool


class Track(msgspec.Struct, frozen=True):
    """One recording of a file, shrunk.

    ``curve`` holds means over bins of :data:`BIN_MS` (float32, NaN where there is nothing) from bin ``first_bin`` on;
    ``beats`` RR intervals in tenths of a millisecond (uint16). ``step_ms`` is the usual interval, ``grain`` the
    smallest step between values, ``whole_seconds`` whether all stamps are.
    """

    quantity: str
    kind: str
    unit: str
    n: int
    start_ms: int | None
    end_ms: int | None
    placed: bool
    step_ms: int
    grain: float
    whole_seconds: bool
    stretches: tuple[Stretch, ...]
    first_bin: int
    curve: bytes
    beats: bytes

    def values(self) -> F64:
        """Means over bins, from ``first_bin`` on."""
        return np.frombuffer(self.curve, dtype=np.float32).astype(np.float64)

    def intervals_ms(self) -> F64:
        """RR intervals, ms."""
        return np.frombuffer(self.beats, dtype=np.uint16) / 10.0


class Imprint(msgspec.Struct, frozen=True):
    """What is kept of one file.

    ``local`` tells that its stamps carry no offset and were read in the zone given, or, without one, as they stand.
    ``problem`` is why it could not be read (slug, message, line), with the first lines of the file in ``head``.
    """

    sha256: str
    bytes: int
    format: str | None
    facts: dict[str, str]
    owner: dict[str, str]
    head: tuple[str, ...]
    tracks: tuple[Track, ...]
    local: bool
    problem: tuple[str, str, int | None] | None = None

    @property
    def start_ms(self) -> int | None:
        """First instant of the file; None if nothing in it has a place on the calendar."""
        return min((t.start_ms for t in self.tracks if t.placed and t.start_ms is not None), default=None)

    @property
    def end_ms(self) -> int | None:
        """Last instant of the file."""
        return max((t.end_ms for t in self.tracks if t.placed and t.end_ms is not None), default=None)

    @property
    def quantities(self) -> tuple[str, ...]:
        """What it holds, in the order of the file."""
        return tuple(dict.fromkeys(track.quantity for track in self.tracks))

    def manner(self) -> tuple[str, ...]:
        """How the file is written: the same for all files that one recorder writes through one program."""
        facts = (f"{key}={value}" for key, value in sorted(self.facts.items()) if key not in _FILE_FACTS)
        return (self.format or "", *facts, *sorted(self.quantities), "local" if self.local else "fixed")


@dataclass(slots=True)
class _Asked(tzinfo):
    """A zone that remembers whether a stamp without offset needed it."""

    zone: tzinfo | None
    asked: bool = False

    def utcoffset(self, moment: datetime | None) -> timedelta | None:
        self.asked = True
        if self.zone is None:
            return timedelta(0)
        return None if moment is None else moment.replace(tzinfo=self.zone).utcoffset()

    def dst(self, moment: datetime | None) -> timedelta | None:
        if self.zone is None or moment is None:
            return None
        return moment.replace(tzinfo=self.zone).dst()

    def tzname(self, moment: datetime | None) -> str:
        del moment
        return "local"

    def fromutc(self, moment: datetime) -> datetime:
        real = self.zone or timezone(timedelta(0))
        return moment.replace(tzinfo=real).astimezone(real).replace(tzinfo=self)


def imprint_of(
    path: Path,
    *,
    sha256: str | None = None,
    zone: tzinfo | None = None,
    layout: Layout | None = None,
    quantity: str | None = None,
) -> Imprint:
    """Read a file and keep what sorting needs.

    Parameters
    ----------
    path : Path
    sha256 : str or None
        Of the file, if it is known already.
    zone : tzinfo or None
        For stamps without offset; None reads them as if they were UTC, with ``local`` set.
    layout : Layout or None
    quantity : str or None
        What the file's name says it holds.

    Returns
    -------
    Imprint
        With ``problem`` set if the file could not be read; never raises for a bad file.
    """
    size = path.stat().st_size
    digest = sha256 or digest_of(path)
    head = _head_lines(path)
    asked = _Asked(zone)
    context = ReadContext(shown=path.name, zone=asked, layout=layout, quantity=quantity)
    try:
        content = read_file(path, context)
        if not content.recordings:
            raise FormatError("expected readings, got none that are known", slug="no-values", file=path.name)
    except WearbenchError as error:
        problem = (error.slug, error.message, error.line)
    except OSError as error:
        problem = ("cannot-read", str(error.strerror or error), None)
    else:
        return Imprint(
            sha256=digest,
            bytes=size,
            format=content.format,
            facts=dict(content.facts),
            owner=_owner(content, head),
            head=head[:_SHOWN_LINES],
            tracks=tuple(track for recording in content.recordings if (track := _track(recording)) is not None),
            local=asked.asked,
        )
    return Imprint(
        sha256=digest,
        bytes=size,
        format=None,
        facts={},
        owner={},
        head=head[:_SHOWN_LINES],
        tracks=(),
        local=False,
        problem=problem,
    )


def digest_of(path: Path) -> str:
    """The sha256 of a file."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _head_lines(path: Path) -> tuple[str, ...]:
    """First lines of a text file; none of a binary one."""
    try:
        with path.open("rb") as handle:
            data = handle.read(_HEAD_BYTES)
    except OSError:
        return ()
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", "replace")
    elif 0 in data:
        return ()
    else:
        text = data.decode("utf-8-sig", "replace")
    return tuple(line[:100] for line in text.splitlines()[:20] if line.strip() and line.isprintable())


def _owner(content: FileContent, head: tuple[str, ...]) -> dict[str, str]:
    """What the file says of the thing that recorded it."""
    found: dict[str, str] = {}
    for key, value in content.facts.items():
        if any(word in key for word in ("serial", "product", "manufacturer", "equipment")) and value.strip():
            found[key] = value.strip()
    for line in head:
        match = _OWNER.match(line) if content.format in ("delimited", "rr_list") else None
        if match is not None:
            found[re.sub(r"[\s_]+", "_", match[1].casefold())] = match[2].strip()
    return found


def _track(recording: Readings | Intervals | Signal) -> Track | None:
    if isinstance(recording, Signal):
        return _signal(recording)
    beats = b""
    if isinstance(recording, Intervals):
        value = recording.interval_ms
        if value.size == 0:
            return None
        beats = np.clip(np.rint(np.nan_to_num(value) * 10), 0, 65535).astype(np.uint16).tobytes()
        time = recording.stamp_ms
        if time is None:
            time = (recording.start_ms or 0) + np.rint(np.cumsum(np.nan_to_num(value))).astype(np.int64)
        with np.errstate(divide="ignore"):
            rate = np.where((value > 250) & (value < 2400), 60_000.0 / value, np.nan)
        kind, unit = "intervals", "ms"
    else:
        value, time = recording.value, recording.time_ms
        if value.size == 0:
            return None
        rate = np.where((value == 0) | (value == 255), np.nan, value) if recording.quantity != "power" else value
        kind, unit = "readings", recording.unit
    gaps = np.diff(time)
    first_bin, curve = _curve(time, rate)
    return Track(
        quantity=recording.quantity,
        kind=kind,
        unit=unit,
        n=int(value.size),
        start_ms=int(time.min()),
        end_ms=int(time.max()),
        placed=recording.start_known,
        step_ms=int(np.median(gaps)) if gaps.size else 0,
        grain=_grain(value),
        whole_seconds=not bool(np.any(time % 1000)),
        stretches=_stretches(time),
        first_bin=first_bin,
        curve=curve,
        beats=beats,
    )


def _signal(signal: Signal) -> Track | None:
    if not signal.segments:
        return None
    spans = [(s.start_ms, s.start_ms + round(1000 * s.values.size / s.rate_hz), s.values.size) for s in signal.segments]
    return Track(
        quantity=signal.quantity,
        kind="signal",
        unit=signal.unit,
        n=sum(n for _, _, n in spans),
        start_ms=spans[0][0],
        end_ms=spans[-1][1],
        placed=signal.start_known,
        step_ms=round(1000 / signal.segments[0].rate_hz),
        grain=0.0,
        whole_seconds=False,
        stretches=_joined([Stretch(start, end, n, fast=True) for start, end, n in spans]),
        first_bin=spans[0][0] // BIN_MS,
        curve=b"",
        beats=b"",
    )


def _grain(value: F64) -> float:
    """1, 0.1, 0.01 or 0: the coarsest step that all values are multiples of."""
    some = value[np.isfinite(value)][:20_000]
    for grain in (1.0, 0.1, 0.01):
        if bool(np.all(np.abs(some / grain - np.rint(some / grain)) < 1e-6 / grain)):
            return grain
    return 0.0


def _curve(time: I64, value: F64) -> tuple[int, bytes]:
    good = np.isfinite(value)
    if not good.any():
        return 0, b""
    place = time[good] // BIN_MS
    first = int(place.min())
    if int(place.max()) - first > 4_000_000:  # two years: stamps that lie far apart are no one curve
        return first, b""
    count = np.bincount(place - first)
    total = np.bincount(place - first, weights=value[good])
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = total / count
    return first, mean.astype(np.float32).tobytes()


def _stretches(time: I64) -> tuple[Stretch, ...]:
    """Runs in quick succession, joined over short holes, and what lies between them."""
    time = np.sort(time)
    gaps = np.diff(time)
    edges = np.flatnonzero(gaps > FAST_MS)
    starts, ends = np.append(0, edges + 1), np.append(edges, time.size - 1)
    n = ends - starts + 1
    fast = (n >= 20) & (time[ends] - time[starts] >= SHORTEST_MS)
    quick = _joined(
        [
            Stretch(int(time[a]), int(time[b]), int(k), fast=True)
            for a, b, k in zip(starts[fast].tolist(), ends[fast].tolist(), n[fast].tolist(), strict=True)
        ]
    )
    rest = np.repeat(~fast, n)
    for stretch in quick:
        rest &= (time < stretch.start_ms) | (time > stretch.end_ms)
    slow_time = time[rest]
    slow: list[Stretch] = []
    if slow_time.size:
        steps = np.diff(slow_time)
        usual = float(np.median(steps)) if steps.size else 0.0
        cut = np.flatnonzero(steps > max(3 * JOIN_MS, 10 * usual))
        pieces = np.split(slow_time, cut + 1)
        slow = [Stretch(int(piece[0]), int(piece[-1]), int(piece.size), fast=False) for piece in pieces]
    return tuple(sorted((*quick, *slow), key=lambda s: s.start_ms))


def _joined(found: list[Stretch]) -> tuple[Stretch, ...]:
    out: list[Stretch] = []
    for stretch in sorted(found, key=lambda s: s.start_ms):
        if out and stretch.start_ms - out[-1].end_ms <= JOIN_MS:
            last = out.pop()
            stretch = Stretch(last.start_ms, max(last.end_ms, stretch.end_ms), last.n + stretch.n, fast=True)
        out.append(stretch)
    return tuple(out)


def plain(imprint: Imprint) -> dict[str, Any]:
    """What a program may want to see of it."""
    return {
        "format": imprint.format,
        "quantities": list(imprint.quantities),
        "start_ms": imprint.start_ms,
        "end_ms": imprint.end_ms,
        "facts": imprint.facts,
    }
