"""TCX files: track points with heart rate, cadence, power and speed; laps. Lap averages are not readings.

Of laps the public schema's ``StartTime``, ``TotalTimeSeconds``, ``Intensity``, ``TriggerMethod`` and ``Notes`` are read
(from memory of it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element

from wearbench.formats.laps import RawLap, settle_laps
from wearbench.formats.numbers import cells_of, parse_numbers
from wearbench.formats.recording import FileContent, Lap, ReadContext, Repair
from wearbench.formats.times import instant_ms
from wearbench.formats.track import local_name, read_track, root_name

__all__ = ["read", "recognise"]

_OF_LAP: Final = ("totaltimeseconds", "intensity", "triggermethod", "notes")
_INTENSITY: Final = {"active": "active", "resting": "rest"}
_NAMES = {"time": "time", "cadence": "cadence", "watts": "power", "speed": "speed"}


def recognise(head: bytes, name: str) -> bool:
    """Whether a file is XML whose first element is TrainingCenterDatabase."""
    del name
    return root_name(head) == "trainingcenterdatabase"


def read(path: Path, context: ReadContext) -> FileContent:
    """Read a TCX file; see :func:`wearbench.formats.track.read_track`.

    A cadence given as ``RunCadence`` counts strides, two steps each; it is kept as written and
    ``facts["cadence_unit"]`` says so. A lap lasts from its start over its time, or to its last point where that comes
    later or there is no time: writers differ in whether the time counts pauses.
    """
    return read_track(
        path,
        context,
        point_name="trackpoint",
        format_name="tcx",
        values_of=_values_of,
        on_other=_on_other,
        keeper=_Laps(),
    )


@dataclass(kw_only=True, slots=True)
class _Texts:
    """A lap as its texts."""

    sport: str
    start: str
    texts: dict[str, str] = field(default_factory=dict)
    last: str | None = None


@dataclass(kw_only=True, slots=True)
class _Laps:
    """Laps gathered while the file is read."""

    found: list[_Texts] = field(default_factory=list)
    current: _Texts | None = None
    sport: str = ""

    def starts(self, element: Element) -> None:
        """Begin a lap; a lap of a course, which is a plan and no recording, has no start and is passed over."""
        name = local_name(element.tag)
        if name == "activity":
            self.sport = element.get("Sport", "")
        elif name == "course":
            self.sport = "course"
        elif name == "lap" and self.sport != "course":
            self.current = _Texts(sport=self.sport, start=element.get("StartTime", ""))
            self.found.append(self.current)

    def ends(self, element: Element) -> None:
        """Keep the text of what a lap holds."""
        name = local_name(element.tag)
        if self.current is not None and name in _OF_LAP and element.text:
            self.current.texts[name] = element.text.strip()
        elif self.current is not None and name == "lap":
            self.current = None

    def point(self, text: str) -> None:
        """The last point of a lap is kept, in case the file breaks off or the lap holds pauses."""
        if self.current is not None:
            self.current.last = text

    def laps(self, context: ReadContext) -> tuple[tuple[Lap, ...], list[Repair]]:
        """Laps in order of time."""
        raw = [_raw(number, lap, context) for number, lap in enumerate(self.found, 1)]
        ends = [lap.last_ms for lap in raw if lap.last_ms is not None]
        return settle_laps(raw, last_ms=max(ends, default=None), context=context)


def _raw(number: int, lap: _Texts, context: ReadContext) -> RawLap:
    start_ms = instant_ms(lap.start, context) if lap.start else None
    last_ms = instant_ms(lap.last, context) if lap.last else None
    seconds = float(parse_numbers(cells_of([lap.texts.get("totaltimeseconds", "")]))[0][0])
    timed = start_ms is not None and math.isfinite(seconds)
    words = {name: lap.texts.get(name, "").casefold() for name in ("intensity", "triggermethod")}
    sport = lap.sport.strip().casefold()
    return RawLap(
        number=number,
        start_ms=start_ms,
        end_ms=(start_ms or 0) + round(1000 * seconds) if timed else last_ms,
        last_ms=last_ms,
        label=" ".join(lap.texts.get("notes", "").split()) or None,
        activity=None if sport in ("", "other") else "cycling" if sport == "biking" else sport,
        intensity=_INTENSITY.get(words["intensity"], words["intensity"] or None),
        trigger=words["triggermethod"] or None,
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
