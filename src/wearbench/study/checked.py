"""A TOML table read key by key: each value checked, whatever nobody asked for refused."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar, overload

from wearbench.errors import StudyError
from wearbench.study.problem import listed, near, shown

__all__ = ["Checked", "read_toml"]

_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
_HEADER = re.compile(r"\s*\[+\s*([^\]]+?)\s*\]+")
_KEY = re.compile(r"\s*([\w\-.\"' ]+?)\s*=")
_NAME = re.compile(r"[A-Za-z0-9_-]+")
S = TypeVar("S", bound=str)


def read_toml(path: Path, *, file: str) -> Checked:
    """Read a TOML file into its checked top table.

    Raises
    ------
    StudyError
        If it cannot be opened, is not UTF-8, or is not TOML (with the line).
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise StudyError(f"cannot be opened: {error.strerror}", slug="cannot-read", file=file) from error
    except UnicodeDecodeError as error:
        raise StudyError(
            f"expected UTF-8 text, got byte 0x{error.object[error.start]:02x} at position {error.start}. "
            "Save the file as UTF-8",
            slug="toml-syntax",
            file=file,
        ) from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = _AT.search(str(error))
        line = int(found[1]) if found and found[1] else text.count("\n") + 1
        said = _AT.sub("", str(error))
        hint = ". Text values need quotes" if said.startswith("Invalid value") else ""
        raise StudyError(f"not TOML: {said}{hint}", slug="toml-syntax", file=file, line=line) from error
    return Checked(table, file=file, at="", lines=_lines_of_keys(text))


def _lines_of_keys(text: str) -> dict[str, int]:
    """Line of each key and table header, by dotted name; a help for messages, so the first one wins."""
    lines: dict[str, int] = {}
    inside = ""
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        key = _KEY.match(line)
        if header is not None:
            inside = re.sub(r"[\"' ]", "", header[1])
            lines.setdefault(inside, number)
        elif key is not None:
            name = re.sub(r"[\"' ]", "", key[1])
            full = f"{inside}.{name}" if inside else name
            while full and full != inside:
                lines.setdefault(full, number)
                full = full.rpartition(".")[0]
    return lines


class Checked:
    """One table of a TOML file; ask for each key once, then call ``done``.

    Parameters
    ----------
    table : dict
        As tomllib read it.
    file : str
        Name for messages.
    at : str
        Dotted place of the table, empty at the top.
    lines : dict
        Line of each dotted key.

    Notes
    -----
    Every method raises :class:`StudyError` naming file, line, key, what was expected and what came.
    """

    def __init__(self, table: dict[str, Any], *, file: str, at: str, lines: dict[str, int]) -> None:
        self.table = table
        self.file = file
        self.at = at
        self._lines = lines
        self._asked: list[str] = []

    def fail(self, key: str, said: str, *, slug: str) -> StudyError:
        """The error about one key of this table (about the table itself if ``key`` is empty)."""
        place = ".".join(part for part in (self.at, key) if part)
        value = self.table.get(key)
        return StudyError(
            f"{place}: {said}" if place else said,
            slug=slug,
            file=self.file,
            line=self._lines.get(place.replace(" ", "")) or self._lines.get(self.at),
            value=None if value is None else shown(value),
        )

    def expected(self, key: str, what: str, *, hint: str = "") -> StudyError:
        """The error that ``what`` was expected at ``key`` and something else came."""
        said = f"expected {what}, got {shown(self.table[key])}.{hint}"
        return self.fail(key, said.removesuffix("."), slug="wrong-value")

    def has(self, key: str) -> bool:
        """Whether the key is there; counts as asked for."""
        if key not in self._asked:
            self._asked.append(key)
        return key in self.table

    def need(self, key: str, what: str) -> None:
        """Refuse a table without ``key``."""
        if not self.has(key):
            raise self.fail("", f"expected a key {key} ({what}), found none", slug="missing-key")

    @overload
    def text(self, key: str) -> str | None: ...
    @overload
    def text(self, key: str, *, default: str) -> str: ...
    def text(self, key: str, *, default: str | None = None) -> str | None:
        """Text that is not empty."""
        if not self.has(key):
            return default
        value = self.table[key]
        if not isinstance(value, str):
            hint = " Put it in quotes" if isinstance(value, (int, float)) and not isinstance(value, bool) else ""
            raise self.expected(key, "text", hint=hint)
        if not value.strip():
            raise self.expected(key, "text that is not empty")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """One text or a list of texts; empty if the key is missing."""
        if not self.has(key):
            return ()
        value = self.table[key]
        if isinstance(value, str) and value:
            return (value,)
        if isinstance(value, list) and value and all(isinstance(item, str) for item in value):
            return tuple(value)
        raise self.expected(key, "text or a list of texts")

    def number(self, key: str, *, low: float, high: float, unit: str = "") -> float | None:
        """A number from ``low`` to ``high``."""
        if not self.has(key):
            return None
        value = self.table[key]
        good = isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high
        if not good:
            span = "a number" if high == float("inf") == -low else f"a number of at least {low:g}"
            span = f"a number from {low:g} to {high:g}" if high < float("inf") else span
            raise self.expected(key, f"{span}{unit and ' ' + unit}")
        return float(value)

    def whole(self, key: str, *, low: int, high: int) -> int | None:
        """A whole number from ``low`` to ``high``."""
        if not self.has(key):
            return None
        value = self.table[key]
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise self.expected(key, f"a whole number from {low} to {high}")
        return value

    def flag(self, key: str) -> bool | None:
        """True or false."""
        if not self.has(key):
            return None
        value = self.table[key]
        if not isinstance(value, bool):
            raise self.expected(key, "true or false")
        return value

    @overload
    def choice(self, key: str, choices: tuple[S, ...]) -> S | None: ...
    @overload
    def choice(self, key: str, choices: tuple[S, ...], *, default: S) -> S: ...
    def choice(self, key: str, choices: tuple[S, ...], *, default: S | None = None) -> S | None:
        """One of the choices."""
        if not self.has(key):
            return default
        value = self.table[key]
        for choice in choices:
            if value == choice:
                return choice
        raise self.expected(key, listed(choices), hint=near(str(value), choices))

    def one_of(self, key: str, names: Iterable[str], *, what: str, slug: str) -> str | None:
        """The name of something declared elsewhere."""
        name = self.text(key)
        known = tuple(names)
        if name is None or name in known:
            return name
        said = f"expected {what} ({listed(known)}), got {shown(name)}.{near(name, known)}"
        raise self.fail(key, said.removesuffix("."), slug=slug)

    def sub(self, key: str) -> Checked:
        """The table under ``key``; an empty one if it is missing."""
        value = self.table[key] if self.has(key) else {}
        if not isinstance(value, dict):
            raise self.expected(key, "a table")
        place = ".".join(part for part in (self.at, key) if part)
        return Checked(value, file=self.file, at=place, lines=self._lines)

    def named(self, key: str, *, what: str) -> dict[str, Checked]:
        """The tables ``[key.<name>]`` by name; names are letters, digits, ``_`` and ``-``."""
        outer = self.sub(key)
        for name in outer.table:
            if _NAME.fullmatch(name) is None:
                said = f"expected the name of a {what} made of letters, digits, _ and -, got {shown(name)}"
                raise outer.fail(name, said, slug="bad-name")
        return {name: outer.sub(name) for name in outer.table}

    def done(self) -> None:
        """Refuse keys that nobody asked for."""
        for key in self.table:
            if key not in self._asked:
                hint = near(key, self._asked) or f" Known here: {listed(self._asked, word='and')}"
                raise self.fail(key, f"unknown key.{hint}", slug="unknown-key")
