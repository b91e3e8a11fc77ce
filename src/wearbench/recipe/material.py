"""What one session holds once its files are read, in the form the computation needs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearbench.core.running import Running

__all__ = [
    "Compared",
    "DoubtSpan",
    "FileNote",
    "InputFile",
    "ReferenceMaterial",
    "Series",
    "SessionMaterial",
    "SyncMark",
]

I64 = NDArray[np.int64]
F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class InputFile:
    """A raw file that was read: path as shown, SHA-256 and size."""

    path: str
    sha256: str
    bytes: int
    format: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FileNote:
    """Something said about a file: a repair, or why it was left out."""

    slug: str
    said: str
    file: str
    line: int | None = None
    count: int = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """Two records of one recorder, compared item by item.

    Attributes
    ----------
    kind : str
        ``copy`` (of one recording), ``part`` (two parts that overlap), ``export`` (two that span sessions).
    session : str or None
        None for exports.
    first, second : str
        Files; of values that differ the first one's are used.
    n_first, n_second, n_both, n_identical, n_filled : int
        Items of each, in both, the same in both, taken from the second.
    first_lacks, second_lacks : float
        Share of all items.
    most : float
        Largest difference, in ``unit``.
    clock_s : float
        Brings the second's stamps onto the first's clock.
    said : str
    differences : tuple
        Of up to a thousand items: stamp in ms, value of the first, value of the second.
    """

    kind: str
    session: str | None
    device: str
    quantity: str
    unit: str
    first: str
    second: str
    n_first: int
    n_second: int
    n_both: int
    n_identical: int
    n_filled: int
    first_lacks: float
    second_lacks: float
    most: float
    clock_s: float
    said: str
    differences: tuple[tuple[int, float, float], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Series:
    """Readings of one device and quantity; arrays of shape (n,), seconds from the session's origin.

    ``start_s`` and ``end_s`` are windows that the file itself gives. ``facts`` are what the files say of the device.
    ``after_stamp_s`` is how far ``time_s`` lies after the device's own stamps (half a second where those were cut to
    whole ones); ``moved_s`` is what decisions have added to each. ``margin`` tells that it is cut from an export that
    spans sessions and reaches beyond its own.
    """

    device: str
    quantity: str
    unit: str
    time_s: F64
    value: F64
    source_row: I64
    start_s: F64 | None = None
    end_s: F64 | None = None
    start_known: bool = True
    after_stamp_s: float = 0.0
    moved_s: F64 | None = None
    facts: dict[str, str] = field(default_factory=dict)
    margin: bool = False

    @property
    def stamp_s(self) -> F64:
        """The device's own stamps, whatever they were read as."""
        moved = 0.0 if self.moved_s is None else self.moved_s
        stamps: F64 = self.time_s - self.after_stamp_s - moved
        return stamps


@dataclass(frozen=True, kw_only=True, slots=True)
class DoubtSpan:
    """A stretch where the reference is doubtful, found without the tested device."""

    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ReferenceMaterial:
    """One reference of one quantity in one session.

    ``made_from`` is the kind of recording behind it (rr, ecg, or the quantity itself). ``counts`` are numbers for
    reports, such as beats found and mended.
    """

    device: str
    quantity: str
    unit: str
    made_from: str
    running: Running
    first_s: float
    last_s: float
    doubts: tuple[DoubtSpan, ...] = ()
    counts: dict[str, float] = field(default_factory=dict)
    start_known: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class SyncMark:
    """One act marked on a reference's clock and on a tested device's.

    ``reference_s`` and ``tested_s`` are seconds from the session's origin as they were written, on the two clocks
    (decisions of kind ``clock`` move the second); ``reference_unit_s`` and ``tested_unit_s`` what they are written to.
    """

    reference: str
    device: str
    kind: str
    reference_s: float
    tested_s: float
    reference_unit_s: float
    tested_unit_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionMaterial:
    """All of one session. ``origin_ms`` is second 0, in ms since 1970."""

    name: str
    origin_ms: int
    references: tuple[ReferenceMaterial, ...] = ()
    tested: tuple[Series, ...] = ()
    context: tuple[Series, ...] = ()
    inputs: tuple[InputFile, ...] = ()
    repairs: tuple[FileNote, ...] = ()
    left_out: tuple[FileNote, ...] = ()
    warnings: tuple[FileNote, ...] = ()
    compared: tuple[Compared, ...] = ()
    marks: tuple[SyncMark, ...] = ()

    def reference_for(self, quantity: str) -> ReferenceMaterial | None:
        """The preferred reference of a quantity, None if there is none."""
        return next((r for r in self.references if r.quantity == quantity), None)
