"""What the heading of a column, or the label of a signal, says it holds."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

from wearbench.quantities import QUANTITIES

__all__ = [
    "Heading",
    "TimeHeading",
    "read_edge_heading",
    "read_heading",
    "read_loose_time_heading",
    "read_time_heading",
    "unit_factor",
    "unit_of",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Heading:
    """A heading understood: our quantity, and the unit it names (None when it names none)."""

    quantity: str
    unit: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TimeHeading:
    """A heading of a time column.

    ``kind`` is ``stamp`` (an instant, written in any way), ``date``, ``clock`` (may be a time of day or an instant)
    or ``elapsed``; ``scale_ms`` is the number of milliseconds in one unit where the heading names the unit;
    ``offset_ms`` is the offset from UTC that the heading names ("Time (UTC+2)").
    """

    kind: str
    scale_ms: float | None
    offset_ms: int | None = None


_NAMES: Final[dict[str, tuple[str, str | None]]] = {
    **dict.fromkeys(("heartrate", "hr", "bpm", "pulserate", "pulse", "heartratebpm"), ("heart_rate", None)),
    **dict.fromkeys(
        ("rr", "rri", "rrinterval", "rrintervals", "ibi", "interbeatinterval", "beatinterval"), ("rr", None)
    ),
    **dict.fromkeys(("ecg", "electrocardiogram", "ekg"), ("ecg", None)),
    **dict.fromkeys(
        ("cadence", "runcadence", "strokerate", "steprate", "stridesrate", "pedalcadence"), ("cadence", None)
    ),
    **dict.fromkeys(("steps", "stepcount"), ("steps", None)),
    **dict.fromkeys(("spo2", "oxygensaturation", "spo"), ("spo2", None)),
    **dict.fromkeys(("power",), ("power", None)),
    **dict.fromkeys(("speed",), ("speed", None)),
    **dict.fromkeys(
        ("respirationrate", "respiratoryrate", "breathingrate", "breathrate", "respirationsrate"),
        ("respiration_rate", None),
    ),
    "energykcal": ("energy_kcal", "kcal"),
    "distancem": ("distance_m", "m"),
}

_UNITS: Final[dict[str, str]] = {q.name: q.unit for q in QUANTITIES.values()} | {
    "steps": "count",
    "energy_kcal": "kcal",
    "distance_m": "m",
}

_PER_MINUTE: Final[dict[str, float]] = {
    "bpm": 1.0,
    "1/min": 1.0,
    "/min": 1.0,
    "rpm": 1.0,
    "spm": 1.0,
    "per_minute": 1.0,
    "beats/min": 1.0,
    "steps/min": 1.0,
    "strokes/min": 1.0,
    "breaths/min": 1.0,
    "brpm": 1.0,
    "hz": 60.0,
    "1/s": 60.0,
}
_FACTORS: Final[dict[str, dict[str, float]]] = {
    "heart_rate": _PER_MINUTE,
    "cadence": _PER_MINUTE,
    "respiration_rate": _PER_MINUTE,
    "rr": {"ms": 1.0, "msec": 1.0, "s": 1000.0, "sec": 1000.0, "us": 1e-3, "1/1024s": 1000.0 / 1024.0},
    "ecg": {"mv": 1.0, "uv": 1e-3, "µv": 1e-3, "μv": 1e-3, "v": 1e3, "nv": 1e-6},
    "power": {"w": 1.0, "watt": 1.0, "watts": 1.0, "kw": 1e3},
    "speed": {
        "m/s": 1.0,
        "mps": 1.0,
        "ms-1": 1.0,
        "km/h": 1 / 3.6,
        "kmh": 1 / 3.6,
        "kph": 1 / 3.6,
        "mph": 0.44704,
        "mm/s": 1e-3,
    },
    "spo2": {"%": 1.0, "percent": 1.0, "pct": 1.0},
    "steps": {"count": 1.0, "steps": 1.0},
    "energy_kcal": {"kcal": 1.0, "kj": 1 / 4.184},
    "distance_m": {"m": 1.0, "km": 1000.0},
}

_STAMP: Final = ("timestamp", "datetime", "dateandtime", "timestamps", "localtime", "stamp")
_ELAPSED: Final = (
    "elapsed",
    "elapsedtime",
    "elapsedseconds",
    "seconds",
    "secs",
    "sec",
    "timefromstart",
    "timesincestart",
)
_SCALES_MS: Final[dict[str, float]] = {
    "s": 1000.0,
    "sec": 1000.0,
    "secs": 1000.0,
    "seconds": 1000.0,
    "ms": 1.0,
    "msec": 1.0,
    "milliseconds": 1.0,
    "us": 1e-3,
    "µs": 1e-3,
    "ns": 1e-6,
    "min": 60_000.0,
    "minutes": 60_000.0,
}
_OFFSET: Final = re.compile(r"(?<![a-z])(?:utc|gmt) ?(?:([+-]) ?(\d{1,2})(?::?(\d{2}))?)?(?![a-z])", re.IGNORECASE)
_BRACKETED: Final = re.compile(r"[\[({<]\s*([^\])}>]*?)\s*[\])}>]")


def _split(heading: str) -> tuple[list[str], str | None]:
    """Words of a heading in lower case, and its bracketed unit if it has one."""
    text = heading.strip().strip('"').strip().casefold()
    found = _BRACKETED.search(text)
    unit = _unit_key(found.group(1)) if found and found.group(1) else None
    text = _BRACKETED.sub(" ", text).replace("/", " ") if found else text
    return re.findall(r"[^\W_]+|[%/]", text), unit


def _unit_key(unit: str) -> str:
    return (
        unit.strip().casefold().replace(" ", "").replace("⋅", "").replace("min^-1", "1/min").replace("min-1", "1/min")
    )


def read_heading(heading: str, *, own_quantities: dict[str, str] | None = None) -> Heading | None:
    """Say which quantity a heading names, or None.

    Case, spaces, underscores and bracketed units do not matter; a unit may also follow as a last word (``rr_ms``).

    Parameters
    ----------
    heading : str
    own_quantities : dict or None
        Quantities declared by the study, name -> unit; looked up after the known ones.
    """
    words, unit = _split(heading)
    own = {re.sub(r"[\W_]+", "", name.casefold()): name for name in own_quantities or {}}
    joined = "".join(words)
    for cut in range(min(3, len(words))):
        name = "".join(words[: len(words) - cut])
        tail = words[len(words) - cut :]
        if name not in _NAMES:
            continue
        quantity, implied = _NAMES[name]
        if not tail:
            return Heading(quantity=quantity, unit=unit or implied)
        for key in ("".join(tail), "/".join(tail)):
            if unit_factor(quantity, key) is not None:
                return Heading(quantity=quantity, unit=key)
    return Heading(quantity=own[joined], unit=unit) if joined in own else None


def read_time_heading(heading: str) -> TimeHeading | None:
    """Say whether a heading names a time column, and how it is to be read; None if it does not."""
    text, offset_ms = _without_offset(heading)
    if text.strip(" _-()[]"):
        found = _time_heading(text)
    else:  # nothing but an offset heads stamps; nothing at all says nothing
        found = None if offset_ms is None else TimeHeading(kind="stamp", scale_ms=None)
    return None if found is None else replace(found, offset_ms=offset_ms)


def _without_offset(heading: str) -> tuple[str, int | None]:
    """Heading without the offset it names, and that offset in ms."""
    found = _OFFSET.search(heading)
    if found is None:
        return heading, None
    hours, minutes = int(found.group(2) or 0), int(found.group(3) or 0)
    size = hours * 3_600_000 + minutes * 60_000
    return heading[: found.start()] + heading[found.end() :], -size if found.group(1) == "-" else size


def _time_heading(heading: str) -> TimeHeading | None:
    words, unit = _split(heading)
    joined = "".join(words)
    scale = _SCALES_MS.get(unit or "")
    if joined in ("time", "clock", "timeofday"):
        return TimeHeading(kind="elapsed" if scale else "clock", scale_ms=scale)
    if joined == "date":
        return TimeHeading(kind="date", scale_ms=None)
    if joined in _STAMP:
        return TimeHeading(kind="stamp", scale_ms=scale)
    if joined in _ELAPSED:
        return TimeHeading(kind="elapsed", scale_ms=scale or (None if joined in ("elapsed", "elapsedtime") else 1000.0))
    if len(words) >= 2 and words[-1] in _SCALES_MS:
        first = "".join(words[:-1])
        if first in ("unix", "epoch", "unixtime", "epochtime", *_STAMP):
            return TimeHeading(kind="stamp", scale_ms=_SCALES_MS[words[-1]])
        if first in ("time", "elapsed", "elapsedtime", "timefromstart"):
            return TimeHeading(kind="elapsed", scale_ms=_SCALES_MS[words[-1]])
    if joined in ("unix", "epoch", "unixtime", "epochtime", "unixtimestamp"):
        return TimeHeading(kind="stamp", scale_ms=scale)
    return None


def read_loose_time_heading(heading: str) -> TimeHeading | None:
    """Say whether a heading that is no known time heading at least ends in one ("phone timestamp")."""
    text, offset_ms = _without_offset(heading)
    words, unit = _split(text)
    if len(words) > 1 and words[-1] in ("time", "timestamp", "datetime"):
        kind = "clock" if words[-1] == "time" else "stamp"
        return TimeHeading(kind=kind, scale_ms=_SCALES_MS.get(unit or ""), offset_ms=offset_ms)
    return None


def read_edge_heading(heading: str) -> str | None:
    """``start`` or ``end`` if a heading names an edge of the window that a reading stands for."""
    joined = "".join(_split(_without_offset(heading)[0])[0])
    for edge, names in (("start", ("start", "begin", "from")), ("end", ("end", "stop", "to", "until"))):
        if joined in [name + tail for name in names for tail in ("", "time", "date", "datetime", "timestamp", "at")]:
            return edge
    return None


def unit_of(quantity: str, *, own_quantities: dict[str, str] | None = None) -> str:
    """Unit in which a quantity is kept; empty when it is not known here."""
    return (own_quantities or {}).get(quantity) or _UNITS.get(quantity, "")


def unit_factor(quantity: str, unit: str) -> float | None:
    """Factor from ``unit`` to the unit the quantity is kept in; None when the unit is not known for it."""
    return _FACTORS.get(quantity, {}).get(_unit_key(unit))
