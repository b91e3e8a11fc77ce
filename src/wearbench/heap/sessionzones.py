"""Zones of sessions: where stamps without offset lie right only in another zone; proposed and said, else asked."""

from __future__ import annotations

import fnmatch
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import cache
from typing import Final

from wearbench.heap.clocks import Off, Timeline
from wearbench.heap.files import HeapFile
from wearbench.heap.likeness import overlap_ms
from wearbench.heap.occasions import LONGEST_MS, PAUSE_MS, Occasion, extent, runs_of
from wearbench.heap.recorders import Recorder

__all__ = ["SessionZone", "ZoneDoubt", "Zones", "find_zones", "unexplained"]

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_NEAR_MS: Final = 3 * 86_400_000
_LEAST_SESSIONS: Final = 2
_LIES_IN: Final = 0.6
_CLOSE: Final = 0.5
_CLEARLY: Final = 0.3


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionZone:
    """Sessions in which stamps without offset were written in another zone than the study's.

    ``devices`` are those whose stamps show it, ``answered`` tells that a person said so.
    """

    zone: str
    occasions: tuple[Occasion, ...]
    devices: tuple[str, ...]
    answered: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class ZoneDoubt:
    """Sessions whose zone someone must say; ``zone`` would fit.

    ``why`` is ``one`` (one session alone needs it), ``between`` (nothing shows whether it held already, or still) or
    ``known`` (sessions.csv has a row that is not rewritten).
    """

    zone: str
    occasions: tuple[Occasion, ...]
    devices: tuple[str, ...]
    why: str


@dataclass(kw_only=True, slots=True)
class Zones:
    """What was found: zones of sessions and of devices, and what must be asked."""

    sessions: list[SessionZone] = field(default_factory=list)
    devices: dict[str, str] = field(default_factory=dict)
    doubts: list[ZoneDoubt] = field(default_factory=list)

    def of(self, occasion: Occasion) -> str | None:
        """The zone proposed for a session."""
        return next((z.zone for z in self.sessions if any(o is occasion for o in z.occasions)), None)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Seen:
    """In an occasion a device's stamps show an offset from UTC (minutes); ``away`` if it is not the study's."""

    device: str
    offset_min: int
    away: bool


def find_zones(
    devices: Sequence[Recorder],
    occasions: Sequence[Occasion],
    *,
    zone: tzinfo | None,
    line: Timeline | None = None,
    own: Sequence[str] = (),
    answered: dict[str, str] | None = None,
) -> Zones:
    """Find sessions, or devices, whose stamps without offset were written in another zone than the study's.

    Parameters
    ----------
    devices : sequence of Recorder
        Their files' ``shifts`` say by how much a stretch had to be moved to follow the reference.
    occasions : sequence of Occasion
        Named, in order of time.
    zone : tzinfo or None
        In which stamps without offset were read; without one nothing can be said.
    line : Timeline or None
        The reference's rate, to decide between two zones where neither was seen.
    own : sequence of str
        Devices whose zone is known.
    answered : dict or None
        Pattern of sessions -> zone, as the person said it.

    Returns
    -------
    Zones

    Notes
    -----
    Own rule. An offset is proposed where two sessions in a row need it, or two devices in one session, where no device
    with local stamps says otherwise, and where a zone of that offset exists. Sessions between them, and after them for
    three days, go with them; so do those next to them that clearly follow the reference in that zone and not in the
    study's (half of the quarter minutes within 6 %, and 0.3 more than in the other). A device alone in needing it in
    all its sessions, while another keeps to the study's zone, has a zone of its own. One session alone may as well be
    a clock that is off: it is asked about.
    """
    found = Zones()
    said = [(o, name) for o in occasions if (name := _answer(o, answered or {})) is not None]
    for name in dict.fromkeys(name for _, name in said):
        _put(found, name, [o for o, theirs in said if theirs == name and o.zone is None], (), answered=True)
    if zone is None:
        return found
    local = [d for d in devices if d.name not in own]
    seen = {id(o): _seen_in(o, local, zone) for o in occasions}
    _devices_of_their_own(found, local, occasions, seen)
    left = [d for d in local if d.name not in found.devices]
    told = {id(o) for o, _ in said}
    open_ = [o for o in occasions if o.zone is None and id(o) not in told]
    for run in _runs_away(open_, seen, set(found.devices)):
        _settle_run(found, run, open_, seen, left, zone=zone, line=line)
    return found


def unexplained(off: Sequence[Off], zones: Zones, occasions: Sequence[Occasion], *, zone: tzinfo | None) -> list[Off]:
    """What is left of the stretches whose clock is off once zones are taken into account."""
    if zone is None:
        return list(off)
    out: list[Off] = []
    for one in off:
        if one.device in zones.devices:
            continue
        rest = []
        for file, stamp in one.seen:
            occasion = _occasion_at(stamp + one.shift_ms, occasions)
            named = None if occasion is None else zones.of(occasion)
            there = None if occasion is None else occasion.zone
            offset = _offset_min(stamp, one.shift_ms, zone)
            known = _fixed_min(named, stamp) if named is not None else None if there is None else _at(there, stamp)
            if not file.imprint.local or known is None or known != offset:
                rest.append((file, stamp))
        if rest:
            out.append(Off(device=one.device, quarter=one.quarter, seen=rest))
    return out


def _answer(occasion: Occasion, answered: dict[str, str]) -> str | None:
    return next((zone for pattern, zone in answered.items() if fnmatch.fnmatchcase(occasion.name or "", pattern)), None)


def _seen_in(occasion: Occasion, devices: Sequence[Recorder], zone: tzinfo) -> list[_Seen]:
    """What each device's stamps show in an occasion: by rate or beats, or as they stand where a file lies in it."""
    out = []
    for device in devices:
        for file in device.files:
            if not file.imprint.local or file.doubt is not None or file.found_ms is not None or file.guessed:
                continue
            read_in = occasion.zone if file.placed is not None and file.session == occasion.name else None
            for stamp, shift in file.shifts:
                if occasion.start_ms - PAUSE_MS <= stamp + shift <= occasion.end_ms + PAUSE_MS:
                    offset = _offset_min(stamp, shift, read_in or zone)
                    out.append(_Seen(device=device.name, offset_min=offset, away=shift != 0))
            if not file.shifts and _lies_in(file, occasion):
                offset = _at(read_in or zone, occasion.start_ms)
                out.append(_Seen(device=device.name, offset_min=offset, away=False))
    return list(dict.fromkeys(out))


def _lies_in(file: HeapFile, occasion: Occasion) -> bool:
    """Whether a short file lies in an occasion as it is stamped."""
    span = extent(file)
    if span is None or span[1] - span[0] > LONGEST_MS:
        return False
    return overlap_ms(span, occasion.span) >= _LIES_IN * (span[1] - span[0]) > 0


def _offset_min(stamp_ms: int, shift_ms: int, zone: tzinfo) -> int:
    """Offset from UTC, in minutes, that stamps read in a zone and moved by a shift were written with."""
    return _at(zone, stamp_ms) - round(shift_ms / 60_000)


def _at(zone: tzinfo, ms: int) -> int:
    offset = (_EPOCH + timedelta(milliseconds=ms)).astimezone(zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() / 60)


def _fixed_min(name: str, ms: int) -> int:
    if name[0] in "+-":
        hours, minutes = name[1:].split(":")
        return (-1 if name[0] == "-" else 1) * (60 * int(hours) + int(minutes))
    return _at(zoneinfo.ZoneInfo(name), ms)


def _named(offset_min: int) -> str:
    sign = "-" if offset_min < 0 else "+"
    return f"{sign}{abs(offset_min) // 60:02d}:{abs(offset_min) % 60:02d}"


@cache
def _in_use(offset_min: int, day: int) -> bool:
    """Whether a zone of that offset exists on a day (days since 1970)."""
    moment = _EPOCH + timedelta(days=day)
    if abs(offset_min) % 60 == 0 and abs(offset_min) <= 720:
        return True
    sought = timezone(timedelta(minutes=offset_min)).utcoffset(None)
    for name in zoneinfo.available_timezones():
        try:
            if moment.astimezone(zoneinfo.ZoneInfo(name)).utcoffset() == sought:
                return True
        except (OSError, ValueError, zoneinfo.ZoneInfoNotFoundError):
            continue
    return False


def _devices_of_their_own(
    found: Zones, devices: Sequence[Recorder], occasions: Sequence[Occasion], seen: dict[int, list[_Seen]]
) -> None:
    """A device that needs one other offset in all its sessions while another keeps to the study's zone."""
    for device in devices:
        mine = [(o, s) for o in occasions for s in seen[id(o)] if s.device == device.name]
        offsets = {s.offset_min for _, s in mine}
        beside = any(not s.away and s.device != device.name for o, _ in mine for s in seen[id(o)])
        sessions = {id(o) for o, _ in mine}
        if len(offsets) != 1 or not all(s.away for _, s in mine) or not beside or len(sessions) < _LEAST_SESSIONS:
            continue
        (offset,) = offsets
        if _in_use(offset, mine[0][0].start_ms // 86_400_000):
            found.devices[device.name] = _named(offset)


def _runs_away(
    occasions: Sequence[Occasion], seen: dict[int, list[_Seen]], without: set[str]
) -> list[tuple[int, list[Occasion]]]:
    """Sessions in a row that need one other offset, no device saying otherwise; silent ones are passed over."""
    runs: list[tuple[int, list[Occasion]]] = []
    going: int | None = None
    for occasion in occasions:
        here = [s for s in seen[id(occasion)] if s.device not in without]
        offsets = {s.offset_min for s in here}
        if not offsets:
            continue
        if len(offsets) > 1 or not all(s.away for s in here):
            going = None
            continue
        (offset,) = offsets
        if offset != going:
            runs.append((offset, []))
            going = offset
        runs[-1][1].append(occasion)
    return runs


def _settle_run(
    found: Zones,
    run: tuple[int, list[Occasion]],
    occasions: Sequence[Occasion],
    seen: dict[int, list[_Seen]],
    devices: Sequence[Recorder],
    *,
    zone: tzinfo,
    line: Timeline | None,
) -> None:
    offset, sure = run
    name = _named(offset)
    first = sure[0].start_ms
    if not _in_use(offset, first // 86_400_000):
        return
    shown = tuple(dict.fromkeys(s.device for o in sure for s in seen[id(o)] if s.device not in found.devices))
    if len(sure) < _LEAST_SESSIONS and len(shown) < _LEAST_SESSIONS:
        found.doubts.append(ZoneDoubt(zone=name, occasions=tuple(sure), devices=shown, why="one"))
        return
    last = sure[-1].start_ms
    quiet = [o for o in occasions if not seen[id(o)] and _has_local(o, devices)]
    heard = [o.start_ms for o in occasions if seen[id(o)]]
    before = max((t for t in heard if t < first), default=None)
    after = min((t for t in heard if t > last), default=None)
    inside = [o for o in quiet if first < o.start_ms < last]
    inside += [o for o in quiet if after is None and last < o.start_ms <= last + _NEAR_MS]
    open_ = [o for o in quiet if all(o is not other for other in inside)]
    asked = [o for o in open_ if o.start_ms < first and (before is None or o.start_ms > before)]
    asked += [o for o in open_ if o.start_ms > last and (after is None or o.start_ms < after)]
    nearer = {id(o): _nearer(o, offset, devices, zone=zone, line=line) for o in asked}
    inside += [o for o in asked if nearer[id(o)] == offset]
    asked = [o for o in asked if nearer[id(o)] is None]
    which = tuple(sorted((*sure, *inside), key=lambda o: o.start_ms))
    _put(found, name, which, shown)
    if asked:
        found.doubts.append(ZoneDoubt(zone=name, occasions=tuple(asked), devices=shown, why="between"))


def _put(
    found: Zones, zone: str, occasions: Sequence[Occasion], devices: tuple[str, ...], *, answered: bool = False
) -> None:
    """Propose a zone for sessions that get a row; the others have one already, which only the person changes."""
    new, known = (tuple(o for o in occasions if o.known is one) for one in (False, True))
    if new:
        found.sessions.append(SessionZone(zone=zone, occasions=new, devices=devices, answered=answered))
    if known:
        found.doubts.append(ZoneDoubt(zone=zone, occasions=known, devices=devices, why="known"))


def _nearer(
    occasion: Occasion, offset_min: int, devices: Sequence[Recorder], *, zone: tzinfo, line: Timeline | None
) -> int | None:
    """The offset, the study's or another, in which local stamps lie right in an occasion; None if that stays open."""
    home = _at(zone, occasion.start_ms)
    votes = set()
    for device in devices:
        for file in device.files:
            if not file.imprint.local or file.doubt is not None or file.found_ms is not None:
                continue
            if file.guessed:  # its own stamps lie in no occasion, moved as others are they do
                votes |= {_offset_min(*file.shifts[0], zone)} if _inside(file, occasion) else set()
                continue
            if line is None:
                continue
            close = [
                max(line.close_at(t, occasion.span, 60_000 * (home - minutes)) for t in file.imprint.tracks)
                for minutes in (home, offset_min)
            ]
            if max(close) >= _CLOSE and abs(close[0] - close[1]) >= _CLEARLY:
                votes.add(home if close[0] > close[1] else offset_min)
    return votes.pop() if len(votes) == 1 else None


def _inside(file: HeapFile, occasion: Occasion) -> bool:
    return any(overlap_ms(span, occasion.span) > 0 for span in runs_of(file))


def _has_local(occasion: Occasion, devices: Sequence[Recorder]) -> bool:
    """Whether a device has readings with local stamps there."""
    return any(
        _inside(file, occasion)
        for device in devices
        for file in device.files
        if file.imprint.local and file.doubt is None
    )


def _occasion_at(ms: int, occasions: Sequence[Occasion]) -> Occasion | None:
    return next((o for o in occasions if o.start_ms - PAUSE_MS <= ms <= o.end_ms + PAUSE_MS), None)
