"""Exports that span sessions: each read once, overlapping ones compared, and cut by the sessions' times."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import Final

import numpy as np

from wearbench.core.clocksearch import search_offsets
from wearbench.quantities import Quantity
from wearbench.recipe.fitting import chosen_readings
from wearbench.recipe.joining import Notes, Outcome, compared_of, merge_two, most_words
from wearbench.recipe.material import FileNote, InputFile, ReferenceMaterial, Series
from wearbench.recipe.pieces import Kind, Piece, concatenated, cut, has_start, items_of, span_ms
from wearbench.recipe.rawfile import read_noted
from wearbench.settings import Settings
from wearbench.study import Session, Study, StudyFile
from wearbench.study.discovery import natural
from wearbench.wording import plural

__all__ = ["Exports", "exports_of", "near_session"]

_KEPT: Final = 48
_READINGS_KEPT: Final = 40_000_000
_WHOLE_BYTES: Final = 64_000_000
"""Larger files are read only from the first session to the last, as far as a clock may be off."""
_LOSS: Final = 0.6
_SURE: Final = 0.3
_COVERED: Final = 0.8
_CLEAR: Final = 0.1
_SLOT_S: Final = 900.0
_SLOT_SEARCH_S: Final = 120.0
_cache: OrderedDict[tuple[object, ...], Exports] = OrderedDict()


@dataclass(frozen=True, kw_only=True, slots=True)
class Exports:
    """All spanning exports of one device, joined: one piece of each kind, over all sessions."""

    pieces: tuple[Piece, ...]
    inputs: tuple[InputFile, ...]
    left_out: tuple[FileNote, ...]
    notes: Notes

    def cut(self, low_ms: int, high_ms: int) -> list[Piece]:
        """What lies in a span of time; kinds with nothing there are left out."""
        pieces = [replace(p, recording=cut(p.recording, low_ms, high_ms)) for p in self.pieces]
        return [p for p in pieces if span_ms(p.recording) is not None]


def exports_of(study: Study, session: Session, device: str) -> Exports:
    """Read and join the spanning exports of a device.

    Parameters
    ----------
    study : Study
    session : Session
        Its zone is that of stamps without an offset, unless the device has its own.
    device : str

    Returns
    -------
    Exports
        Kept for the other sessions as long as the files do not change: a file is read once in each process.

    Notes
    -----
    For a session with a zone of its own only what lies around it is read: elsewhere in the file another zone held, and
    a clock set back there must not move the session's readings.
    """
    files = sorted(
        (file for recording in study.spanning if recording.device == device for file in recording.parts),
        key=lambda file: natural(file.path.name),
    )
    context = study.read_context(files[0], session)
    own_zone = context.zone != study.config.zone and study.config.devices[device].zone is None
    hull = _hull(study, (session,) if own_zone else study.sessions)
    key = (
        tuple(_fingerprint(file) for file in files),
        hull,
        str(context.zone),
        repr(context.layout),
        repr(context.own_quantities),
        own_zone,
        device,
    )
    if key in _cache:
        _cache.move_to_end(key)
        return _cache[key]
    made = _joined(study, session, files, hull, cut_all=own_zone)
    if own_zone and any(s.zone == study.config.zone for s in study.sessions):
        made = replace(made, notes=Notes(repairs=made.notes.repairs))  # compared where the whole of them is read
    _cache[key] = made
    while len(_cache) > _KEPT:
        _cache.popitem(last=False)
    return made


def _fingerprint(file: StudyFile) -> tuple[str, int, int]:
    try:
        status = file.path.stat()
    except OSError:
        return str(file.path), -1, -1
    return str(file.path), status.st_mtime_ns, status.st_size


def _hull(study: Study, sessions: Sequence[Session]) -> tuple[int, int] | None:
    """From the first session to the last, with as much to either side as a clock may be off."""
    timed = [s for s in sessions if s.start_ms is not None and s.end_ms is not None]
    if not timed:
        return None
    low = min(s.start_ms for s in timed if s.start_ms is not None)
    high = max(s.end_ms for s in timed if s.end_ms is not None)
    return low - study.spare_ms, high + study.spare_ms


def _joined(
    study: Study, session: Session, files: list[StudyFile], hull: tuple[int, int] | None, *, cut_all: bool
) -> Exports:
    inputs: list[InputFile] = []
    left_out: list[FileNote] = []
    notes = Notes()
    by_kind: dict[Kind, list[tuple[StudyFile, Piece]]] = {}
    zone: tzinfo | None = None
    for file in files:
        context = study.read_context(file, session)
        zone = context.zone
        most = max(study.config.settings.max_readings, _READINGS_KEPT)
        keep = hull if cut_all or file.bytes > _WHOLE_BYTES else None
        content = read_noted(
            file,
            replace(context, keep_ms=keep, start_ms=None, max_readings=most),
            inputs=inputs,
            repairs=notes.repairs,
            left_out=left_out,
        )
        if content is None:
            continue
        for recording in content.recordings:
            if not has_start(recording):
                said = (
                    "expected stamps with a date, to cut this export by the sessions' times, got"
                    f" {recording.quantity} without; put it in the folder of its session"
                )
                left_out.append(FileNote(slug="spanning-no-start", said=said, file=file.shown))
            elif span_ms(recording) is not None:
                piece = Piece(recording=recording, shown=file.shown, facts=content.facts)
                by_kind.setdefault(piece.kind, []).append((file, piece))
    device = files[0].name.device
    pieces = tuple(_one(group, device=device, zone=zone, notes=notes) for group in by_kind.values())
    return Exports(pieces=pieces, inputs=tuple(inputs), left_out=tuple(left_out), notes=notes)


def _one(group: list[tuple[StudyFile, Piece]], *, device: str, zone: tzinfo | None, notes: Notes) -> Piece:
    """Join exports of one kind: the one that reaches further goes before the others, of two equal the later by name."""
    order = sorted(
        group, key=lambda pair: ((span_ms(pair[1].recording) or (0, 0))[1], natural(pair[0].path.name)), reverse=True
    )
    newest = order[0][1]
    held = newest
    for number_, (file, piece) in enumerate(order[1:], start=1):
        begins, (_, ends) = (span_ms(held.recording) or (0, 0))[0], span_ms(piece.recording) or (0, 0)
        if ends < begins:
            recording = concatenated(piece.recording, held.recording)
            held = replace(held, recording=recording, facts=piece.facts | held.facts)
            continue
        later = next(
            (one for one in reversed(order[:number_]) if (span_ms(one[1].recording) or (0, 0))[0] <= ends), order[0]
        )
        one_clock = file.name.copy == later[0].name.copy
        merged = merge_two(held.recording, piece.recording, one_clock=one_clock)
        if merged is None:
            said = f"has nothing in common with {later[1].shown} although both cover the same time; kept aside"
            notes.warnings.append(FileNote(slug="export-kept-aside", said=said, file=piece.shown))
            continue
        two = merge_two(later[1].recording, piece.recording, one_clock=one_clock)
        if two is not None and two[1].n_both:
            _compare(two[1], later[1], piece, device=device, zone=zone, notes=notes)
        held = replace(held, recording=merged[0], facts=piece.facts | held.facts)
    return held


def _compare(outcome: Outcome, later: Piece, earlier: Piece, *, device: str, zone: tzinfo | None, notes: Notes) -> None:
    word = items_of(later.recording)
    differ = outcome.n_both - outcome.n_identical
    files = f"the exports {earlier.shown} (to {_day(earlier, zone)}) and {later.shown} (to {_day(later, zone)})"
    if differ:
        most = most_words(outcome, later.recording)
        said = f"{differ:,} of {plural(outcome.n_both, word)} differ between {files}, by up to {most}; "
        said += "those of the second are used"
    else:
        said = f"{plural(outcome.n_both, word)} in both {files}, all identical, counted once"
    if outcome.n_filled:
        said += f"; {plural(outcome.n_filled, word)} only in the first"
    row = compared_of(outcome, later, earlier, kind="export", device=device, session=None, said=said)
    notes.compared.append(row)
    if differ:
        notes.warnings.append(FileNote(slug="exports-differ", said=said, file=earlier.shown))


def _day(piece: Piece, zone: tzinfo | None) -> str:
    last = datetime.fromtimestamp((span_ms(piece.recording) or (0, 0))[1] / 1000.0, zone or UTC)
    return f"{last.day} {last:%B %Y}"


def near_session(
    series: Series,
    reference: ReferenceMaterial | None,
    quantity: Quantity,
    settings: Settings,
    *,
    low_s: float,
    high_s: float,
) -> Series:
    """Cut a series of an export to its session, no further off than its clock turns out to be.

    Parameters
    ----------
    series : Series
        Of all that a clock search may look through.
    reference : ReferenceMaterial or None
        Of the session.
    quantity : Quantity
    settings : Settings
        ``spanning_margin_s`` goes to either side.
    low_s, high_s : float
        The session, seconds from its origin.

    Returns
    -------
    Series
        As stamped, if it follows the reference there and nowhere else clearly better; else moved by the whole quarter
        of an hour at which it clearly does; else all of it, for the clock search to find its place or say that it
        cannot.

    Notes
    -----
    Own method. "Follows" is a mean loss up to 0.6 (0 perfect, 1 chance) while readings cover four fifths of the
    reference; "clearly" is 0.1 better than any other quarter, and a loss up to 0.3 where it also follows as stamped,
    which minutes of rest beside the session may seem to. Where it follows as stamped with a loss up to 0.3 nothing else
    is tried. Half and double rate are forgiven as in the search.
    """
    margin = settings.spanning_margin_s
    if not quantity.state_model or reference is None or reference.running.covered_s[-1] <= 0:
        return _rows(series, low_s, high_s)
    stamped = _follows(series, reference, low_s - margin, high_s + margin, search_s=margin, near_s=0.0)
    as_stamped = _rows(series, low_s - margin, high_s + margin)
    if stamped is not None and stamped <= _SURE:
        return as_stamped
    slots = int(settings.zone_hours * 3600.0 / _SLOT_S)
    found: list[tuple[float, float]] = []
    for slot in range(-slots, slots + 1):
        shift = slot * _SLOT_S
        low, high = low_s - shift - _SLOT_SEARCH_S, high_s - shift + _SLOT_SEARCH_S
        loss = _follows(series, reference, low, high, search_s=_SLOT_SEARCH_S, near_s=shift)
        if loss is not None:
            found.append((loss, shift))
    found.sort()
    clear = bool(found) and (len(found) == 1 or found[1][0] - found[0][0] >= _CLEAR)
    if clear and (stamped is None or found[0][0] <= min(_SURE, stamped - _CLEAR)):
        return _rows(series, low_s - found[0][1] - margin, high_s - found[0][1] + margin)
    if stamped is not None:
        return as_stamped
    return series


def _follows(
    series: Series, reference: ReferenceMaterial, low_s: float, high_s: float, *, search_s: float, near_s: float
) -> float | None:
    """Mean loss at the best offset near a given one, None if it does not follow there."""
    begin, end = np.searchsorted(series.time_s, [low_s, high_s])
    time, value = series.time_s[begin:end], series.value[begin:end]
    good = np.isfinite(value) & (value > 0)
    time, value = time[good], value[good]
    running = reference.running.without_doubtful()
    covered = float(running.covered_s[-1])
    if time.size < 8 or covered <= 0:
        return None
    usual = float(np.median(np.diff(time)))
    if time.size * usual < _COVERED * covered:
        return None
    moved = time + near_s
    best = search_offsets(running, moved, np.log(value), averaging_s=max(usual, 8.0), search_s=search_s, near_s=0.0)
    if not best or best[0].loss > _LOSS:
        return None
    at = moved + best[0].shift_s
    inside = np.count_nonzero((at >= reference.first_s) & (at <= reference.last_s))
    return best[0].loss if inside * usual >= _COVERED * covered else None


def _rows(series: Series, low_s: float, high_s: float) -> Series:
    return chosen_readings(series, np.flatnonzero((series.time_s >= low_s) & (series.time_s < high_s)))
