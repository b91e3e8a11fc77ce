"""Two recordings of one session held against each other: no study, no settings, plain lines."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any

from wearbench.analysis import run_study
from wearbench.errors import UsageError, WearbenchError
from wearbench.formats import FileContent, ReadContext, read_file
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, FileName, RecordingFiles, Results, Session, Study, StudyConfig, StudyFile
from wearbench.study.zones import zone_named
from wearbench.wording import STATE_DID, duration, number, plural, share

__all__ = ["LookResult", "look"]

BEATS = ("rr", "ecg")
ANECDOTE = (
    "One session is an anecdote: it shows what happened here, not what the device does. The same two worn in more"
    " sessions, on other days, in other activities, and by other people would make it more: wearbench new."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class LookResult:
    """What was seen: plain lines for a person, a document for a program, results for a page."""

    lines: list[str]
    document: dict[str, Any]
    results: Results


def look(a: Path, b: Path, *, reference: str | None = None, zone: str | None = None) -> LookResult:
    """Hold two recordings of one session against each other.

    Parameters
    ----------
    a, b : Path
        In any order.
    reference : {"A", "B"}, optional
        Which is trusted; recognised where one has beats and the other only a rate.
    zone : str, optional
        Zone of stamps without an offset.

    Returns
    -------
    LookResult

    Raises
    ------
    UsageError
        With slug ``ask-reference`` or ``ask-zone`` where only a person can say; else when the two have nothing in
        common.
    FormatError
        When a file cannot be read.
    """
    where = None if zone is None else zone_named(zone)
    names = _names(a, b)
    contents = [_read(path, where) for path in (a, b)]
    trusted = _which(contents, (a, b), reference)
    files = [
        RecordingFiles(
            session="look",
            device=name,
            quantity=None,
            copy=None,
            parts=(
                StudyFile(
                    path=path,
                    shown=path.name,
                    session="look",
                    name=FileName(device=name, extension=path.suffix.lstrip(".")),
                    bytes=path.stat().st_size,
                ),
            ),
        )
        for name, path in zip(names, (a, b), strict=True)
    ]
    devices = {
        name: DeviceConfig(name=name, label=name, role="reference" if i == trusted else "tested")
        for i, name in enumerate(names)
    }
    config = StudyConfig(
        schema=1,
        title=f"{names[1 - trusted]} against {names[trusted]}",
        timezone=zone,
        zone=where,
        devices=devices,
        settings=Settings(choices=False),
    )
    study = Study(
        folder=a.parent,
        config=config,
        sessions=(Session(name="look", zone=where, recordings=tuple(files)),),
    )
    results = run_study(study)
    document = {**results.document, "look": {"reference": names[trusted], "tested": names[1 - trusted]}}
    lines = _lines(document, contents, names, trusted, where or UTC)
    return LookResult(lines=lines, document=document, results=dataclasses.replace(results, document=document))


def _names(a: Path, b: Path) -> tuple[str, str]:
    one, two = a.stem, b.stem
    if one == two:
        one, two = a.name, b.name
    if one == two:
        one, two = f"{a.parent.name}/{a.name}", f"{b.parent.name}/{b.name}"
    return (one, two) if one != two else ("A", "B")


def _read(path: Path, zone: tzinfo | None) -> FileContent:
    try:
        return read_file(path, ReadContext(shown=path.name, zone=zone))
    except WearbenchError as error:
        if error.slug == "no-zone":
            said = f"The stamps of {path.name} have no offset. In which time zone were they written?"
            raise UsageError(said, slug="ask-zone", file=error.file, line=error.line, value=error.value) from error
        raise
    except OSError as error:
        said = f"expected a recording that can be read: {error.strerror or error}"
        raise UsageError(said, slug="cannot-read", file=str(path)) from error


def _kinds(content: FileContent) -> set[str]:
    return {recording.quantity for recording in content.recordings}


def _which(contents: list[FileContent], paths: tuple[Path, Path], reference: str | None) -> int:
    """Index of the trusted recording."""
    kinds = [_kinds(content) for content in contents]
    rates = [bool(k & {"heart_rate", *BEATS}) for k in kinds]
    for has, path, found in zip(rates, paths, kinds, strict=True):
        if not has:
            said = (
                f"expected a heart rate, RR intervals or an ECG, found {', '.join(sorted(found)) or 'nothing'};"
                " other quantities are compared in a study: wearbench new"
            )
            raise UsageError(said, slug="nothing-to-compare", file=str(path))
    if reference in ("A", "B"):
        return 0 if reference == "A" else 1
    beats = [bool(k & set(BEATS)) for k in kinds]
    if beats[0] != beats[1]:
        return 0 if beats[0] else 1
    what = "Both hold beats" if beats[0] else "Neither holds beats"
    said = f"{what}, so which of the two is the reference cannot be told: A ({paths[0].name}) or B ({paths[1].name})?"
    raise UsageError(said, slug="ask-reference")


def _lines(
    document: dict[str, Any], contents: list[FileContent], names: tuple[str, str], trusted: int, zone: tzinfo
) -> list[str]:
    lines = [_reference_line(document, names[trusted], contents[trusted])]
    tested = names[1 - trusted]
    lines.append(_tested_line(document, tested, contents[1 - trusted]))
    lines += _proposals(document, tested)
    lines += _repairs(document)
    agreement = next(
        (r for r in document["agreement"] if (r["by"], r["readings"], r["clock"]) == ("all", "all", "fitted")), None
    )
    if agreement is None:
        lines.append(f"{tested}: no reading could be paired with the reference.")
    else:
        lines += _how_far(document, agreement, tested)
        lines += _failures(document, tested, zone)
    lines += ["", ANECDOTE]
    return lines


def _reference_line(document: dict[str, Any], name: str, content: FileContent) -> str:
    row = next((r for r in document["references"] if r["device"] == name and r["chosen"]), None)
    if row is None:
        return f"{name}: nothing in it can serve as a reference."
    counts = row["counts"]
    made = {
        "ecg": f"an ECG with {number(counts.get('beats'), decimals=0)} beats",
        "rr": f"{number(counts.get('beats'), decimals=0)} beats from RR intervals",
        "rr_sampled": "RR intervals that were sampled, used as a rate",
    }.get(row["made_from"], f"{number(counts.get('readings'), decimals=0)} readings of a rate")
    text = f"{name} (reference, {content.format}): {made}, {duration(row['seconds'])} in all"
    if row["mended_seconds"] > 0:
        text += f", {duration(row['mended_seconds'])} of it mended"
    if row["doubts"]:
        spans = [_doubt(d, row, document) for d in row["doubts"][:3]]
        text += f"; doubtful: {'; '.join(spans)}" + (" and more" if len(row["doubts"]) > 3 else "")
    return text + "."


_WHY = {
    "dry_start": "dry start",
    "every_second_beat": "counts every second beat",
    "double_count": "counts beats twice",
    "jump": "jumps",
    "noisy": "noisy",
}


def _doubt(doubt: dict[str, Any], row: dict[str, Any], document: dict[str, Any]) -> str:
    session = document["sessions"][0]
    start = session["start"]
    length = (doubt["end"] - doubt["start"]).total_seconds()
    after = (doubt["start"] - start).total_seconds() if isinstance(start, datetime) else 0.0
    why = _WHY.get(doubt["why"], doubt["why"])
    if after < 5.0:
        return f"the first {duration(length)} ({why})"
    return f"{duration(length)} from {duration(after)} in ({why})"


def _rhythm_words(seconds: float | None) -> str:
    if seconds is None:
        return "readings"
    if abs(seconds - 1.0) < 0.1:
        return "one value a second"
    if abs(seconds - 60.0) < 5.0:
        return "one value a minute"
    return f"a value every {number(seconds)} s"


def _tested_line(document: dict[str, Any], name: str, content: FileContent) -> str:
    window = next((w for w in document["windows"] if w["device"] == name), None)
    text = f"{name} (tested, {content.format}): {_rhythm_words(window['usual_interval_s'] if window else None)}"
    clock = next((c for c in document["clock"] if c["device"] == name), None)
    if clock is None:
        return text + "."
    if clock["trust"] == "refused":
        return text + f"; its clock could not be told ({clock['why']})."
    offset, half = clock["offset_s"], 0.5 * (clock["high_s"] - clock["low_s"])
    side = "behind" if offset > 0 else "ahead"
    where = f"{_offset_words(abs(offset))} {side}" if abs(offset) >= 0.5 else "on the reference's clock"
    sure = f"±{number(max(half, 0.1), uncertainty=half)} s" if math.isfinite(half) else "how sure cannot be told"
    text += f", {where} ({sure})"
    text += ", clock or delay" if clock["offset_is"] == "clock_minus_delay" else ""
    if clock["trust"] == "weak":
        text += f"; weakly known: {clock['why']}"
    if window:
        text += f"; it averages over about {number(window['averaging_s'])} s"
    return text + "."


def _offset_words(seconds: float) -> str:
    return f"{number(seconds)} s" if seconds < 120 else duration(seconds)


def _proposals(document: dict[str, Any], tested: str) -> list[str]:
    """What the data suggest and only a person can decide."""
    return [f"{tested}: {p['said']}" for p in document["proposals"]]


def _repairs(document: dict[str, Any]) -> list[str]:
    notes = [f"{r['file']}: {r['said']}" for r in document["repairs"]]
    return [f"Read with care: {note}" for note in notes[:6]] + (
        [f"and {len(notes) - 6} more repairs."] if len(notes) > 6 else []
    )


def _how_far(document: dict[str, Any], agreement: dict[str, Any], tested: str) -> list[str]:
    stats = agreement["statistics"]
    unit = agreement["unit"]
    lines = [
        f"{tested} was off by {number(stats['mae']['value'])} {unit} on average over"
        f" {plural(agreement['n_pairs'], 'reading')} (bias {number(stats['bias']['value'])} {unit})."
    ]
    tracking = next((t for t in document["tracking"] if t["by"] == "all"), None)
    if tracking and tracking["value"] is not None:
        lines.append(
            f"It followed the reference for {share(tracking['value'])} of the"
            f" {duration(tracking['judged_seconds'] + tracking['missing_seconds'])} that could be judged."
        )
    return lines


def _failures(document: dict[str, Any], tested: str, zone: tzinfo) -> list[str]:
    shown = [
        e
        for e in document["episodes"]
        if e["state"] not in ("between", "not_worn", "not_expected") and e["seconds"] >= 10.0 and not e.get("doubt")
    ]
    shown.sort(key=lambda e: -e["seconds"])
    lines = []
    for e in sorted(shown[:8], key=lambda e: str(e["start"])):
        did = STATE_DID[e["state"]].format(what="rate")
        times = f"{_clock_time(e['start'], zone)} to {_clock_time(e['end'], zone)}"
        text = f"It {did} from {times} ({duration(e['seconds'])}"
        if e["state"] != "missing" and e["reference_mean"] is not None:
            text += f"; {number(e['tested_mean'], decimals=0)} against {number(e['reference_mean'], decimals=0)}"
        text += ")"
        if e["also"]:
            text += "; half rate and cadence cannot be told apart there"
        lines.append(text + ".")
    if len(shown) > 8:
        lines.append(f"and {plural(len(shown) - 8, 'shorter episode')} of ten seconds or more.")
    if not shown:
        lines.append("No failure of ten seconds or more was seen.")
    return lines


def _clock_time(moment: datetime, zone: tzinfo) -> str:
    return f"{moment.astimezone(zone):%H:%M:%S}"
