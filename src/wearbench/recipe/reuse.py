"""Results of steps used again in later runs, where nothing that they depend on has changed.

A step's result is kept under the hash of the code, the step's name, what the step is given (see ``narrowing``), the
files it reads and the keys of the results it builds on. So a run after a change does again what the change bears on and
no more, and a run after a kill goes on where that one stopped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic, TypeVar

from wearbench.errors import DataError
from wearbench.recipe.fingerprint import code_version, file_sha256, fingerprint
from wearbench.recipe.packing import pack, unpack
from wearbench.study import Study
from wearbench.study.cache import Cache

__all__ = ["Keep", "Reused", "Task", "carried_out"]

Result = TypeVar("Result")


@dataclass(frozen=True, kw_only=True, slots=True)
class Task(Generic[Result]):
    """A step to be done, in this process or another, and its place in the cache.

    Attributes
    ----------
    work : callable
        Makes the result.
    key : str or None
        None keeps nothing.
    given : object
        What the result shares parts with, see ``packing``.
    still : callable
        Whether what the key was made of still holds once the work is done: a file may change while it is read.
    """

    work: Callable[[], Result]
    key: str | None = None
    given: Any = None
    still: Callable[[Result], bool] | None = None
    cache: Cache | None = None

    def kept(self) -> Result | None:
        """The result of an earlier run; one that is torn is forgotten."""
        if self.cache is None or self.key is None:
            return None
        content = self.cache.get(self.key)
        if content is None:
            return None
        try:
            result: Result = unpack(content, given=self.given)
        except DataError:
            self.cache.drop(self.key)
            return None
        return result


def carried_out(task: Task[Result]) -> Result:
    """Do a task, and keep its result."""
    result = task.work()
    if task.cache is not None and task.key is not None and (task.still is None or task.still(result)):
        task.cache.put(task.key, pack(result, given=task.given))
    return result


@dataclass(frozen=True, kw_only=True, slots=True)
class Reused:
    """Of how many sessions a step was done, and of how many its result was kept from earlier runs."""

    computed: int = 0
    reused: int = 0

    @property
    def total(self) -> int:
        """Sessions."""
        return self.computed + self.reused


@dataclass(kw_only=True, slots=True)
class Keep:
    """What one run keeps and uses again.

    Attributes
    ----------
    cache : Cache or None
        None keeps nothing and uses nothing.
    counts : dict
        Step to Reused, filled as the run goes on.
    """

    cache: Cache | None = None
    counts: dict[str, Reused] = field(default_factory=dict)
    _hashes: dict[Path, str | None] = field(default_factory=dict)

    def key(self, step: str, *parts: Any) -> str | None:
        """Where the result of a step with these inputs is kept; None without a cache or where a part is None."""
        if self.cache is None or any(part is None for part in parts):
            return None
        return fingerprint(code_version(), step, *parts)

    def files(self, study: Study) -> dict[str, str] | None:
        """SHA-256 of the study's raw files by the name shown; None if one cannot be read, or without a cache.

        Files are read once a run: those that span sessions belong to all of them.
        """
        if self.cache is None:
            return None
        found: dict[str, str] = {}
        for file in study.files():
            if file.path not in self._hashes:
                self._hashes[file.path] = file_sha256(file.path)
            sha256 = self._hashes[file.path]
            if sha256 is None:
                return None
            found[file.shown] = sha256
        return found

    def count(self, step: str, *, computed: int, reused: int) -> None:
        """Note what became of a step."""
        self.counts[step] = Reused(computed=computed, reused=reused)
