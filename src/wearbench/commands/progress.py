"""Progress on standard error: a bar on a terminal, a line now and then elsewhere, nothing in the first second."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterator
from types import TracebackType
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress as Bars
    from rich.progress import TaskID

__all__ = ["Progress", "waiting"]

FIRST_AFTER_S = 1.0
LINE_EVERY_S = 10.0


@contextlib.contextmanager
def waiting(what: str, *, quiet: bool, stream: TextIO | None = None) -> Iterator[None]:
    """Say that something goes on which cannot tell how far it is.

    A moving sign on a terminal, a line now and then elsewhere, nothing in the first second.
    """
    stream = stream or sys.stderr
    done = threading.Event()

    def tell() -> None:
        if done.wait(FIRST_AFTER_S):
            return
        if stream.isatty():
            from rich.console import Console

            with Console(file=stream).status(what):
                done.wait()
            return
        while True:
            stream.write(f"{what} ...\n")
            stream.flush()
            if done.wait(LINE_EVERY_S):
                return

    if quiet:
        yield
        return
    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        yield
    finally:
        done.set()
        teller.join()


class Progress:
    """Call it with (stage, done, total) as work goes on; use it as a context.

    Parameters
    ----------
    quiet : bool
        Show nothing.
    stream : text stream or None
        Standard error if None.
    clock : callable
        Seconds, for tests.
    """

    def __init__(self, *, quiet: bool, stream: TextIO | None = None, clock: Any = time.monotonic) -> None:
        self._quiet = quiet
        self._stream = stream or sys.stderr
        self._clock = clock
        self._began = clock()
        self._said = -1e9
        self._bars: Bars | None = None
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bars is not None:
            self._bars.stop()

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Say how far a stage is."""
        now = self._clock()
        if self._quiet or now - self._began < FIRST_AFTER_S:
            return
        if self._stream.isatty():
            self._draw(stage, done, total)
        elif now - self._said >= LINE_EVERY_S:
            self._said = now
            self._stream.write(f"{stage}: {done} of {total}\n")
            self._stream.flush()

    def _draw(self, stage: str, done: int, total: int) -> None:
        if self._bars is None:
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
            from rich.progress import Progress as Bars

            columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
            self._bars = Bars(*columns, console=Console(file=self._stream), transient=True)
            self._bars.start()
        if stage not in self._tasks:
            self._tasks[stage] = self._bars.add_task(stage, total=total)
        self._bars.update(self._tasks[stage], completed=done, total=total)
