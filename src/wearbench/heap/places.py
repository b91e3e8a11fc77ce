"""Names of the copies: which files are parts of one recording, which are copies of it, and what each is called."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from wearbench.heap.files import HeapFile
from wearbench.heap.imprint import Imprint
from wearbench.heap.likeness import overlap_ms, same_beats, same_values
from wearbench.heap.occasions import extent
from wearbench.heap.recorders import stem_of

__all__ = ["Placing", "named_places"]

TOUCH_MS = 60_000
_EXTENSIONS = {"delimited": "csv", "rr_list": "txt", "fit": "fit", "tcx": "tcx", "gpx": "gpx", "edf": "edf"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Placing:
    """One file and where its copy goes, below ``raw``; ``relation`` says what it is there."""

    file: HeapFile
    place: str
    device: str
    session: str | None
    relation: str
    note: str = ""


def named_places(
    files: Sequence[HeapFile],
    *,
    device: str,
    session: str | None,
    taken: Iterable[str] = (),
    usual: tuple[str, ...] = (),
) -> list[Placing]:
    """Name the copies of one device's files in one session, or of its exports that span sessions.

    Parameters
    ----------
    files : sequence of HeapFile
        Not yet placed.
    device : str
    session : str or None
        None for ``raw/_all``.
    taken : iterable of str
        Names that are in that folder already.
    usual : tuple of str
        How most files of the device are written; those come first, other ways of writing are copies of them.

    Returns
    -------
    list of Placing
        Files that overlap go to different copies, files that follow one another are parts of one.
    """
    folder = session or "_all"
    kinds: dict[str, list[HeapFile]] = {}
    for file in files:
        kinds.setdefault(_kind(file.imprint), []).append(file)
    together = {kind for kind, members in kinds.items() if members}
    out: list[Placing] = []
    used = {name.casefold() for name in taken}
    for kind in sorted(kinds, key=lambda k: (-len(kinds[k]), k)):
        quantity = kind if _needs_saying(kind, kinds[kind], together) else None
        lanes = _lanes(kinds[kind], usual)
        for number, lane in enumerate(lanes):
            label = None if number == 0 else _label(lane, lanes[0], number + 1)
            names = _free_names(lane, device=device, quantity=quantity, label=label, used=used)
            used |= {name.casefold() for name in names}
            for file, name in zip(lane, names, strict=True):
                relation = (
                    "copy"
                    if "@" in name
                    else "part"
                    if ".part" in name
                    else "export"
                    if session is None
                    else "recording"
                )
                note = "" if number == 0 else _compared(file, lanes[0])
                out.append(
                    Placing(
                        file=file,
                        place=f"{folder}/{name}",
                        device=device,
                        session=session,
                        relation=relation,
                        note=note,
                    )
                )
    return out


def _relation(name: str, session: str | None) -> str:
    if "@" in name:
        return "copy"
    return "part" if ".part" in name else "export" if session is None else "recording"


def _kind(imprint: Imprint) -> str:
    """What parts a file from others of its device: the quantities that it holds alone."""
    return imprint.quantities[0] if len(imprint.quantities) == 1 else "+".join(sorted(imprint.quantities))


def _needs_saying(kind: str, members: list[HeapFile], together: set[str]) -> bool:
    """Whether the name must say the quantity: several kinds lie side by side, or headings alone did not say it."""
    return "+" not in kind and (len(together) > 1 or any(f.imprint.format == "rr_list" for f in members))


def _lanes(files: list[HeapFile], usual: tuple[str, ...]) -> list[list[HeapFile]]:
    """Files that follow one another in one lane, what overlaps in another; the usual, then the longest lane first."""
    lanes: list[list[HeapFile]] = []
    for file in sorted(files, key=lambda f: (extent(f) or (0, 0), f.name)):
        span = extent(file)
        fitting = [lane for lane in lanes if span is not None and not _overlaps(lane, span)]
        if fitting:
            max(fitting, key=lambda lane: _alike(lane[-1], file)).append(file)
        else:
            lanes.append([file])
    return sorted(lanes, key=lambda lane: (lane[0].imprint.manner() != usual, -sum(map(_length, lane))))


def _overlaps(lane: list[HeapFile], span: tuple[int, int]) -> bool:
    for file in lane:
        there = extent(file)
        if there is None or overlap_ms(there, span) > min(TOUCH_MS, (span[1] - span[0]) // 2):
            return True
    return False


def _alike(one: HeapFile, other: HeapFile) -> tuple[bool, bool, bool]:
    folders = one.name.rpartition("/")[0] == other.name.rpartition("/")[0]
    return (folders, stem_of(one.name) == stem_of(other.name), one.imprint.manner() == other.imprint.manner())


def _length(file: HeapFile) -> int:
    span = extent(file)
    return 0 if span is None else span[1] - span[0]


def _label(lane: list[HeapFile], main: list[HeapFile], number: int) -> str:
    """The name of a copy: its folder's if that tells the two apart, else ``copy2``."""
    folders = {f.name.rpartition("/")[0].rsplit("/", 1)[-1] for f in lane}
    others = {f.name.rpartition("/")[0].rsplit("/", 1)[-1] for f in main}
    if len(folders) == 1 and not folders & others:
        plain = unicodedata.normalize("NFKD", folders.pop()).encode("ascii", "ignore").decode()
        word = re.sub(r"[^A-Za-z0-9_-]+", "-", plain).strip("-")
        if word:
            return word[:40]
    return f"copy{number}"


def _free_names(
    lane: list[HeapFile], *, device: str, quantity: str | None, label: str | None, used: set[str]
) -> list[str]:
    """Names that claim nothing that is there: parts go on numbering, else another copy's name is found."""
    base = f"{device}.{quantity}" if quantity else device
    number = 1
    while True:
        tail = "" if label is None else f"@{label}"
        claimed = [name for name in used if _claims(name, base, tail)]
        first = 1
        if claimed:
            parts = [_part(name) for name in claimed]
            if all(part is not None for part in parts):
                first = max(part for part in parts if part is not None) + 1
            else:
                number += 1
                label = f"{label.rstrip('0123456789')}{number}" if label is not None else "later"
                continue
        if len(lane) == 1 and first == 1:
            return [f"{base}{tail}.{_extension(lane[0])}"]
        return [f"{base}.part{first + i}{tail}.{_extension(file)}" for i, file in enumerate(lane)]


def _claims(name: str, base: str, tail: str) -> bool:
    stem = name.rpartition(".")[0]
    found = re.fullmatch(rf"{re.escape(base.casefold())}(\.part\d+)?{re.escape(tail.casefold())}", stem)
    return found is not None


def _part(name: str) -> int | None:
    found = re.search(r"\.part(\d+)", name)
    return None if found is None else int(found[1])


def _extension(file: HeapFile) -> str:
    given = file.path.suffix[1:].lower()
    if re.fullmatch(r"[a-z0-9]{1,8}", given):
        return given
    return _EXTENSIONS.get(file.imprint.format or "", file.imprint.format or "dat")


def _compared(file: HeapFile, main: list[HeapFile]) -> str:
    """How a copy compares with what it is a copy of."""
    span = extent(file)
    best = max(main, key=lambda f: overlap_ms(extent(f) or (0, 0), span or (0, 0)), default=None)
    if best is None:
        return ""
    for a in file.imprint.tracks:
        for b in best.imprint.tracks:
            if (a.quantity, a.kind) != (b.quantity, b.kind):
                continue
            if a.kind == "intervals":
                fewer = (
                    f"; it has {b.n - a.n:,} fewer"
                    if b.n > a.n
                    else f"; it has {a.n - b.n:,} more"
                    if a.n > b.n
                    else ""
                )
                return f"{same_beats(a, b):.0%} of its beats are those of {best.name}{fewer}"
            n, share, most = same_values(a, b)
            if n:
                differ = n - round(share * n)
                if differ:
                    size = f"{most:.3g} {a.unit}".rstrip()
                    return f"{differ:,} of {n:,} quarter minutes differ from {best.name}, by up to {size}"
                return f"says the same as {best.name} where both are"
    return ""
