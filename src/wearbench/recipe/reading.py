"""Reads the files of one session and makes references, tested series and context of them.

A file that cannot be read costs that file: it is listed with its reason and the rest goes on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearbench.errors import WearbenchError
from wearbench.formats import Intervals, Readings
from wearbench.quantities import Quantity
from wearbench.recipe.counters import counted_on
from wearbench.recipe.joining import Notes, fill_from_copies, join_parts
from wearbench.recipe.marks import sync_marks
from wearbench.recipe.material import FileNote, InputFile, ReferenceMaterial, Series, SessionMaterial
from wearbench.recipe.pieces import Kind, Piece, Recording
from wearbench.recipe.rawfile import read_noted
from wearbench.recipe.references import inside_session, make_reference
from wearbench.recipe.spanning import exports_of, near_session
from wearbench.recipe.testedseries import centred_context, one_each, reference_of, series_from, within_reach
from wearbench.study import DeviceConfig, RecordingFiles, Session, Study

__all__ = ["first_ms", "read_session"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]


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
    known = study.config.all_quantities
    found = [
        (device, counted_on(p, known.get(p.recording.quantity), session, device=device.name, notes=notes))
        for device, p in found
    ]
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
            context.append(centred_context(made_context, device))
    references.sort(key=lambda pair: pair[0])
    context.sort(key=lambda series: study.config.devices[series.device].role != "context")
    kept = tuple(inside_session(reference, session, origin_ms) for _, reference in references)
    for i in np.flatnonzero(wide).tolist():
        tested[i] = replace(_near_session(tested[i], kept, session, study, origin_ms), margin=True)
    for series in tested:
        reference = reference_of(series, kept)
        if reference is not None and not reference.start_known and not series.start_known:
            said = (
                f"neither {reference.device} nor {series.device} says when it started; expected a start in one of"
                " them, or start in sessions.csv"
            )
            warnings.append(FileNote(slug="no-start", said=said, file=f"raw/{session.name}"))
    reach_s = study.config.settings.zone_hours * 3600.0 + 900.0
    tested = [within_reach(series, kept, reach_s, session.name, warnings) for series in tested]
    return SessionMaterial(
        name=session.name,
        origin_ms=origin_ms,
        references=kept,
        tested=tuple(one_each(tested)),
        context=tuple(context),
        inputs=tuple(inputs),
        repairs=tuple(notes.repairs),
        left_out=tuple(left_out),
        warnings=tuple(warnings),
        compared=tuple(notes.compared),
        marks=sync_marks(session, study, kept, one_each(tested), origin_ms=origin_ms),
    )


def _near_session(
    series: Series, references: tuple[ReferenceMaterial, ...], session: Session, study: Study, origin_ms: int
) -> Series:
    """Cut a series of an export that spans sessions, as far off as its clock turns out to be."""
    assert session.start_ms is not None
    assert session.end_ms is not None
    return near_session(
        series,
        reference_of(series, references),
        study.config.all_quantities[series.quantity],
        study.config.settings,
        low_s=(session.start_ms - origin_ms) / 1000.0,
        high_s=(session.end_ms - origin_ms) / 1000.0,
    )


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
