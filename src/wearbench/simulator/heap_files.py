"""The folder of a heap as it fills: bytes go there, what is so about each file is kept beside."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.heap_day import ms_of
from wearbench.simulator.heap_plan import HeapPlan
from wearbench.simulator.heap_truth import HeapFile, HeldSession, ZoneSpan
from wearbench.simulator.session import SimulatedSession

__all__ = ["HeapFolder", "instant_of", "stamp_texts", "table_bytes", "whole_texts"]

I64 = NDArray[np.int64]

MARGIN_MS = 60_000
"""Rows this close to a session are counted as its own."""


@dataclass(kw_only=True, slots=True)
class HeapFolder:
    """Files as they are written, with what is so about each."""

    folder: Path
    plan: HeapPlan
    sessions: Sequence[SimulatedSession]
    files: list[HeapFile] = field(default_factory=list)

    def put(self, file: HeapFile, data: bytes) -> None:
        """Write a file."""
        path = self.folder / file.path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        self.files.append(file)

    def put_again(self, file: HeapFile, path: str, data: bytes) -> None:
        """Write the same bytes under another name."""
        wrong = tuple(sorted({*file.wrong, "same_bytes"}))
        self.put(replace(file, path=path, kind="duplicate", same_as=file.path, wrong=wrong), data)

    def described(self, file: HeapFile, true_ms: I64, *, among: Iterable[str] | None = None) -> HeapFile:
        """Fill in what follows from the instants of the rows; ``among`` limits the sessions that can be held."""
        names = None if among is None else set(among)
        return replace(
            file,
            sessions=tuple(self._held(true_ms, names)),
            n_rows=true_ms.size,
            first=instant_of(true_ms[0]),
            last=instant_of(true_ms[-1]),
            zones=self._zones(true_ms) if file.stamps != "utc" else (),
        )

    def _held(self, true_ms: I64, names: set[str] | None) -> Iterable[HeldSession]:
        for occasion in self.plan.occasions:
            if names is not None and occasion.name not in names:
                continue
            start, end = ms_of(occasion.plan.start) - MARGIN_MS, ms_of(occasion.plan.end) + MARGIN_MS
            inside = true_ms[(true_ms >= start) & (true_ms <= end)]
            if inside.size:
                yield HeldSession(session=occasion.name, start=instant_of(inside[0]), end=instant_of(inside[-1]))

    def _zones(self, true_ms: I64) -> tuple[ZoneSpan, ...]:
        home, away = self.plan.zones
        if true_ms[0] >= ms_of(self.plan.landed):
            return (replace(away, start=None),)
        return (home, away) if true_ms[-1] >= ms_of(self.plan.landed) else (home,)


def instant_of(ms: int | np.int64) -> datetime:
    """Instant of milliseconds since 1970-01-01T00:00:00Z."""
    return datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=int(ms))


def stamp_texts(ms: I64, *, digits: int, between: str = " ", after: str = "") -> list[str]:
    """Write stamps, cut to the second or with ``digits=3``."""
    texts = np.datetime_as_string(ms.astype("datetime64[ms]"), unit="ms" if digits else "s").tolist()
    return [text.replace("T", between) + after for text in texts]


def whole_texts(value: NDArray[np.float64]) -> list[str]:
    """Write whole numbers."""
    return [f"{each:.0f}" for each in value.tolist()]


def table_bytes(
    heading: str, stamps: list[str], values: list[str], *, delimiter: str = ",", line_end: str = "\n"
) -> bytes:
    """Write a table of stamps and values."""
    rows = (f"{stamp}{delimiter}{value}" for stamp, value in zip(stamps, values, strict=True))
    return (line_end.join((heading, *rows)) + line_end).encode()
