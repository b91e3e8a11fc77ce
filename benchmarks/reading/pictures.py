"""Pictures of the treadmill recordings for a reader who has not seen what the program calls.

    python -m benchmarks.reading.pictures FOLDER

Drawn from the raw tables only; nothing of the program's results is read. Above: the rate counted by hand from the
chest ECG (line, with its half and its double), the optical estimate (dots), the arm's motion per minute and its half
(thin). Below: optical over counted, on a log2 scale. Two pictures a session, a little over two minutes each.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

STUDY = Path(__file__).resolve().parents[3] / "shared" / "data" / "treadmill"
SESSIONS = ("r011", "r041", "r062", "r102", "r112")
WIDTH, TOP, BELOW, LEFT, RIGHT = 1800.0, 620.0, 240.0, 70.0, 20.0
LOW_BPM, HIGH_BPM = 30.0, 230.0
PART_S = 160.0

Points = list[tuple[float, float]]


def readings(session: str, device: str) -> Points:
    """Seconds from 09:00:00 of the session's invented day, and the value, of each row of a device's table."""
    with (STUDY / "raw" / session / f"{device}.csv").open(encoding="utf-8", newline="") as file:
        rows = [(datetime.fromisoformat(time), float(value)) for time, value in list(csv.reader(file))[1:]]
    return [((at - at.replace(hour=9, minute=0, second=0)).total_seconds(), value) for at, value in rows]


def _line(points: Iterable[tuple[float, float]], style: str) -> str:
    return f'<polyline fill="none" style="{style}" points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in points)}"/>'


def _text(x: float, y: float, words: str, *, anchor: str = "middle", size: int = 16) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}">{words}</text>'


def picture(session: str, begin_s: float, end_s: float) -> str:
    """Draw one stretch of a session as SVG."""
    counted, optical, motion = (readings(session, name) for name in ("published", "optical", "pod"))

    def x(time_s: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (time_s - begin_s) / (end_s - begin_s)

    def y(bpm: float) -> float:
        return 40 + (TOP - 60) * (HIGH_BPM - min(max(bpm, LOW_BPM), HIGH_BPM)) / (HIGH_BPM - LOW_BPM)

    def ratio_y(ratio: float) -> float:
        return TOP + 20 + (BELOW - 40) * (1.25 - min(max(math.log2(ratio), -1.25), 1.25)) / 2.5

    def inside(points: Points) -> Points:
        return [(t, v) for t, v in points if begin_s <= t <= end_s]

    parts = [_text(LEFT, 24, f"{session}, {begin_s:.0f} to {end_s:.0f} s after 09:00:00", anchor="start", size=20)]
    for t in range(math.ceil(begin_s / 10) * 10, int(end_s) + 1, 10):
        parts.append(f'<path d="M{x(t):.1f} 40V{TOP + BELOW - 20}" stroke="#ddd"/>')
        parts.append(_text(x(t), TOP + BELOW, str(t)))
    for bpm in range(40, 231, 20):
        parts.append(f'<path d="M{LEFT} {y(bpm):.1f}H{WIDTH - RIGHT}" stroke="#eee"/>')
        parts.append(_text(LEFT - 8, y(bpm) + 5, str(bpm), anchor="end"))
    for ratio, words in ((0.5, "half"), (2 / 3, "2/3"), (1.0, "same"), (1.5, "3/2"), (2.0, "double")):
        parts.append(f'<path d="M{LEFT} {ratio_y(ratio):.1f}H{WIDTH - RIGHT}" stroke="#bbb"/>')
        parts.append(_text(LEFT - 8, ratio_y(ratio) + 5, words, anchor="end"))
    for times, style in (
        (1.0, "stroke:#777;stroke-width:5"),
        (0.5, "stroke:#999;stroke-width:1.5;stroke-dasharray:8 5"),
        (2.0, "stroke:#999;stroke-width:1.5;stroke-dasharray:8 5"),
    ):
        parts.append(_line(((x(t), y(v * times)) for t, v in inside(counted)), style))
    for times, style in (
        (1.0, "stroke:#080;stroke-width:1.5"),
        (0.5, "stroke:#080;stroke-width:1.5;stroke-dasharray:3 4"),
    ):
        parts.append(_line(((x(t), y(v * times)) for t, v in inside(motion)), style))
    parts.append(_line(((x(t), y(v)) for t, v in inside(optical)), "stroke:#00c;stroke-width:1"))
    parts += [f'<circle cx="{x(t):.1f}" cy="{y(v):.1f}" r="4.5" fill="#00c"/>' for t, v in inside(optical)]
    true = dict(counted)
    parts += [
        f'<circle cx="{x(t):.1f}" cy="{ratio_y(v / true[t]):.1f}" r="4" fill="#00c"/>'
        for t, v in inside(optical)
        if t in true and v > 0
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{TOP + BELOW + 10}" '
        f'font-family="sans-serif"><rect width="100%" height="100%" fill="#fff"/>{"".join(parts)}</svg>'
    )


def main(arguments: list[str]) -> None:
    """Write the pictures as SVG, and as PNG by a browser."""
    from playwright.sync_api import sync_playwright

    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": int(WIDTH), "height": int(TOP + BELOW + 10)})
        for session in SESSIONS:
            last = readings(session, "optical")[-1][0]
            begin = 0.0
            while begin < last:
                page.set_content(f'<body style="margin:0">{picture(session, begin, begin + PART_S)}</body>')
                page.screenshot(path=folder / f"{session}-{begin:03.0f}.png")
                begin += PART_S - 10.0
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
