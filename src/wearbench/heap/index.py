"""What was read already, so that a sort that was stopped goes on where it was: kept beside the heap, never in it."""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Final

import msgspec

from wearbench.errors import UsageError
from wearbench.heap.imprint import Imprint

__all__ = ["Index", "index_place"]

SCHEMA: Final = 1
"""Raised when an imprint changes its meaning; older entries are then read anew."""
FOLDER: Final = ".wearbench-sort"


def index_place(heaps: tuple[Path, ...]) -> Path:
    """Where the index lies: beside the first heap, in no heap."""
    inside = {heap.resolve() for heap in heaps}
    place = heaps[0].resolve().parent
    while inside & {place, *place.parents} and place != place.parent:
        place = place.parent
    return place / FOLDER / "index.sqlite"


class Index:
    """Imprints by content, and contents by path, size and time of change.

    Parameters
    ----------
    path : Path
        Made if it is not there; where that is not allowed, a temporary file takes its place.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._base = _opened(path)
        except (OSError, sqlite3.OperationalError):
            self.path = Path(tempfile.mkdtemp(prefix="wearbench-sort-")) / "index.sqlite"
            self._base = _opened(self.path)
        except sqlite3.DatabaseError:  # damaged; everything in it can be read again
            path.unlink(missing_ok=True)
            self._base = _opened(path)

    def __enter__(self) -> Index:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._base.close()

    def sha256(self, path: Path) -> str | None:
        """The digest of a file that has not changed since it was read."""
        at = path.stat()
        row = self._base.execute(
            "SELECT sha256 FROM files WHERE path = ? AND bytes = ? AND changed = ?",
            (str(path), at.st_size, at.st_mtime_ns),
        ).fetchone()
        return None if row is None else str(row[0])

    def get(self, sha256: str, how: str) -> Imprint | None:
        """The imprint of a content read in one way (``how`` names zone, layout and quantity)."""
        row = self._base.execute("SELECT imprint FROM contents WHERE sha256 = ? AND how = ?", (sha256, how)).fetchone()
        try:
            return None if row is None else msgspec.msgpack.decode(row[0], type=Imprint)
        except msgspec.DecodeError:
            return None

    def put(self, path: Path, imprint: Imprint, how: str) -> None:
        """Keep an imprint; once this returns it outlives a kill."""
        try:
            at = path.stat()
            with self._base:
                self._base.execute(
                    "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)",
                    (str(path), at.st_size, at.st_mtime_ns, imprint.sha256),
                )
                self._base.execute(
                    "INSERT OR REPLACE INTO contents VALUES (?, ?, ?)",
                    (imprint.sha256, how, msgspec.msgpack.encode(imprint)),
                )
        except sqlite3.OperationalError as error:
            said = f"the list of what was read cannot be written: {error}. Free some space and run the command again"
            raise UsageError(said, slug="not-writable", file=str(self.path)) from error


def _opened(path: Path) -> sqlite3.Connection:
    base = sqlite3.connect(path, timeout=30.0)
    base.execute("PRAGMA synchronous = OFF")
    (schema,) = base.execute("PRAGMA user_version").fetchone()
    with base:
        if schema != SCHEMA:
            base.execute("DROP TABLE IF EXISTS files")
            base.execute("DROP TABLE IF EXISTS contents")
            base.execute(f"PRAGMA user_version = {SCHEMA}")
        base.execute(
            "CREATE TABLE IF NOT EXISTS files (path TEXT PRIMARY KEY, bytes INTEGER, changed INTEGER, sha256 TEXT)"
        )
        base.execute(
            "CREATE TABLE IF NOT EXISTS contents (sha256 TEXT, how TEXT, imprint BLOB, PRIMARY KEY (sha256, how))"
        )
    return base
