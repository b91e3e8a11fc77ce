"""Reads the files of one session and makes references, tested series and context of them.

A file that cannot be read costs that file: it is listed with its reason and the rest goes on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearbench.core.beats import Beats, beats_from_ecg, beats_from_intervals, running_from_beats
from wearbench.core.doubt import Doubt, doubt_of_rate
from wearbench.core.pairing import rhythm
from wearbench.core.peaks import EcgSegment
from wearbench.core.running import Running, running_from_level
from wearbench.errors import CannotTell, WearbenchError
from wearbench.formats import Intervals, Readings, Signal
from wearbench.quantities import Quantity
from wearbench.recipe.joining import Notes, fill_from_copies, join_parts
from wearbench.recipe.marks import sync_marks
from wearbench.recipe.material import DoubtSpan, FileNote, InputFile, ReferenceMaterial, Series, SessionMaterial
from wearbench.recipe.pieces import Kind, Piece, Recording
from wearbench.recipe.rawfile import read_noted
from wearbench.recipe.spanning import exports_of, near_session
from wearbench.study import DeviceConfig, RecordingFiles, Session, Study

__all__ = ["first_ms", "make_reference", "read_session", "series_from"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

_RATE_MAX_GAP_S = 15.0


def read_session(study: Study, session: Session) -> SessionMaterial:
    """Read all recordings of a session.

    Parameters
    ----------
    study : Study
    session : Session

    Returns
    -------
    SessionMaterial
        Without references or tested series where there are none; never raises for a bad file. Parts are joined, copies
        compared and filled from each other, exports that span sessions cut to this one; a recording in the session's
        own folder goes before such an export.
    """
    inputs: list[InputFile] = []
    left_out: list[FileNote] = []
    notes = Notes()
    found: list[tuple[DeviceConfig, Piece]] = []
    for device, copies in _copies_of(session.recordings).items():
        pieces: list[list[Piece]] = []
        for files in copies:
            parts: list[Piece] = []
            for number, file in enumerate(files.parts):
                context = study.read_context(file, session)
                if number:  # only the first part can begin where the session does
                    context = replace(context, start_ms=None)
                content = read_noted(file, context, inputs=inputs, repairs=notes.repairs, left_out=left_out)
                if content is not None:
                    parts += [
                        Piece(recording=recording, shown=file.shown, facts=content.facts)
                        for recording in content.recordings
                    ]
            pieces.append(join_parts(parts, device=device[0], session=session.name, notes=notes))
        joined = fill_from_copies(pieces, device=device[0], session=session.name, notes=notes)
        found += [(study.config.devices[device[0]], piece) for piece in joined]
    spanning = _add_exports(study, session, found, inputs=inputs, left_out=left_out, notes=notes)
    return _assemble(session, study, found, inputs, left_out, notes, spanning)


def _copies_of(recordings: Iterable[RecordingFiles]) -> dict[tuple[str, str | None], list[RecordingFiles]]:
    """Copies of each recording together, the one without a copy name first."""
    groups: dict[tuple[str, str | None], list[RecordingFiles]] = {}
    for files in sorted(recordings, key=lambda r: (r.copy is not None, r.copy or "")):
        groups.setdefault((files.device, files.quantity), []).append(files)
    return groups


def _add_exports(
    study: Study,
    session: Session,
    found: list[tuple[DeviceConfig, Piece]],
    *,
    inputs: list[InputFile],
    left_out: list[FileNote],
    notes: Notes,
) -> frozenset[tuple[str, Kind]]:
    """Add the session's share of exports that span sessions, and return which those are.

    On the reference's clock the session's times are exact; of a device with a clock of its own as much is taken as the
    clock search may look through.
    """
    if session.start_ms is None or session.end_ms is None:
        return frozenset()
    own = {(device.name, piece.kind) for device, piece in found}
    taken: set[tuple[str, Kind]] = set()
    for name in dict.fromkeys(files.device for files in study.spanning):
        device = study.config.devices[name]
        exports = exports_of(study, session, name)
        inputs += exports.inputs
        left_out += exports.left_out
        notes.repairs += exports.notes.repairs
        notes.warnings += exports.notes.warnings
        notes.compared += exports.notes.compared
        tested = "tested" in (device.role, *device.roles.values())
        spare = study.spare_ms if tested and device.clock != "shared" else 0
        for piece in exports.cut(session.start_ms - spare, session.end_ms + spare):
            if (name, piece.kind) not in own:
                found.append((device, piece))
                taken.add((name, piece.kind))
    return frozenset(taken)


def first_ms(recording: Recording) -> int | None:
    """Return the first instant of a recording in ms, None if it is empty or has no start."""
    if not recording.start_known:
        return None
    if isinstance(recording, Readings):
        return int(recording.time_ms[0]) if recording.time_ms.size else None
    if isinstance(recording, Intervals):
        if recording.start_ms is not None:
            return recording.start_ms
        return int(recording.stamp_ms[0]) if recording.stamp_ms is not None and recording.stamp_ms.size else None
    return recording.segments[0].start_ms if recording.segments else None


def _assemble(
    session: Session,
    study: Study,
    found: list[tuple[DeviceConfig, Piece]],
    inputs: list[InputFile],
    left_out: list[FileNote],
    notes: Notes,
    spanning: frozenset[tuple[str, Kind]],
) -> SessionMaterial:
    quantities = study.config.all_quantities
    targets = _targets(study)
    role_first = sorted(found, key=lambda f: f[0].role != "reference")
    starts = [ms for _, piece in role_first if (ms := first_ms(piece.recording)) is not None]
    origin_ms = session.start_ms if session.start_ms is not None else (starts[0] if starts else 0)
    origin_ms = origin_ms // 1000 * 1000
    references: list[tuple[tuple[float, int], ReferenceMaterial]] = []
    tested: list[Series] = []
    context: list[Series] = []
    warnings = notes.warnings
    wide: list[bool] = []
    for device, piece in found:
        recording, facts = piece.recording, piece.facts
        for target in targets:
            quantity = quantities[target]
            if device.role_for(target) != "reference" or recording.quantity not in _sources(quantity):
                continue
            try:
                made = make_reference(device, quantity, recording, origin_ms=origin_ms)
            except WearbenchError as error:
                warnings.append(FileNote(slug=error.slug, said=error.message, file=piece.shown))
                continue
            if made is None:
                continue
            rank = (device.prefer or math.inf, _sources(quantity).index(recording.quantity))
            references.append((rank, made))
        kind = _own_quantity(recording)
        if kind is None or kind not in quantities:
            continue
        role = device.role_for(kind)
        if role == "tested" and kind in targets:
            tested.append(series_from(device, quantities[kind], recording, facts, origin_ms=origin_ms))
            wide.append((device.name, piece.kind) in spanning and device.clock != "shared")
        elif kind in ("cadence", "power", "speed") and isinstance(recording, Readings):
            made_context = series_from(device, quantities[kind], recording, facts, origin_ms=origin_ms)
            context.append(_centred(made_context, device))
    references.sort(key=lambda pair: pair[0])
    context.sort(key=lambda series: study.config.devices[series.device].role != "context")
    kept = tuple(_cut(reference, session, origin_ms) for _, reference in references)
    for i in np.flatnonzero(wide).tolist():
        tested[i] = _near_session(tested[i], kept, session, study, origin_ms)
    for series in tested:
        reference = _reference_of(series, kept)
        if reference is not None and not reference.start_known and not series.start_known:
            said = (
                f"neither {reference.device} nor {series.device} says when it started; expected a start in one of"
                " them, or start in sessions.csv"
            )
            warnings.append(FileNote(slug="no-start", said=said, file=f"raw/{session.name}"))
    reach_s = study.config.settings.zone_hours * 3600.0 + 900.0
    tested = [_within_reach(series, kept, reach_s, session.name, warnings) for series in tested]
    return SessionMaterial(
        name=session.name,
        origin_ms=origin_ms,
        references=kept,
        tested=tuple(_unique(tested)),
        context=tuple(context),
        inputs=tuple(inputs),
        repairs=tuple(notes.repairs),
        left_out=tuple(left_out),
        warnings=tuple(warnings),
        compared=tuple(notes.compared),
        marks=sync_marks(session, study, kept, _unique(tested), origin_ms=origin_ms),
    )


def _centred(series: Series, device: DeviceConfig) -> Series:
    """A context series with its values in the middle of what they stand for, where averaging or delay are declared."""
    back = {"ending": 0.5, "starting": -0.5}.get(device.stands_for, 0.0) * (device.averaging_s or 0.0)
    return replace(series, time_s=series.time_s - back - (device.delay_s or 0.0))


def _within_reach(
    series: Series, references: tuple[ReferenceMaterial, ...], reach_s: float, session: str, warnings: list[FileNote]
) -> Series:
    """Leave out readings so far from the reference that no clock search reaches them: days of another export."""
    reference = _reference_of(series, references)
    if reference is None or not (reference.start_known and series.start_known):
        return series
    near = (series.time_s >= reference.first_s - reach_s) & (series.time_s <= reference.last_s + reach_s)
    if bool(near.all()) or not bool(near.any()):
        return series
    far = int(near.size - near.sum())
    said = (
        f"{far:,} of {near.size:,} readings of {series.device} lie more than {reach_s / 3600:g} h from the reference;"
        " left out (give the session's start and end in sessions.csv, or put the export in raw/_all)"
    )
    warnings.append(FileNote(slug="far-from-reference", said=said, file=f"raw/{session}", count=far))

    def part(column: F64 | None) -> F64 | None:
        return None if column is None else column[near]

    return replace(
        series,
        time_s=series.time_s[near],
        value=series.value[near],
        source_row=series.source_row[near],
        start_s=part(series.start_s),
        end_s=part(series.end_s),
    )


def _reference_of(series: Series, references: tuple[ReferenceMaterial, ...]) -> ReferenceMaterial | None:
    return next((r for r in references if r.quantity == series.quantity), None)


def _near_session(
    series: Series, references: tuple[ReferenceMaterial, ...], session: Session, study: Study, origin_ms: int
) -> Series:
    """Cut a series of an export that spans sessions, as far off as its clock turns out to be."""
    assert session.start_ms is not None
    assert session.end_ms is not None
    return near_session(
        series,
        _reference_of(series, references),
        study.config.all_quantities[series.quantity],
        study.config.settings,
        low_s=(session.start_ms - origin_ms) / 1000.0,
        high_s=(session.end_ms - origin_ms) / 1000.0,
    )


def _unique(series: list[Series]) -> list[Series]:
    """One series a device and quantity: a rate the device printed goes before one made of its intervals."""
    out: dict[tuple[str, str], Series] = {}
    for one in series:
        held = out.get((one.device, one.quantity))
        if held is None or (held.start_s is not None and one.start_s is None):
            out[(one.device, one.quantity)] = one
    return list(out.values())


def _targets(study: Study) -> tuple[str, ...]:
    """Quantities that are judged: those of which the study can have a reference."""
    quantities = study.config.all_quantities
    return tuple(
        name
        for name, quantity in quantities.items()
        if quantity.kind == "level"
        and name not in ("cadence", "power", "speed")
        and any(device.role_for(name) == "reference" for device in study.config.devices.values())
    )


def _sources(quantity: Quantity) -> tuple[str, ...]:
    return quantity.formed_from or (quantity.name,)


def _own_quantity(recording: Recording) -> str | None:
    if isinstance(recording, Intervals):
        return "heart_rate"
    return recording.quantity if isinstance(recording, Readings) else None


def series_from(
    device: DeviceConfig, quantity: Quantity, recording: Recording, facts: dict[str, str], *, origin_ms: int
) -> Series:
    """Put readings on seconds from the session's origin; intervals become rates with a window each.

    Parameters
    ----------
    device : DeviceConfig
    quantity : Quantity
    recording : Readings or Intervals
    facts : dict
    origin_ms : int

    Returns
    -------
    Series
    """
    if isinstance(recording, Intervals):
        beats = _beats(device, recording, origin_ms=origin_ms)
        good = beats.usable
        with np.errstate(divide="ignore"):
            rate = 60.0 / beats.interval_s
        return Series(
            device=device.name,
            quantity=quantity.name,
            unit=quantity.unit,
            time_s=beats.time_s[1:][good],
            value=rate[good],
            source_row=np.flatnonzero(good).astype(np.int64) + 1,
            start_s=beats.time_s[:-1][good],
            end_s=beats.time_s[1:][good],
            start_known=recording.start_known,
            facts=facts,
        )
    if not isinstance(recording, Readings):
        raise CannotTell(f"expected readings of {quantity.label}, got a signal; no rate is made of a tested signal")
    shift = origin_ms if recording.start_known else 0

    def seconds(ms: I64 | None) -> F64 | None:
        return None if ms is None else (ms - shift) / 1000.0

    after_stamp_s = 0.5 if device.stamps == "second" else 0.0
    return Series(
        device=device.name,
        quantity=quantity.name,
        unit=recording.unit or quantity.unit,
        time_s=(recording.time_ms - shift) / 1000.0 + after_stamp_s,
        value=recording.value,
        source_row=recording.source_row,
        start_s=seconds(recording.start_ms),
        end_s=seconds(recording.end_ms),
        start_known=recording.start_known,
        after_stamp_s=after_stamp_s,
        facts=facts,
    )


def _beats(device: DeviceConfig, recording: Intervals, *, origin_ms: int) -> Beats:
    shift = origin_ms if recording.start_known else 0
    if recording.stamp_ms is None:
        start = 0.0 if recording.start_ms is None else (recording.start_ms - shift) / 1000.0
        return beats_from_intervals(recording.interval_ms, start_s=start)
    stamp_s = (recording.stamp_ms - shift) / 1000.0
    whole = bool(np.all(recording.stamp_ms % 1000 == 0))
    coarse = device.stamps == "second" or (device.stamps == "auto" and whole)
    return beats_from_intervals(recording.interval_ms, stamp_s=stamp_s, resolution_s=1.0 if coarse else 0.0)


def make_reference(
    device: DeviceConfig, quantity: Quantity, recording: Recording, *, origin_ms: int
) -> ReferenceMaterial | None:
    """Form a reference of a quantity from a recording.

    Parameters
    ----------
    device : DeviceConfig
    quantity : Quantity
        What is to be referred to.
    recording : Readings, Intervals or Signal
        RR intervals or an ECG become beats; readings become a level.
    origin_ms : int
        Second 0.

    Returns
    -------
    ReferenceMaterial or None
        None when the recording holds nothing.
    """
    made_from = recording.quantity
    shift = origin_ms if recording.start_known else 0
    if isinstance(recording, Intervals):
        try:
            beats = _beats(device, recording, origin_ms=origin_ms)
        except CannotTell:
            # Sampled intervals: a rate, not beats.
            if recording.stamp_ms is None:
                raise
            with np.errstate(divide="ignore", invalid="ignore"):
                rate = 60_000.0 / recording.interval_ms
            time_s = (recording.stamp_ms - shift) / 1000.0
            return _level(device, quantity, time_s, rate, "rr_sampled", start_known=recording.start_known)
        return _from_beats(device, quantity, beats, made_from, start_known=recording.start_known)
    if isinstance(recording, Signal):
        segments = [
            EcgSegment(start_s=(s.start_ms - shift) / 1000.0, rate_hz=s.rate_hz, values=s.values)
            for s in recording.segments
        ]
        beats = beats_from_ecg(segments)
        return _from_beats(device, quantity, beats, made_from, start_known=recording.start_known)
    time_s = (recording.time_ms - shift) / 1000.0
    return _level(device, quantity, time_s, recording.value, made_from, start_known=recording.start_known)


def _from_beats(
    device: DeviceConfig, quantity: Quantity, beats: Beats, made_from: str, *, start_known: bool
) -> ReferenceMaterial | None:
    if beats.time_s.size < 2:
        return None
    running = running_from_beats(beats)
    return ReferenceMaterial(
        device=device.name,
        quantity=quantity.name,
        unit=quantity.unit,
        made_from=made_from,
        running=running,
        first_s=float(beats.time_s[0]),
        last_s=float(beats.time_s[-1]),
        doubts=tuple(DoubtSpan(start_s=d.start_s, end_s=d.end_s, why=d.why) for d in beats.doubts),
        counts={
            "beats": float(beats.time_s.size),
            "seconds": float(running.covered_s[-1]),
            "missed": float(beats.n_missed),
            "extra": float(beats.n_extra),
            "ectopic": float(beats.n_ectopic),
            "long": float(beats.n_long),
            "short": float(beats.n_short),
            "unreadable": float(beats.n_unreadable),
            "mended_share": float(np.nan_to_num(beats.mended_share)),
        },
        start_known=start_known,
    )


def _level(
    device: DeviceConfig, quantity: Quantity, time_s: F64, value: F64, made_from: str, *, start_known: bool
) -> ReferenceMaterial | None:
    good = np.isfinite(value) & (value >= quantity.low) & (value <= quantity.high)
    for sentinel in quantity.sentinels:
        good &= value != sentinel
    if not good.any():
        return None
    time_s, value = time_s[good], value[good]
    distinct = np.concatenate([np.diff(time_s) > 0, [True]])
    time_s, value = time_s[distinct], value[distinct]
    usual = rhythm(time_s, value)
    hold = device.hold_s or max(1.5 * float(np.median(usual)), 1.0)
    running = running_from_level(
        time_s, value, hold_s=hold, stands_for=device.stands_for, scale=60.0 if quantity.state_model else 1.0
    )
    doubts: tuple[Doubt, ...] = ()
    if quantity.state_model and float(np.median(usual)) <= _RATE_MAX_GAP_S:
        doubts = doubt_of_rate(time_s, value)
    return ReferenceMaterial(
        device=device.name,
        quantity=quantity.name,
        unit=quantity.unit,
        made_from=made_from,
        running=_with_doubts(running, doubts),
        first_s=float(running.knot_s[0]),
        last_s=float(running.knot_s[-1]),
        doubts=tuple(DoubtSpan(start_s=d.start_s, end_s=d.end_s, why=d.why) for d in doubts),
        counts={"readings": float(time_s.size), "seconds": float(running.covered_s[-1])},
        start_known=start_known,
    )


def _with_doubts(running: Running, doubts: tuple[Doubt, ...]) -> Running:
    if not doubts:
        return running
    middle = 0.5 * (running.knot_s[1:] + running.knot_s[:-1])
    inside = np.zeros(middle.size, dtype=np.bool_)
    for doubt in doubts:
        inside |= (middle >= doubt.start_s) & (middle <= doubt.end_s)
    steps = np.where(inside, np.diff(running.covered_s), 0.0)
    return replace(running, doubtful_s=np.concatenate([[0.0], np.cumsum(steps)]))


def _cut(reference: ReferenceMaterial, session: Session, origin_ms: int) -> ReferenceMaterial:
    """Keep the part of a reference inside the session's times, where sessions.csv gives them."""
    if not reference.start_known or (session.start_ms is None and session.end_ms is None):
        return reference
    low = -math.inf if session.start_ms is None else (session.start_ms - origin_ms) / 1000.0
    high = math.inf if session.end_ms is None else (session.end_ms - origin_ms) / 1000.0
    running = reference.running
    outside = (running.knot_s[1:] <= low) | (running.knot_s[:-1] >= high)
    if not outside.any():
        return reference

    def cut(column: F64) -> F64:
        out: F64 = np.concatenate([[0.0], np.cumsum(np.where(outside, 0.0, np.diff(column)))])
        return out

    return replace(
        reference,
        running=replace(
            running,
            amount=cut(running.amount),
            covered_s=cut(running.covered_s),
            mended_s=cut(running.mended_s),
            doubtful_s=cut(running.doubtful_s),
        ),
        first_s=max(reference.first_s, low),
        last_s=min(reference.last_s, high),
    )
