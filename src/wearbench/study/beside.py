"""One file written whole: beside its place first, then renamed."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

__all__ = ["write_beside"]


def write_beside(path: Path, content: bytes) -> None:
    """Write a file beside its place and rename it, so that a write that is killed leaves the last one whole.

    Parameters
    ----------
    path : Path
        Its folder must exist.
    content : bytes

    Raises
    ------
    OSError
        If it cannot be written; what stood there before is untouched.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise
