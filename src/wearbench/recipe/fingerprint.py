"""One hash for all that a step depends on: the code, and what the step is given."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import json
import platform
import re
import sys
from datetime import date, tzinfo
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np

import wearbench

__all__ = ["code_version", "file_sha256", "fingerprint"]

_ROOMS: Final = ("errors", "quantities", "settings", "wording", "core", "formats", "study", "recipe")
"""Parts of the package that the steps can import."""


def fingerprint(*parts: Any) -> str:
    """SHA-256 of values, whatever they consist of; two values that differ anywhere have two.

    Parameters
    ----------
    *parts : object
        Dataclasses and structs field by field; paths count for nothing, since a study may be moved.

    Raises
    ------
    TypeError
        For an object that has no fixed form.
    """
    return hashlib.sha256(json.dumps(_plain(parts), separators=(",", ":"), sort_keys=True).encode()).hexdigest()


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {"dict": [[_plain(key), _plain(item)] for key, item in value.items()]}
    if isinstance(value, Path):
        return {"path": None}
    kind = type(value).__qualname__
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {kind: [[f.name, _plain(getattr(value, f.name))] for f in dataclasses.fields(value)]}
    if isinstance(value, msgspec.Struct):
        return {kind: [[name, _plain(getattr(value, name))] for name in value.__struct_fields__]}
    if isinstance(value, np.ndarray) and value.dtype.kind in "biuf":
        return {kind: [value.dtype.str, list(value.shape), hashlib.sha256(value.tobytes()).hexdigest()]}
    if isinstance(value, np.generic):
        return {kind: repr(value.item())}
    if isinstance(value, date):
        return {kind: value.isoformat()}
    if isinstance(value, tzinfo):
        return {"zone": str(value)}
    if isinstance(value, frozenset | set):
        return {kind: sorted(json.dumps(_plain(item)) for item in value)}
    raise TypeError(f"{kind} has no fixed form")


def file_sha256(path: Path) -> str | None:
    """SHA-256 of a file, None if it cannot be read."""
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError:
        return None


@functools.cache
def code_version() -> str:
    """SHA-256 of the code that the steps run: this package's own, and versions of all it stands on.

    Notes
    -----
    A version number alone would let a changed line of a development copy go unseen. Reading the sources takes a few
    milliseconds; where there are none (a frozen program), the version number has to do.
    """
    found = [wearbench.__version__, platform.python_version(), platform.machine(), sys.platform]
    root = Path(wearbench.__file__).parent
    for room in _ROOMS:
        for path in sorted([root / f"{room}.py", *(root / room).rglob("*.py")]):
            found += [path.relative_to(root).as_posix(), file_sha256(path) or ""]
    for name in _stands_on():
        try:
            found.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            found.append(name)
    return fingerprint(found)


def _stands_on() -> list[str]:
    try:
        told = metadata.requires("wearbench") or []
    except metadata.PackageNotFoundError:
        return []
    return sorted({re.split(r"[^A-Za-z0-9._-]", line, maxsplit=1)[0] for line in told if "extra ==" not in line})
