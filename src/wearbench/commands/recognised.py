"""What was recognised in a raw file, as lines and as a document."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from wearbench.wording import plural

if TYPE_CHECKING:
    from wearbench.formats.recording import FileContent, Intervals, Readings, Signal

__all__ = ["described", "recognised_lines"]


def described(content: FileContent) -> dict[str, Any]:
    """Format, recordings with their span, repairs and number of laps of one file."""
    return {
        "format": content.format,
        "recordings": [_recording(recording) for recording in content.recordings],
        "repairs": [
            {"slug": repair.slug, "said": repair.said, "line": repair.line, "count": repair.count}
            for repair in content.repairs
        ],
        "facts": dict(content.facts),
        "laps": len(content.laps),
    }


def recognised_lines(told: dict[str, Any]) -> list[str]:
    """The description as lines, to stand under the file's name."""
    lines: list[str] = []
    for recording in told["recordings"]:
        span = "at times not known" if recording["start"] is None else f"{recording['start']} to {recording['end']}"
        lines.append(f"{recording['quantity']}, {recording['n']:,} {recording['kind']}, {span}")
    if told["laps"]:
        lines.append(f"{plural(told['laps'], 'lap')}; wearbench bouts makes bouts of them")
    lines.extend(f"repaired: {repair['said']}" for repair in told["repairs"])
    return lines or ["nothing in it"]


def _recording(recording: Readings | Intervals | Signal) -> dict[str, Any]:
    from wearbench.formats.recording import Intervals, Readings

    start: int | None
    end: int | None
    if isinstance(recording, Readings):
        kind, unit, n = "readings", recording.unit, int(recording.time_ms.size)
        start, end = (int(recording.time_ms.min()), int(recording.time_ms.max())) if n else (None, None)
    elif isinstance(recording, Intervals):
        kind, unit, n = "intervals", "ms", int(recording.interval_ms.size)
        stamps = recording.stamp_ms
        if stamps is not None and n:
            start, end = int(stamps.min()), int(stamps.max())
        else:
            start = recording.start_ms
            end = None if start is None else start + round(float(recording.interval_ms.sum()))
    else:
        kind, unit, n = "samples", recording.unit, sum(int(s.values.size) for s in recording.segments)
        start = recording.segments[0].start_ms if recording.segments else None
        last = recording.segments[-1] if recording.segments else None
        end = None if last is None else last.start_ms + round(1000 * last.values.size / last.rate_hz)
    placed = recording.start_known
    return {
        "quantity": recording.quantity,
        "unit": unit,
        "kind": kind,
        "n": n,
        "start": _instant(start) if placed else None,
        "end": _instant(end) if placed else None,
    }


def _instant(ms: int | None) -> str | None:
    if ms is None:
        return None
    return datetime.fromtimestamp(ms // 1000, UTC).strftime("%Y-%m-%d %H:%M:%SZ")
