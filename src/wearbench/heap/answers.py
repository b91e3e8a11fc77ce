"""What the person answered: by flags, or in a file for scripts."""

from __future__ import annotations

import fnmatch
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from wearbench.errors import UsageError
from wearbench.formats.recording import Layout
from wearbench.quantities import known
from wearbench.study.checked import Checked, read_toml
from wearbench.study.config import read_layouts
from wearbench.study.problem import listed, shown
from wearbench.study.zones import zone_named

__all__ = ["Answers", "checked", "layouts_text", "matched", "read_answers"]

DEVICE: Final = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, kw_only=True, slots=True)
class Answers:
    """Answers to the numbered questions; patterns are names of files below the heap, ``*`` and ``?`` allowed.

    Attributes
    ----------
    timezone : str or None
        Zone of stamps without offset.
    reference : str or None
        The trusted device.
    ignore : tuple of str
        Patterns of files that are no recordings of this study.
    devices : dict
        Pattern -> device.
    zones : dict
        Device -> its own zone.
    sessions : dict
        Pattern -> session.
    session_zones : dict
        Session, or a pattern of sessions -> the zone of stamps without offset in it.
    layouts : dict
        Name -> how a table is read.
    layout_of : dict
        Pattern -> name of a layout.
    """

    timezone: str | None = None
    reference: str | None = None
    ignore: tuple[str, ...] = ()
    devices: dict[str, str] = field(default_factory=dict)
    zones: dict[str, str] = field(default_factory=dict)
    sessions: dict[str, str] = field(default_factory=dict)
    session_zones: dict[str, str] = field(default_factory=dict)
    layouts: dict[str, Layout] = field(default_factory=dict)
    layout_of: dict[str, str] = field(default_factory=dict)


def matched(name: str, patterns: dict[str, str]) -> str | None:
    """The answer for a file, by its whole name, else by the first pattern that fits."""
    if name in patterns:
        return patterns[name]
    last = name.rsplit("/", 1)[-1]
    if last in patterns:
        return patterns[last]
    for pattern, answer in patterns.items():
        if fnmatch.fnmatchcase(name, pattern) or fnmatch.fnmatchcase(last, pattern):
            return answer
    return None


def read_answers(path: Path) -> Answers:
    """Read a file of answers (TOML).

    Raises
    ------
    StudyError
        For an unknown key or a value that does not fit, with file and line.
    """
    top = read_toml(path, file=str(path))
    zones = _texts(top, "zones")
    answers = Answers(
        timezone=top.text("timezone"),
        reference=top.text("reference"),
        ignore=top.texts("ignore"),
        devices=_texts(top, "devices"),
        zones=zones,
        sessions=_texts(top, "sessions"),
        session_zones=_texts(top, "session_zones"),
        layouts=read_layouts(top, known()),
        layout_of=_texts(top, "layout_of"),
    )
    top.done()
    return checked(answers)


def checked(answers: Answers) -> Answers:
    """The same, once zones and names are known to be usable.

    Raises
    ------
    StudyError
        ``unknown-zone``.
    UsageError
        For a device that files could not be named after, or a layout that is not there.
    """
    for zone in (answers.timezone, *answers.zones.values(), *answers.session_zones.values()):
        if zone is not None:
            zone_named(zone)
    names = (answers.reference, *answers.devices.values())
    for name in names:
        if name is not None and DEVICE.fullmatch(name) is None:
            said = f"expected the name of a device made of letters, digits, _ and -, got {shown(name)}"
            raise UsageError(said, slug="bad-name", value=name)
    for name in answers.sessions.values():
        if not name.strip() or name.startswith((".", "_")) or any(sign in name for sign in '/\\:*?"<>|'):
            raise UsageError(
                f"expected a session name that can name a folder, got {shown(name)}", slug="session-name", value=name
            )
    for name in answers.layout_of.values():
        if name not in answers.layouts:
            said = f"expected the name of a layout ({listed(answers.layouts)}), got {shown(name)}"
            raise UsageError(said, slug="unknown-layout", value=name)
    return answers


def _texts(top: Checked, key: str) -> dict[str, str]:
    table = top.sub(key)
    found = {name: table.text(name, default="") for name in table.table}
    table.done()
    return found


def layouts_text(path: Path) -> str:
    """The tables ``[layouts.<name>]`` of a file of answers, as they go into study.toml."""
    import tomlkit

    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    if "layouts" not in document:
        return ""
    made = tomlkit.document()
    made["layouts"] = document["layouts"]
    return tomlkit.dumps(made)
