"""One raw file read for the recipe: what it held, or why it was left out, noted either way."""

from __future__ import annotations

import hashlib
from pathlib import Path

from wearbench.errors import WearbenchError
from wearbench.formats import FileContent, ReadContext, read_file
from wearbench.recipe.material import FileNote, InputFile
from wearbench.study import StudyFile

__all__ = ["read_noted"]


def read_noted(
    file: StudyFile,
    context: ReadContext,
    *,
    inputs: list[InputFile],
    repairs: list[FileNote],
    left_out: list[FileNote],
) -> FileContent | None:
    """Read a raw file; one that cannot be read costs itself only.

    Parameters
    ----------
    file : StudyFile
    context : ReadContext
    inputs, repairs, left_out : list
        Added to: the file with its SHA-256, what was read leniently, or why it was left out.

    Returns
    -------
    FileContent or None
        None if it was left out.
    """
    try:
        content = read_file(file.path, context)
        digest = _sha256(file.path)
    except WearbenchError as error:
        left_out.append(FileNote(slug=error.slug, said=error.message, file=error.file or file.shown, line=error.line))
        return None
    except OSError as error:
        said = f"expected a file that can be read, got: {error.strerror or error}; check it and its permissions"
        left_out.append(FileNote(slug="cannot-read", said=said, file=file.shown))
        return None
    inputs.append(InputFile(path=file.shown, sha256=digest, bytes=file.bytes, format=content.format))
    repairs += [
        FileNote(slug=r.slug, said=r.said, file=r.file or file.shown, line=r.line, count=r.count)
        for r in content.repairs
    ]
    return content


def _sha256(path: Path) -> str:
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
