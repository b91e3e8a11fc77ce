"""Where results of single steps are kept between runs: the person's own cache folder, never a study.

A study is passed between people, so nothing in it may be trusted to be what wearbench wrote; and recordings of a body
do not belong into a folder that somebody may send on without knowing. An entry is a file of bytes named by its key,
written beside and renamed. What is in the bytes is not this module's business.
"""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from wearbench.study.beside import write_beside

__all__ = ["CACHE_VARIABLE", "Cache", "cache_folder"]

CACHE_VARIABLE: Final = "WEARBENCH_CACHE"
_ENDING: Final = ".step"
_ENTRY: Final = re.compile(r"[0-9a-f]{64}\.step")
_BESIDE: Final = re.compile(r"\.[0-9a-f]{64}\.step\..*")
_TORN_AFTER_S: Final = 3600.0


def cache_folder(variables: Mapping[str, str] | None = None, *, platform: str = sys.platform) -> Path | None:
    """The folder of the cache: that named by WEARBENCH_CACHE, else ``wearbench`` in the usual place of the system.

    Parameters
    ----------
    variables : mapping, optional
        Of the environment; that of this process if not given.
    platform : str
        As ``sys.platform`` names it.

    Returns
    -------
    Path or None
        It need not exist. None where the person has no home folder.

    Notes
    -----
    ``%LOCALAPPDATA%`` on Windows, ``~/Library/Caches`` on macOS, elsewhere ``$XDG_CACHE_HOME`` or ``~/.cache`` (XDG
    Base Directory Specification 0.8: a path that is not absolute is to be ignored).
    """
    given = os.environ if variables is None else variables
    own = given.get(CACHE_VARIABLE)
    if own:
        return Path(own).expanduser()
    if platform == "win32":
        local = given.get("LOCALAPPDATA")
        return Path(local) / "wearbench" / "cache" if local else None
    home = given.get("HOME")
    if platform == "darwin":
        return Path(home) / "Library" / "Caches" / "wearbench" if home else None
    base = given.get("XDG_CACHE_HOME", "")
    if Path(base).is_absolute():
        return Path(base) / "wearbench"
    return Path(home) / ".cache" / "wearbench" if home else None


@dataclass(frozen=True, kw_only=True, slots=True)
class Cache:
    """Entries by key, a SHA-256 in hexadecimal. Nothing here raises: a cache that fails is only slower.

    Attributes
    ----------
    folder : Path
    """

    folder: Path

    def get(self, key: str) -> bytes | None:
        """What is kept under a key, None if nothing is; an entry that is used counts as new."""
        path = self._path(key)
        try:
            content = path.read_bytes()
        except OSError:
            return None
        with suppress(OSError):
            os.utime(path)
        return content

    def put(self, key: str, content: bytes) -> None:
        """Keep bytes under a key."""
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            write_beside(self._path(key), content)

    def drop(self, key: str) -> None:
        """Forget a key."""
        with suppress(OSError):
            self._path(key).unlink()

    def size(self) -> tuple[int, int]:
        """Number of entries and their bytes."""
        entries = self._entries()
        return len(entries), sum(size for _, size, _ in entries)

    def shrink(self, most_bytes: int) -> None:
        """Remove entries, those not used for longest first, until the rest fits; and what killed writes have left."""
        entries = sorted(self._entries(), key=lambda entry: entry[0])
        total = sum(size for _, size, _ in entries)
        for _, size, path in entries:
            if total <= most_bytes:
                break
            with suppress(OSError):
                path.unlink()
                total -= size
        self._sweep(older_than_s=_TORN_AFTER_S)

    def clear(self) -> None:
        """Remove all entries; other files in the folder stay."""
        for _, _, path in self._entries():
            with suppress(OSError):
                path.unlink()
        self._sweep(older_than_s=0.0)

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}{_ENDING}"

    def _entries(self) -> list[tuple[float, int, Path]]:
        """When last used, bytes, path."""
        return [(seen, size, path) for name, seen, size, path in self._files() if _ENTRY.fullmatch(name)]

    def _sweep(self, *, older_than_s: float) -> None:
        for name, seen, _, path in self._files():
            if _BESIDE.fullmatch(name) and time.time() - seen >= older_than_s:
                with suppress(OSError):
                    path.unlink()

    def _files(self) -> list[tuple[str, float, int, Path]]:
        found = []
        with suppress(OSError), os.scandir(self.folder) as listing:
            for entry in listing:
                with suppress(OSError):
                    status = entry.stat(follow_symlinks=False)
                    found.append((entry.name, status.st_mtime, status.st_size, Path(entry.path)))
        return found
