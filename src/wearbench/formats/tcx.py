"""TCX files: track points with heart rate, cadence, power and speed. Lap averages are not readings."""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element

from wearbench.formats.recording import FileContent, ReadContext
from wearbench.formats.track import local_name, read_track, root_name

__all__ = ["read", "recognise"]

_NAMES = {"time": "time", "cadence": "cadence", "watts": "power", "speed": "speed"}


def recognise(head: bytes, name: str) -> bool:
    """Whether a file is XML whose first element is TrainingCenterDatabase."""
    del name
    return root_name(head) == "trainingcenterdatabase"


def read(path: Path, context: ReadContext) -> FileContent:
    """Read a TCX file; see :func:`wearbench.formats.track.read_track`.

    A cadence given as ``RunCadence`` counts strides, two steps each; it is kept as written and
    ``facts["cadence_unit"]`` says so.
    """
    return read_track(
        path, context, point_name="trackpoint", format_name="tcx", values_of=_values_of, on_other=_on_other
    )


def _values_of(point: Element) -> dict[str, str]:
    found: dict[str, str] = {}
    for element in point.iter():
        name = local_name(element.tag)
        if name == "heartratebpm":
            value = next((child.text for child in element if local_name(child.tag) == "value"), None)
            found["heart_rate"] = value or element.text or ""
        elif name == "runcadence":
            found["cadence"] = element.text or ""
            found["strides"] = "yes"
        elif name in _NAMES and element.text:
            found.setdefault(_NAMES[name], element.text)
    return found


def _on_other(element: Element, facts: dict[str, str]) -> None:
    name = local_name(element.tag)
    if name == "creator":
        for child in element:
            if local_name(child.tag) == "productid" and child.text:
                facts["product_number"] = child.text.strip()
        version = {local_name(part.tag): (part.text or "").strip() for part in element.iter()}
        if version.get("versionmajor"):
            facts["software_version"] = f"{version['versionmajor']}.{version.get('versionminor', '0')}"
