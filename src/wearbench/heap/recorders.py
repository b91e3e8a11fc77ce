"""Which files one recorder wrote: by what they say of it, how they are written, what they are called and hold."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import combinations
from typing import Final, Literal

from wearbench.heap.files import HeapFile
from wearbench.heap.imprint import Track
from wearbench.heap.likeness import bins, overlap_ms, same_beats, same_values

__all__ = ["Recorder", "recorders", "stem_of"]

Relation = Literal["same", "different", "unknown"]
_SAID_LITTLE: Final = frozenset(
    (
        *("export", "exports", "exported", "data", "download", "downloads", "activity", "activities"),
        *("recording", "recordings", "record", "session", "sessions", "file", "files", "copy"),
        *("copies", "part", "parts", "untitled", "new", "old", "backup", "final"),
        *("log", "logs", "workout", "workouts", "training", "my", "the", "and"),
        *("of", "from", "to", "for", "all", "full", "history", "dump"),
        *("day", "days", "daily", "week", "weekly", "month", "csv", "txt"),
        *("fit", "tcx", "gpx", "edf", "parquet", "time", "raw", "device"),
        *("sensor", "heart", "rate", "heartrate", "hr", "rr", "rri", "ibi"),
        *("bpm", "pulse", "ecg", "ekg", "cadence", "power", "speed", "spo"),
        *("beats", "values", "stream", "streams", "result", "results", "re", "reexport"),
        *("first", "second", "morning", "evening", "noon", "night", "am", "pm"),
        *("utc", "jan", "feb", "mar", "apr", "may", "jun", "jul"),
        *("aug", "sep", "oct", "nov", "dec", "january", "february", "march"),
        *("april", "june", "july", "august", "september", "october", "november", "december"),
        *("mon", "tue", "wed", "thu", "fri", "sat", "sun", "monday"),
        *("tuesday", "wednesday", "thursday", "friday", "saturday", "sunday", "kopie", "neu"),
    )
)
_QUARTERS: Final = tuple(sorted(range(-56, 57), key=abs))
_MIN_COMMON_MS: Final = 120_000
_WRONG_ZONE_MS: Final = 14 * 3_600_000


@dataclass(kw_only=True, slots=True)
class Recorder:
    """One device as the heap shows it.

    ``known`` tells that its name was answered or stands in the study; ``asked`` holds what is unsure about it.
    """

    name: str
    files: list[HeapFile]
    known: bool = False
    asked: list[str] = field(default_factory=list)

    @property
    def quantities(self) -> tuple[str, ...]:
        """What it recorded, most common first."""
        return tuple(q for q, _ in Counter(q for f in self.files for q in f.imprint.quantities).most_common())


def stem_of(name: str) -> str | None:
    """The first word of a file's name that says more than what kind of file it is."""
    last = name.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    words = re.split(r"[^a-zA-Z\u00c0-\u024f]+", last)
    return next((w.casefold() for w in words if len(w) > 1 and w.casefold() not in _SAID_LITTLE), None)


def recorders(files: Iterable[HeapFile]) -> list[Recorder]:
    """Group files by the recorder that wrote them.

    Parameters
    ----------
    files : iterable of HeapFile
        All with readings. Those with ``device`` set belong to it. ``doubt`` is set on files that could be of several.

    Returns
    -------
    list of Recorder
        Those of files left in doubt are in none.
    """
    groups: dict[tuple[str, ...], list[HeapFile]] = defaultdict(list)
    for file in files:
        file.word = stem_of(file.name)
        groups[_written(file)].append(file)
    activities = _activity_words(groups.values())
    for file in (file for group in groups.values() for file in group):
        file.word = None if file.word in activities else file.word
    clusters = [cluster for group in groups.values() for cluster in _within(group)]
    clusters = _merged_where(clusters, _shares_content)
    clusters = _merged_where(clusters, _named_alike)
    clusters = _merged_where(clusters, lambda a, b: a.device is not None and a.device == b.device)
    return _named(clusters)


def _activity_words(groups: Iterable[list[HeapFile]]) -> set[str]:
    """Words that name what was done and not what recorded it: several of them go through files of unlike recorders."""
    held: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for group in groups:
        held[tuple(sorted(group[0].imprint.quantities))] |= {f.word for f in group if f.word is not None}
    found: set[str] = set()
    for one, other in combinations(held.values(), 2):
        if len(one & other) > 1:
            found |= one & other
    return found


def _written(file: HeapFile) -> tuple[str, ...]:
    serial = next((value for key, value in sorted(file.imprint.owner.items()) if "serial" in key or "_id" in key), None)
    if serial is not None:
        return ("serial", serial)
    owner = tuple(f"{key}={value}" for key, value in sorted(file.imprint.owner.items()))
    return (*file.imprint.manner(), *owner)


@dataclass(kw_only=True, slots=True)
class _Cluster:
    files: list[HeapFile]
    device: str | None = None
    stem: str | None = None
    by_serial: bool = False
    asked: list[str] = field(default_factory=list)


def _within(group: list[HeapFile]) -> list[_Cluster]:
    """Recorders among files that are written alike."""
    if _written(group[0])[0] == "serial":
        return _of_one_serial(group)
    made: dict[tuple[str | None, str | None, object], _Cluster] = {}
    for file in group:
        stem = file.word
        key = (file.device, None, None) if file.device is not None else (None, stem, _ways(file))
        made.setdefault(key, _Cluster(files=[], device=file.device, stem=stem)).files.append(file)
    clusters = [part for cluster in made.values() for part in _without_clash(cluster)]
    clusters = _merged_where(clusters, lambda a, b: _related(a, b) == "same")
    clusters = _merged_where(clusters, lambda a, b: _same_name(a, b) and _may_join(a, b))
    return _loose_ends_joined(clusters)


def _same_name(one: _Cluster, other: _Cluster) -> bool:
    return one.stem is not None and one.stem == other.stem and not (one.device and other.device)


def _ways(file: HeapFile) -> tuple[object, ...]:
    """What differs between recorders that write through one program: how fine values and stamps are."""
    track = max(file.imprint.tracks, key=lambda t: t.n)
    return (track.grain, track.whole_seconds)


def _of_one_serial(group: list[HeapFile]) -> list[_Cluster]:
    devices = {f.device for f in group if f.device is not None}
    if len(devices) <= 1:
        return [_Cluster(files=group, device=next(iter(devices), None), stem=_usual_stem(group), by_serial=True)]
    made = [
        _Cluster(files=[f for f in group if f.device == device], device=device, by_serial=True) for device in devices
    ]
    for file in group:
        if file.device is None:
            file.doubt = "device"
    return made


def _without_clash(cluster: _Cluster) -> list[_Cluster]:
    """A cluster, cut where two of its files say different things about the same time."""
    if cluster.device is not None or len(cluster.files) < 2:
        return [cluster]
    clashes = [(a, b) for a, b in _overlapping(cluster.files) if _relation(a, b) == "different"]
    if not clashes:
        return [cluster]
    for way in (_rhythm, lambda f: f.name.rsplit("/", 1)[0] if "/" in f.name else ""):
        if all(way(a) != way(b) for a, b in clashes):
            parts: dict[object, list[HeapFile]] = defaultdict(list)
            for file in cluster.files:
                parts[way(file)].append(file)
            return [_Cluster(files=part, stem=cluster.stem) for part in parts.values()]
    for file in cluster.files:
        file.doubt = "device"
    return []


def _rhythm(file: HeapFile) -> int:
    """Class of the usual step: 1 s, 5 s, a minute, longer."""
    step = max(file.imprint.tracks, key=lambda t: t.n).step_ms
    return sum(step > edge for edge in (1500, 7500, 90_000, 400_000))


def _related(one: _Cluster, other: _Cluster) -> Relation:
    """What overlapping files of two clusters say; one clear difference outweighs."""
    found: set[Relation] = set()
    pairs = ((a, b) for a, b in _overlapping([*one.files, *other.files]) if (a in one.files) != (b in one.files))
    for a, b in pairs:
        found.add(_relation(a, b))
    if one.device is not None and other.device is not None and one.device != other.device:
        return "different"
    return "different" if "different" in found else "same" if "same" in found else "unknown"


def _may_join(one: _Cluster, other: _Cluster) -> bool:
    return _related(one, other) != "different"


def _overlapping(files: list[HeapFile]) -> Iterable[tuple[HeapFile, HeapFile]]:
    """Pairs of files that overlap; of lists of beats, those within the reach of a wrong zone."""
    placed = sorted((f for f in files if f.imprint.start_ms is not None), key=lambda f: f.imprint.start_ms or 0)
    beats = {id(f) for f in placed if any(t.beats for t in f.imprint.tracks)}
    for place, one in enumerate(placed):
        end = one.imprint.end_ms or 0
        reach = end + (_WRONG_ZONE_MS if id(one) in beats else 0)
        for other in placed[place + 1 :]:
            start = other.imprint.start_ms or 0
            if start > reach:
                break
            if start <= end or id(other) in beats:
                yield one, other


def _relation(one: HeapFile, other: HeapFile) -> Relation:
    if one.imprint.sha256 == other.imprint.sha256:
        return "same"
    found: set[Relation] = set()
    for a, b in (
        (a, b) for a in one.imprint.tracks for b in other.imprint.tracks if (a.quantity, a.kind) == (b.quantity, b.kind)
    ):
        found.add(track_relation(a, b))
    return "same" if "same" in found else "different" if "different" in found else "unknown"


def track_relation(a: Track, b: Track) -> Relation:
    """Whether two tracks of one quantity that overlap are of one recorder, of two, or it cannot be said."""
    if a.start_ms is None or b.start_ms is None or a.end_ms is None or b.end_ms is None:
        return "unknown"
    common = overlap_ms((a.start_ms, a.end_ms), (b.start_ms, b.end_ms))
    if a.kind == "intervals":
        if same_beats(a, b) >= 0.5:
            return "same"
        return "different" if min(a.n, b.n) >= 60 and common >= 300_000 else "unknown"
    if common < _MIN_COMMON_MS:
        return "unknown"
    if a.kind != "readings":
        return "unknown"
    n, share, _ = same_values(a, b)
    if n >= 8 and share >= 0.6:
        return "same"
    if max(a.step_ms, b.step_ms) > 2 * max(1, min(a.step_ms, b.step_ms)):
        return "unknown"
    for quarter in _QUARTERS:
        n_moved, moved, _ = same_values(a, b, lag_bins=bins(quarter * 900_000))
        if n_moved >= 40 and moved >= 0.8:
            return "same"
    return "different" if n >= 8 else "unknown"


def _merged_where(clusters: list[_Cluster], same: Callable[[_Cluster, _Cluster], bool]) -> list[_Cluster]:
    out: list[_Cluster] = []
    for cluster in clusters:
        into = next((c for c in out if same(c, cluster)), None)
        if into is None:
            out.append(cluster)
            continue
        into.files += cluster.files
        into.device = into.device or cluster.device
        into.stem = into.stem or cluster.stem
        into.by_serial |= cluster.by_serial
    return out


def _loose_ends_joined(clusters: list[_Cluster]) -> list[_Cluster]:
    """Files without a telling name join the one recorder they can be of; where there are several, they are in doubt."""
    firm = [c for c in clusters if c.device is not None or (c.stem is not None and len(c.files) > 1)]
    loose = [c for c in clusters if c not in firm]
    if not firm:
        return _one_or_several(_merged_where(loose, _may_join_loosely))
    alone: list[_Cluster] = []
    for cluster in loose:
        homes = [c for c in firm if _may_join(c, cluster)]
        if not homes:
            alone.append(cluster)
        elif len(homes) == 1 or len(_fitting(homes, cluster)) == 1:
            home = homes[0] if len(homes) == 1 else _fitting(homes, cluster)[0]
            home.files += cluster.files
        else:
            for file in cluster.files:
                file.doubt = "device"
    return _one_or_several([*firm, *_merged_where(alone, _may_join_loosely)])


def _fitting(homes: list[_Cluster], cluster: _Cluster) -> list[_Cluster]:
    ways = {_ways(f) for f in cluster.files}
    return [c for c in homes if ways <= {_ways(f) for f in c.files}]


def _may_join_loosely(one: _Cluster, other: _Cluster) -> bool:
    alike = bool({_ways(f) for f in one.files} & {_ways(f) for f in other.files})
    return alike and _may_join(one, other)


def _one_or_several(clusters: list[_Cluster]) -> list[_Cluster]:
    """Clusters written alike that nothing tells apart but their names: one recorder or several, someone must say.

    Three or more names that take turns and never record at one time are taken for what was done, not for recorders.
    """
    unsure = [c for c in clusters if c.device is None and c.stem is not None]
    pairs = list(combinations(unsure, 2))
    if len(unsure) > 2 and all(_related(a, b) == "unknown" and _take_turns(a, b) for a, b in pairs):
        whole = _Cluster(files=[f for c in unsure for f in c.files])
        clusters = [*(c for c in clusters if c not in unsure), whole]
    for one, other in combinations([c for c in clusters if c.device is None], 2):
        if _related(one, other) == "unknown":
            for cluster in (one, other):
                cluster.asked.append("one or several")
    return clusters


def _take_turns(one: _Cluster, other: _Cluster) -> bool:
    """Whether each was used while the other was in use, as one recorder is whose files are named after activities."""
    spans = []
    for cluster in (one, other):
        starts = [f.imprint.start_ms for f in cluster.files if f.imprint.start_ms is not None]
        spans.append((min(starts, default=0), max(starts, default=0)))
    return overlap_ms(*spans) > 0 or any(len(c.files) == 1 for c in (one, other))


def _shares_content(one: _Cluster, other: _Cluster) -> bool:
    if one.device is not None and other.device is not None and one.device != other.device:
        return False
    kinds = {(t.quantity, t.kind) for f in one.files for t in f.imprint.tracks}
    if not kinds & {(t.quantity, t.kind) for f in other.files for t in f.imprint.tracks}:
        return False
    return _related(one, other) == "same"


def _named_alike(one: _Cluster, other: _Cluster) -> bool:
    """Files of one name in two formats that hold the same quantities and never say different things at one time."""
    held = [{q for f in c.files for q in f.imprint.quantities} for c in (one, other)]
    return held[0] == held[1] and _same_name(one, other) and _may_join(one, other)


def _usual_stem(files: list[HeapFile]) -> str | None:
    stems = Counter(f.word for f in files if f.word is not None)
    return next((stem for stem, n in stems.most_common(1) if n * 2 > len(files)), None)


def _named(clusters: list[_Cluster]) -> list[Recorder]:
    taken = {c.device for c in clusters if c.device is not None}
    out: list[Recorder] = []
    for cluster in sorted(clusters, key=lambda c: (c.device is None, -len(c.files), c.files[0].name)):
        name = cluster.device
        if name is None:
            plain = unicodedata.normalize("NFKD", _usual_stem(cluster.files) or "")
            wanted = re.sub(r"[^A-Za-z0-9_-]", "", plain) or _kind(cluster)
            name, number = wanted, 2
            while name in taken or name in ("own", "shared", "_all"):
                name, number = f"{wanted}{number}", number + 1
            taken.add(name)
        out.append(Recorder(name=name, files=cluster.files, known=cluster.device is not None, asked=cluster.asked))
    return out


def _kind(cluster: _Cluster) -> str:
    held = {q for f in cluster.files for q in f.imprint.quantities}
    for quantity, word in (("ecg", "ecg"), ("rr", "beats"), ("heart_rate", "wearable"), ("cadence", "pod")):
        if quantity in held:
            return word
    return sorted(held)[0] if held else "device"
