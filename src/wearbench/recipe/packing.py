"""Results of steps as bytes and back, without running anything that is in them.

The layout is our own: a mark, the SHA-256 of the rest, a header in JSON, then the arrays' plain bytes. A pickle would
be shorter to write, and would run whatever a stranger has put into the cache folder; an ``.npz`` is a zip archive, an
entry and two checks per array, and has no place for what is not an array. Here only arrays of plain numbers, text,
instants, zones and the frozen classes that the results are declared to consist of can come back, and bytes that are
torn or changed do not come back at all.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import json
import types
import typing
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from wearbench.errors import DataError
from wearbench.recipe.fitting import SessionFit
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.sessionresult import SessionResult

__all__ = ["pack", "unpack"]

_MARK: Final = b"wearbench step 1\n"
_ALIGN: Final = 16
_ROOTS: Final = (SessionMaterial, SessionFit, SessionResult)


def pack(value: Any, *, given: Any = None) -> bytes:
    """A result as bytes.

    Parameters
    ----------
    value : dataclass, tuple, list, dict, array, number, text, instant, zone or None
        Of these, nested. Classes are those that the results of the steps consist of.
    given : the same
        Whoever reads has it: what of the value is part of it (the very object) is not written again.

    Raises
    ------
    DataError
        For anything else.
    """
    packer = _Packer(given)
    header = json.dumps(packer.plain(value), separators=(",", ":"), ensure_ascii=False).encode()
    arrays = json.dumps(packer.told).encode()
    body = b"".join([len(header).to_bytes(8, "little"), len(arrays).to_bytes(8, "little"), header, arrays])
    body += bytes(-len(body) % _ALIGN)
    body = b"".join([body, *packer.parts])
    return _MARK + hashlib.sha256(body).digest() + body


def unpack(content: bytes, *, given: Any = None) -> Any:
    """The result again.

    Parameters
    ----------
    content : bytes
    given : object
        Equal to the one it was packed with.

    Raises
    ------
    DataError
        If the bytes are not whole, or hold what no result consists of.
    """
    start = len(_MARK) + 32
    body = memoryview(bytearray(content[start:]))  # arrays that come back can be written to, like any other
    if content[: len(_MARK)] != _MARK or hashlib.sha256(body).digest() != content[len(_MARK) : start]:
        raise DataError("expected the bytes of a step's result, got others or a part of them")
    try:
        header, arrays = (int.from_bytes(body[at : at + 8], "little") for at in (0, 8))
        plain = json.loads(bytes(body[16 : 16 + header]))
        told = json.loads(bytes(body[16 + header : 16 + header + arrays]))
        data = body[16 + header + arrays + -(16 + header + arrays) % _ALIGN :]
        return _Unpacker(told=told, data=data, given=tuple(_parts(given))).value(plain)
    except (ValueError, TypeError, LookupError) as error:
        raise DataError(f"expected the bytes of a step's result, got {error}") from None


@functools.cache
def _known() -> dict[str, type]:
    """Classes that a result consists of, by name, as the annotations of their fields declare it."""
    found: dict[str, type] = {}
    todo: list[Any] = list(_ROOTS)
    while todo:
        one = todo.pop()
        todo += typing.get_args(one)
        if isinstance(one, types.GenericAlias) or not isinstance(one, type) or not dataclasses.is_dataclass(one):
            continue
        name = f"{one.__module__}.{one.__qualname__}"
        if name not in found:
            found[name] = one
            todo += typing.get_type_hints(one).values()
    return found


def _parts(value: Any) -> Iterator[Any]:
    """All dataclasses and arrays in a value, in a fixed order, whatever they share."""
    if isinstance(value, np.ndarray):
        yield value
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        yield value
        for field in dataclasses.fields(value):
            yield from _parts(getattr(value, field.name))
    elif isinstance(value, tuple | list):
        for item in value:
            yield from _parts(item)
    elif isinstance(value, dict):
        for item in value.values():
            yield from _parts(item)


class _Packer:
    """Turns values into what JSON can hold, and collects arrays: ``told`` is type, shape and place of each."""

    def __init__(self, given: Any) -> None:
        self.told: list[tuple[str, tuple[int, ...], int]] = []
        self.parts: list[bytes] = []
        self._size = 0
        self._arrays: dict[int, int] = {}
        self._held = list(_parts(given))  # kept, so that no other object gets the identity of one of them
        self._given: dict[int, int] = {}
        for number, part in enumerate(self._held):
            self._given.setdefault(id(part), number)

    def plain(self, value: Any) -> Any:
        if value is None or type(value) in (bool, int, float, str):
            return value
        if id(value) in self._given:
            return {"given": self._given[id(value)]}
        if isinstance(value, np.ndarray):
            return self._array(value)
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            name = f"{type(value).__module__}.{type(value).__qualname__}"
            if _known().get(name) is not type(value):
                raise DataError(f"expected a class that results consist of, got {name}")
            return {"of": name, "is": [self.plain(getattr(value, f.name)) for f in dataclasses.fields(value)]}
        if isinstance(value, list):
            return [self.plain(item) for item in value]
        if isinstance(value, tuple):
            return {"tuple": [self.plain(item) for item in value]}
        if isinstance(value, dict):
            return {"dict": [[self.plain(key), self.plain(item)] for key, item in value.items()]}
        if isinstance(value, np.generic) and value.dtype.kind in "biuf":
            return {"number": value.dtype.str, "is": value.item()}
        return _moment(value)

    def _array(self, value: np.ndarray[Any, Any]) -> Any:
        if id(value) in self._arrays:
            return {"array": self._arrays[id(value)]}
        if value.dtype == object:
            words: dict[Any, int] = {}
            codes = [words.setdefault(word, len(words)) for word in value.ravel().tolist()]
            if not all(word is None or isinstance(word, str) for word in words):
                raise DataError("expected an array of numbers or of text, got other objects")
            where = self._add(np.array(codes, dtype=np.int32).reshape(value.shape))
            return {"words": list(words), "is": where}
        if value.dtype.kind not in "biuf":
            raise DataError(f"expected an array of numbers or of text, got {value.dtype}")
        self._held.append(value)
        self._arrays[id(value)] = self._add(value)
        return {"array": self._arrays[id(value)]}

    def _add(self, value: np.ndarray[Any, Any]) -> int:
        content = value.tobytes()
        self.told.append((value.dtype.str, value.shape, self._size))
        padding = bytes(-len(content) % _ALIGN)
        self.parts += [content, padding]
        self._size += len(content) + len(padding)
        return len(self.told) - 1


def _moment(value: Any) -> Any:
    if isinstance(value, datetime) and value.tzinfo is UTC:
        return {"instant": value.isoformat()}
    if isinstance(value, ZoneInfo) and value.key:
        return {"zone": value.key}
    if value is UTC:
        return {"zone": None}
    if isinstance(value, timezone):
        return {"offset": value.utcoffset(None).total_seconds()}
    raise DataError(f"expected a value that results consist of, got {type(value).__name__}")


def _zone(plain: dict[str, Any]) -> tzinfo:
    if "offset" in plain:
        return timezone(timedelta(seconds=plain["offset"]))
    return UTC if plain["zone"] is None else ZoneInfo(plain["zone"])


@dataclasses.dataclass(frozen=True, kw_only=True, slots=True)
class _Unpacker:
    """The way back. Arrays that were one object are one again."""

    told: list[tuple[str, list[int], int]]
    data: memoryview
    given: tuple[Any, ...]
    made: dict[int, np.ndarray[Any, Any]] = dataclasses.field(default_factory=dict)

    def value(self, plain: Any) -> Any:
        if isinstance(plain, list):
            return [self.value(item) for item in plain]
        if not isinstance(plain, dict):
            return plain
        if "array" in plain:
            return self._array(plain["array"])
        if "of" in plain:
            kind = _known()[plain["of"]]
            names = [field.name for field in dataclasses.fields(kind)]
            return kind(**dict(zip(names, map(self.value, plain["is"]), strict=True)))
        if "tuple" in plain:
            return tuple(self.value(item) for item in plain["tuple"])
        if "dict" in plain:
            return {self.value(key): self.value(item) for key, item in plain["dict"]}
        if "given" in plain:
            return self.given[plain["given"]]
        if "words" in plain:
            return np.array([*plain["words"], None], dtype=object)[self._array(plain["is"])]
        if "number" in plain:
            return np.dtype(plain["number"]).type(plain["is"])
        if "instant" in plain:
            return datetime.fromisoformat(plain["instant"]).replace(tzinfo=UTC)
        return _zone(plain)

    def _array(self, number: int) -> np.ndarray[Any, Any]:
        if number not in self.made:
            name, shape, at = self.told[number]
            kind = np.dtype(name)
            if kind.kind not in "biuf":
                raise ValueError(name)
            n = int(np.prod(shape, dtype=np.int64))
            found = np.frombuffer(self.data[at : at + n * kind.itemsize], dtype=kind)
            self.made[number] = found.reshape(shape)
        return self.made[number]
