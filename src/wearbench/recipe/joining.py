"""Parts of a recording joined in order of time, copies of one recorder compared and filled from each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from wearbench.core.joins import (
    Matched,
    Merged,
    match_sequences,
    match_stamps,
    merge_sequences,
    merge_stamped,
    shifted_stamps,
)
from wearbench.formats import Intervals, Readings, Signal
from wearbench.recipe.material import Compared, FileNote
from wearbench.recipe.pieces import (
    Kind,
    Piece,
    Recording,
    concatenated,
    cut,
    has_start,
    items_of,
    length,
    moved,
    segments_beside,
    span_ms,
    stamps_ms,
    taken,
    unit_of,
)
from wearbench.wording import duration, number, plural, share

__all__ = ["Notes", "Outcome", "compared_of", "fill_from_copies", "join_parts", "merge_two", "most_words"]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

_RR_TOLERANCE_MS: Final = 1.0
_VALUE_TOLERANCE: Final = 1e-6
_RUN_OF_VALUES: Final = 24
_LATE_MS: Final = 500
_HOLE_MS: Final = 3000
_DIFFERENCES: Final = 1000


@dataclass(kw_only=True, slots=True)
class Notes:
    """What is said while recordings are joined."""

    repairs: list[FileNote] = field(default_factory=list)
    warnings: list[FileNote] = field(default_factory=list)
    compared: list[Compared] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What two recordings of one recorder have in common.

    ``most`` is the largest difference, in the unit of the values (ms for intervals); ``clock_s`` is what brings the
    second's stamps onto the first's clock. ``differences`` holds stamp, value of the first, value of the second.
    """

    n_first: int
    n_second: int
    n_both: int
    n_identical: int
    n_filled: int
    most: float
    clock_s: float
    differences: tuple[tuple[int, float, float], ...] = ()

    def lacks(self, which: Literal["first", "second"]) -> float:
        """Share of all items that one of the two does not have."""
        together = self.n_first + self.n_second - self.n_both
        have = self.n_first if which == "first" else self.n_second
        return (together - have) / together if together else 0.0


def merge_two(first: Recording, second: Recording, *, one_clock: bool) -> tuple[Recording, Outcome] | None:
    """Lay two recordings of one recorder over one another.

    Parameters
    ----------
    first, second : Readings, Intervals or Signal, of one kind
        Where they disagree the first is believed.
    one_clock : bool
        Whether their stamps are on the same clock; else a constant between them is found from the values.

    Returns
    -------
    tuple of recording and Outcome, or None
        None where nothing is in common and the two overlap in time (or have none), so that nothing can be filled.
    """
    if type(first) is not type(second) or first.quantity != second.quantity:
        return None
    if isinstance(first, Signal) and isinstance(second, Signal):
        return _merge_signals(first, second)
    if isinstance(first, Readings) and isinstance(second, Readings):
        return _merge_readings(first, second, one_clock=one_clock)
    assert isinstance(first, Intervals)
    assert isinstance(second, Intervals)
    return _merge_intervals(first, second)


def _merge_signals(first: Signal, second: Signal) -> tuple[Recording, Outcome]:
    """Signals are filled by time alone; samples are compared where segments are the same."""
    spare = segments_beside(second.segments, first.segments)
    held = {(s.start_ms, s.values.size): s for s in first.segments}
    twins = [(held[k], s) for s in second.segments if (k := (s.start_ms, s.values.size)) in held]
    same = [np.isclose(a.values, b.values, rtol=0, atol=1e-6, equal_nan=True) for a, b in twins]
    segments = sorted((*first.segments, *spare), key=lambda s: s.start_ms)
    return replace(first, segments=tuple(segments)), Outcome(
        n_first=length(first),
        n_second=length(second),
        n_both=sum(s.size for s in same),
        n_identical=sum(int(s.sum()) for s in same),
        n_filled=sum(s.values.size for s in spare),
        most=float(max((np.nanmax(np.abs(a.values - b.values), initial=0.0) for a, b in twins), default=0.0)),
        clock_s=0.0,
    )


def _apart(first: Recording, second: Recording) -> bool:
    a, b = span_ms(first), span_ms(second)
    return a is not None and b is not None and (a[1] < b[0] or b[1] < a[0])


def _joined_apart(first: Recording, second: Recording) -> tuple[Recording, Outcome] | None:
    """Two with nothing in common: joined by their stamps if they are apart in time."""
    if not _apart(first, second) or not (first.start_known and second.start_known):
        return None
    a, b = span_ms(first), span_ms(second)
    in_order = (second, first) if a is not None and b is not None and b[0] < a[0] else (first, second)
    n, m = length(first), length(second)
    outcome = Outcome(n_first=n, n_second=m, n_both=0, n_identical=0, n_filled=m, most=0.0, clock_s=0.0)
    return concatenated(*in_order), outcome


def _merge_readings(first: Readings, second: Readings, *, one_clock: bool) -> tuple[Recording, Outcome] | None:
    if first.unit != second.unit:
        return None
    placed = first.start_known and second.start_known
    matched = match_stamps(first.time_ms, second.time_ms, first.value, second.value, tolerance=_VALUE_TOLERANCE)
    clock_ms = second.time_ms
    if not one_clock and matched.same.sum() < 0.5 * min(first.value.size, second.value.size):
        other = match_sequences(first.value, second.value, tolerance=_VALUE_TOLERANCE, width=_RUN_OF_VALUES)
        if other.same.sum() > matched.same.sum():
            matched = other
            clock_ms = shifted_stamps(second.time_ms, matched, first.time_ms)
    if matched.first.size == 0 or not (placed or matched.same.any()):
        if one_clock and placed:
            pass  # the stamps alone tell where readings of the second belong
        else:
            return _joined_apart(first, second)
    merged = merge_stamped(first.time_ms, clock_ms, first.value, second.value, matched)
    outcome = _outcome(matched, merged, first.value, second.value, first.time_ms, second.time_ms)
    return taken(first, second, merged, clock_ms=clock_ms), outcome


def _merge_intervals(first: Intervals, second: Intervals) -> tuple[Recording, Outcome] | None:
    matched = match_sequences(first.interval_ms, second.interval_ms, tolerance=_RR_TOLERANCE_MS)
    if matched.first.size == 0:
        return _joined_apart(first, second)
    merged = merge_sequences(first.interval_ms, second.interval_ms, matched)
    a, b = stamps_ms(first), stamps_ms(second)
    clock_ms = shifted_stamps(b, matched, a) if a is not None and b is not None else None
    outcome = _outcome(matched, merged, first.interval_ms, second.interval_ms, a, b)
    return taken(first, second, merged, clock_ms=clock_ms), outcome


def _outcome(matched: Matched, merged: Merged, a: F64, b: F64, a_ms: I64 | None, b_ms: I64 | None) -> Outcome:
    one, other = a[matched.first], b[matched.second]
    away = np.abs(one - other)
    rows = np.flatnonzero(~matched.same)
    stamp = None if a_ms is None else a_ms[matched.first]
    clock_s = 0.0
    if stamp is not None and b_ms is not None and stamp.size:
        clock_s = float(np.median(stamp - b_ms[matched.second])) / 1000.0
    kept = rows[:_DIFFERENCES] if stamp is not None else rows[:0]
    return Outcome(
        n_first=int(a.size),
        n_second=int(b.size),
        n_both=int(matched.first.size),
        n_identical=int(matched.same.sum()),
        n_filled=merged.n_filled,
        most=float(np.nanmax(away[rows], initial=0.0)),
        clock_s=clock_s,
        differences=tuple((int(stamp[i]), float(one[i]), float(other[i])) for i in kept.tolist() if stamp is not None),
    )


def most_words(outcome: Outcome, recording: Recording) -> str:
    """The largest difference with its unit: ``31 bpm``, ``2.5 ms``."""
    whole = outcome.most == round(outcome.most)
    return f"{number(outcome.most, decimals=0 if whole else None)} {unit_of(recording)}"


def compared_of(
    outcome: Outcome,
    first: Piece,
    second: Piece,
    *,
    kind: Literal["copy", "part", "export"],
    device: str,
    session: str | None,
    said: str,
) -> Compared:
    """One row for the results' tables of copies and overlaps."""
    return Compared(
        kind=kind,
        session=session,
        device=device,
        quantity=first.recording.quantity,
        unit=unit_of(first.recording),
        first=first.shown,
        second=second.shown,
        n_first=outcome.n_first,
        n_second=outcome.n_second,
        n_both=outcome.n_both,
        n_identical=outcome.n_identical,
        n_filled=outcome.n_filled,
        first_lacks=outcome.lacks("first"),
        second_lacks=outcome.lacks("second"),
        most=outcome.most,
        clock_s=outcome.clock_s,
        said=said,
        differences=outcome.differences,
    )


def join_parts(pieces: Sequence[Piece], *, device: str, session: str | None, notes: Notes) -> list[Piece]:
    """Join the parts of a recording, kind by kind.

    Parameters
    ----------
    pieces : sequence of Piece
        Of all parts, in the order of their numbers.
    device, session : str
    notes : Notes
        Holes, overlaps and parts without a start are said here.

    Returns
    -------
    list of Piece
        One of each kind. A pause between two parts stays a gap; what two parts both hold is counted once, as the part
        that began earlier has it.
    """
    groups: dict[Kind, list[Piece]] = {}
    facts: dict[str, str] = {}
    for piece in pieces:
        facts |= piece.facts
        groups.setdefault(piece.kind, []).append(piece)
    out = []
    for group in groups.values():
        placed = sorted(_placed(group, notes), key=lambda p: (span_ms(p.recording) or (0, 0))[0])
        held = placed[0]
        for piece in placed[1:]:
            held = _join_next(held, piece, device=device, session=session, notes=notes)
        recording = held.recording
        if isinstance(recording, Intervals) and len(group) > 1 and not recording.start_known:
            recording = replace(recording, stamp_ms=None, start_ms=None)
        out.append(Piece(recording=recording, shown=group[0].shown, facts=facts))
    return out


def _placed(group: list[Piece], notes: Notes) -> list[Piece]:
    """Parts that do not say when they start, put right behind the part before (or right before the next)."""
    kept = [p for p in group if length(p.recording)] or group[:1]
    if len(kept) == 1 or all(has_start(p.recording) for p in kept):
        return kept
    known = [i for i, p in enumerate(kept) if has_start(p.recording)]
    out: list[Piece] = []
    if known:
        first = known[0]
        out = [kept[first]]
        for piece in reversed(kept[:first]):
            beside = moved(piece.recording, end_ms=(span_ms(out[0].recording) or (0, 0))[0], start_known=True)
            out.insert(0, replace(piece, recording=beside))
            _say_no_start(piece, "right before", out[1], notes)
        rest = kept[first + 1 :]
    else:
        out = [replace(kept[0], recording=moved(kept[0].recording, begin_ms=0, start_known=False))]
        rest = kept[1:]
    for piece in rest:
        if not has_start(piece.recording):
            last = (span_ms(out[-1].recording) or (0, 0))[1]
            beside = moved(piece.recording, begin_ms=last, start_known=bool(known))
            _say_no_start(piece, "right behind", out[-1], notes)
            piece = replace(piece, recording=beside)
        out.append(piece)
    return out


def _say_no_start(piece: Piece, where: str, other: Piece, notes: Notes) -> None:
    said = f"does not say when it starts and was put {where} {other.shown}; how long the pause was cannot be told"
    notes.warnings.append(FileNote(slug="part-no-start", said=said, file=piece.shown))


def _join_next(held: Piece, piece: Piece, *, device: str, session: str | None, notes: Notes) -> Piece:
    """Join the part that begins next."""
    a, b = span_ms(held.recording), span_ms(piece.recording)
    if a is None or b is None:
        return replace(held, recording=concatenated(held.recording, piece.recording))
    overlap = a[1] - b[0]
    if overlap < (0 if isinstance(piece.recording, Readings) else _LATE_MS):
        if -overlap >= _HOLE_MS and held.recording.start_known and -overlap > 3 * _usual_ms(piece.recording):
            said = f"begins {duration(-overlap / 1000.0)} after {held.shown} ends; the time between is kept as a gap"
            notes.repairs.append(FileNote(slug="part-hole", said=said, file=piece.shown))
        return replace(held, recording=concatenated(held.recording, piece.recording), shown=piece.shown)
    merged = merge_two(held.recording, piece.recording, one_clock=True)
    if merged is None:
        rest = cut(piece.recording, a[1] + 1, b[1] + 1)
        n = length(piece.recording)
        merged = (
            concatenated(held.recording, rest),
            Outcome(
                n_first=length(held.recording),
                n_second=n,
                n_both=0,
                n_identical=0,
                n_filled=length(rest),
                most=0.0,
                clock_s=0.0,
            ),
        )
    recording, outcome = merged
    said = _overlap_words(outcome, held, piece, min(overlap, b[1] - b[0]) / 1000.0)
    row = compared_of(outcome, held, piece, kind="part", device=device, session=session, said=said)
    if outcome.n_both and outcome.n_identical == outcome.n_both:
        notes.repairs.append(FileNote(slug="parts-overlap", said=said, file=piece.shown, count=outcome.n_both))
    else:
        notes.warnings.append(FileNote(slug="parts-differ", said=said, file=piece.shown))
    notes.compared.append(row)
    return replace(held, recording=recording, shown=piece.shown if b[1] > a[1] else held.shown)


def _usual_ms(recording: Recording) -> float:
    if isinstance(recording, Readings) and recording.time_ms.size > 1:
        return float(np.median(np.diff(recording.time_ms)))
    return 0.0


def _overlap_words(outcome: Outcome, held: Piece, piece: Piece, seconds: float) -> str:
    word = items_of(held.recording)
    begins = f"begins {duration(seconds)} before" if seconds >= 0.5 else "begins where"
    begins += f" {held.shown} ends"
    if outcome.n_both == 0:
        return f"{begins}, and the two have no {word} in common there; {held.shown} is used where both are"
    there = f"{begins}; {plural(outcome.n_both, word)} in both"
    if outcome.n_identical == outcome.n_both:
        return f"{there}, identical, counted once"
    differ = outcome.n_both - outcome.n_identical
    most = most_words(outcome, held.recording)
    return f"{there}, of which {differ:,} differ by up to {most}; {held.shown} is used where both are"


def fill_from_copies(copies: Sequence[list[Piece]], *, device: str, session: str | None, notes: Notes) -> list[Piece]:
    """Compare copies of one recorder and fill what one lacks from the others.

    Parameters
    ----------
    copies : sequence of lists of Piece
        Each copy with its parts joined; the first goes before the others.
    device, session : str
    notes : Notes
        Each comparison is said here.

    Returns
    -------
    list of Piece
        One of each kind.
    """
    held: dict[Kind, Piece] = {}
    for copy in copies:
        for piece in copy:
            if piece.kind not in held:
                held[piece.kind] = piece
            elif length(piece.recording):
                held[piece.kind] = _with_copy(held[piece.kind], piece, device=device, session=session, notes=notes)
    return list(held.values())


def _with_copy(main: Piece, copy: Piece, *, device: str, session: str | None, notes: Notes) -> Piece:
    if has_start(copy.recording) and not has_start(main.recording):
        main, copy = copy, main  # a copy that knows when it was goes first
    merged = merge_two(main.recording, copy.recording, one_clock=False)
    if merged is None:
        said = f"expected a copy of {main.shown}, got nothing in common with it; that one is used, this one kept aside"
        notes.warnings.append(FileNote(slug="copy-kept-aside", said=said, file=copy.shown))
        return main
    recording, outcome = merged
    said = _copy_words(outcome, main, copy)
    notes.compared.append(
        compared_of(outcome, main, copy, kind="copy", device=device, session=session, said=f"{copy.shown}: {said}")
    )
    if outcome.n_identical < outcome.n_both:
        notes.warnings.append(FileNote(slug="copies-differ", said=said, file=copy.shown))
    elif outcome.n_filled:
        notes.repairs.append(FileNote(slug="copy-filled", said=said, file=copy.shown, count=outcome.n_filled))
    return replace(main, recording=recording, facts=copy.facts | main.facts)


def _copy_words(outcome: Outcome, main: Piece, copy: Piece) -> str:
    """``98.7 % of 5,000 beats in both are identical ...; this copy lacks 3 %``."""
    word = items_of(main.recording)
    if outcome.n_both == 0:
        added = plural(outcome.n_second, word)
        return f"recorded at other times than {main.shown}; its {added} are added by their stamps"
    both = f"{plural(outcome.n_both, word)} in both {main.shown} and this copy"
    if outcome.n_identical == outcome.n_both:
        said = f"all of {both} are identical"
    else:
        identical = _per_cent(outcome.n_identical / outcome.n_both)
        said = f"{identical} of {both} are identical, the others differ by up to "
        said += f"{most_words(outcome, main.recording)} and are taken from {main.shown}"
    lacking = [
        f"{name} lacks {_per_cent(part)}"
        for name, part in (("this copy", outcome.lacks("second")), (main.shown, outcome.lacks("first")))
        if part > 0
    ]
    said += "; " + " and ".join(lacking) if lacking else ""
    if outcome.n_filled:
        said += f", {plural(outcome.n_filled, word)} filled from this copy"
    if abs(outcome.clock_s) >= 0.5:
        way = "behind" if outcome.clock_s > 0 else "ahead"
        said += f"; its clock is {duration(abs(outcome.clock_s))} {way}"
    return said


def _per_cent(part: float) -> str:
    return share(part) if part < 0.01 or part > 0.99 else f"{100 * part:.1f} %"
