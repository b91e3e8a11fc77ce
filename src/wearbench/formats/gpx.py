"""GPX files: track points with a time, and heart rate and the like in extension elements known by local name."""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element

from wearbench.formats.recording import FileContent, ReadContext
from wearbench.formats.track import local_name, read_track, root_name

__all__ = ["read", "recognise"]

_NAMES = {
    "time": "time",
    "hr": "heart_rate",
    "heartrate": "heart_rate",
    "heart_rate": "heart_rate",
    "cad": "cadence",
    "cadence": "cadence",
    "power": "power",
    "watts": "power",
    "speed": "speed",
}


def recognise(head: bytes, name: str) -> bool:
    """Whether a file is XML whose first element is gpx."""
    del name
    return root_name(head) == "gpx"


def read(path: Path, context: ReadContext) -> FileContent:
    """Read a GPX file; see :func:`wearbench.formats.track.read_track`."""
    return read_track(path, context, point_name="trkpt", format_name="gpx", values_of=_values_of, on_other=_on_other)


def _values_of(point: Element) -> dict[str, str]:
    found: dict[str, str] = {}
    for element in point.iter():
        name = _NAMES.get(local_name(element.tag))
        if name is not None and element.text and element.text.strip():
            found.setdefault(name, element.text)
    return found


def _on_other(element: Element, facts: dict[str, str]) -> None:
    del element, facts
