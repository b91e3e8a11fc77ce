"""The files of a heap, read one after another; what was read before is taken from the index."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path
from typing import Final

from wearbench.errors import UsageError
from wearbench.formats import Layout
from wearbench.heap.answers import Answers, matched
from wearbench.heap.imprint import Imprint, digest_of, imprint_of
from wearbench.heap.index import FOLDER, Index
from wearbench.quantities import QUANTITIES
from wearbench.study.zones import zone_named

__all__ = ["HeapFile", "files_below", "imprint_for", "read_again", "read_all"]

_JUNK: Final = ("thumbs.db", "desktop.ini")


@dataclass(kw_only=True, slots=True)
class HeapFile:
    """One file: ``name`` as the person sees it, ``device`` and ``session`` as answered or already placed.

    ``shifts`` are places on its own clock with what must be added there to lie where the others say it lay; empty
    where nothing was seen to be off.
    ``guessed`` tells that nothing of its own showed them.
    ``found_ms`` is where a recording without a date begins, if that was found.
    ``word`` is the word of its name that may be its recorder's. ``doubt`` is why it is left out until someone answers.
    """

    path: Path
    name: str
    imprint: Imprint
    device: str | None = None
    session: str | None = None
    placed: str | None = None
    shifts: list[tuple[int, int]] = field(default_factory=list)
    guessed: bool = False
    found_ms: int | None = None
    word: str | None = None
    doubt: str | None = None
    same_as: str | None = None
    notes: list[str] = field(default_factory=list)

    def shift_at(self, stamp_ms: int) -> int:
        """What must be added to a stamp, by the nearest place where it was seen, ms."""
        return min(self.shifts, key=lambda seen: abs(seen[0] - stamp_ms))[1] if self.shifts else 0


def files_below(heaps: Sequence[Path]) -> list[tuple[Path, str]]:
    """Every file of the heaps with its name below them; hidden files and folders are passed over.

    Raises
    ------
    UsageError
        ``no-such-file`` if a heap is not there.
    """
    found: list[tuple[Path, str]] = []
    for heap in heaps:
        if heap.is_file():
            found.append((heap.resolve(), heap.name))
            continue
        if not heap.is_dir():
            raise UsageError("expected a folder of recordings, found none", slug="no-such-file", file=str(heap))
        first = f"{heap.resolve().name}/" if len(heaps) > 1 else ""
        for place, folders, names in os.walk(heap):
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            for name in sorted(names):
                if name.startswith((".", "~$")) or name.casefold() in _JUNK:
                    continue
                path = Path(place, name)
                if path.is_file():
                    found.append((path.resolve(), first + path.relative_to(heap).as_posix()))
    return list(dict.fromkeys(found))


def read_all(
    files: Iterable[tuple[Path, str]],
    *,
    index: Index,
    answers: Answers,
    zone: tzinfo | None,
    progress: Callable[[str, int, int], None] = lambda stage, done, total: None,
) -> list[HeapFile]:
    """Read files, or take what is known of them from the index; a file that cannot be read says why.

    Parameters
    ----------
    files : pairs of path and name
    index : Index
        Every file is entered as soon as it is read.
    answers : Answers
    zone : tzinfo or None
        For stamps without offset, unless a device has its own.
    progress : callable
        Called with stage, done and total.

    Returns
    -------
    list of HeapFile
    """
    files = list(files)
    found: list[HeapFile] = []
    for done, (path, name) in enumerate(files):
        progress("reading", done, len(files))
        if FOLDER in path.parts or any(matched(name, {pattern: pattern}) for pattern in answers.ignore):
            continue
        device = matched(name, answers.devices)
        own = answers.zones.get(device) if device is not None else None
        found.append(
            HeapFile(
                path=path,
                name=name,
                imprint=_heap_imprint(
                    path, name, index=index, answers=answers, zone=zone if own is None else zone_named(own)
                ),
                device=device,
                session=matched(name, answers.sessions),
            )
        )
    return found


def imprint_for(
    path: Path, *, index: Index, zone: tzinfo | None, layout: Layout | None = None, quantity: str | None = None
) -> Imprint:
    """The imprint of a file, from the index if it was read in this way before."""
    how = f"{zone}|{layout}|{quantity}"
    try:
        digest = index.sha256(path)
        known = None if digest is None else index.get(digest, how)
        if known is not None:
            return known
        digest = digest or digest_of(path)
        made = index.get(digest, how) or imprint_of(path, sha256=digest, zone=zone, layout=layout, quantity=quantity)
        index.put(path, made, how)
    except OSError as error:
        problem = ("cannot-read", f"cannot be opened: {error.strerror or error}", None)
        return Imprint("", 0, None, {}, {}, (), (), local=False, problem=problem)
    return made


def read_again(file: HeapFile, *, index: Index, answers: Answers, zone: tzinfo) -> None:
    """Read a file whose device turned out to have a zone of its own."""
    file.imprint = _heap_imprint(file.path, file.name, index=index, answers=answers, zone=zone)


def _heap_imprint(path: Path, name: str, *, index: Index, answers: Answers, zone: tzinfo | None) -> Imprint:
    layout_name = matched(name, answers.layout_of)
    layout = None if layout_name is None else answers.layouts[layout_name]
    return imprint_for(path, index=index, zone=zone, layout=layout, quantity=_quantity(path))


def _quantity(path: Path) -> str | None:
    """What the file's name says it holds, written as a study's files are (``patch.rr.txt``)."""
    words = path.name.split("@")[0].split(".")[1:-1]
    return next((word for word in words if word in QUANTITIES), None)
