"""Simulated sessions as a study folder: raw files, study.toml, tables and, apart from them, the truth."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta, timezone, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from wearbench.errors import UsageError
from wearbench.simulator.device import SimulatedDevice
from wearbench.simulator.fit_file import encode_fit
from wearbench.simulator.parameters import SessionPlan
from wearbench.simulator.session import SimulatedSession, session_generator, simulate_session
from wearbench.simulator.truth import write_truth

__all__ = ["write_study"]

_UTC = timezone(timedelta(0))
_SUFFIX = {"csv_local": "csv", "csv_utc": "csv", "csv_decimal_comma": "csv", "fit": "fit", "tcx": "tcx"}


def _stamp(start: datetime, ms: int, zone: tzinfo) -> str:
    return (start + timedelta(milliseconds=ms)).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]


def _number(value: float, *, comma: bool = False) -> str:
    text = "" if np.isnan(value) else f"{value:.3f}".rstrip("0").rstrip(".")
    return text.replace(".", ",") if comma else text


def _lines(path: Path, heading: str, rows: Iterable[str]) -> None:
    path.write_text("\n".join((heading, *rows)) + "\n", encoding="utf-8", newline="\n")


def _write_device(path: Path, device: SimulatedDevice, start: datetime, zone: tzinfo) -> None:
    rows = list(zip(device.stamp_ms.tolist(), device.value_bpm.tolist(), strict=True))
    whole_seconds = not np.any(device.stamp_ms % 1000)
    cut = 19 if whole_seconds else 23
    kind = device.plan.file
    if kind == "fit":
        seconds = int(start.timestamp()) + np.floor_divide(device.stamp_ms, 1000)
        software = device.plan.firmware if device.plan.firmware.replace(".", "", 1).isdigit() else "1"
        path.write_bytes(encode_fit(seconds, device.value_bpm, software=float(software)))
    elif kind == "tcx":
        path.write_text(_tcx(rows, start), encoding="utf-8", newline="\n")
    elif kind == "csv_decimal_comma":
        _lines(
            path,
            "time;heart_rate",
            (f"{_stamp(start, ms, zone)[:cut]};{_number(value, comma=True)}" for ms, value in rows),
        )
    elif kind == "csv_utc":
        _lines(
            path,
            "time,heart_rate",
            (f"{_stamp(start, ms, _UTC)[:cut].replace(' ', 'T')}Z,{_number(value)}" for ms, value in rows),
        )
    else:
        _lines(path, "time,heart_rate", (f"{_stamp(start, ms, zone)[:cut]},{_number(value)}" for ms, value in rows))


def _tcx(rows: list[tuple[int, float]], start: datetime) -> str:
    first = _stamp(start, rows[0][0] if rows else 0, _UTC).replace(" ", "T") + "Z"
    points = []
    for ms, value in rows:
        rate = "" if np.isnan(value) else f"<HeartRateBpm><Value>{value:.0f}</Value></HeartRateBpm>"
        points.append(f"<Trackpoint><Time>{_stamp(start, ms, _UTC).replace(' ', 'T')}Z</Time>{rate}</Trackpoint>")
    lasted = (rows[-1][0] - rows[0][0]) / 1000 if rows else 0.0
    return "\n".join(
        (
            '<?xml version="1.0" encoding="UTF-8"?>',
            "<TrainingCenterDatabase>",
            f'<Activities><Activity Sport="Other"><Id>{first}</Id><Lap StartTime="{first}">',
            f"<TotalTimeSeconds>{lasted:.3f}</TotalTimeSeconds><Track>",
            *points,
            "</Track></Lap></Activity></Activities>",
            "</TrainingCenterDatabase>",
            "",
        )
    )


def _write_session(raw: Path, session: SimulatedSession, zone: tzinfo) -> None:
    folder = raw / session.plan.name
    folder.mkdir(parents=True)
    start = session.plan.start
    intervals = session.intervals
    name = session.plan.reference.name
    if intervals.stamp_s is not None and intervals.rate_bpm is not None:
        stamps = np.rint(intervals.stamp_s * 1000).astype(np.int64).tolist()
        rates = zip(stamps, intervals.rate_bpm.tolist(), strict=True)
        shown = (f"{_stamp(start, ms, _UTC).replace(' ', 'T')}Z,{_number(bpm)}" for ms, bpm in rates)
        _lines(folder / f"{name}.csv", "time,heart_rate", shown)
    elif intervals.stamp_s is None:
        rr = (_number(round(ms, 1)) for ms in intervals.interval_ms.tolist())
        _lines(folder / f"{name}.rr.txt", "rr_ms", rr)
    else:
        stamps = np.rint(intervals.stamp_s * 1000).astype(np.int64).tolist()
        _lines(
            folder / f"{name}.csv",
            "time,rr_ms",
            (
                f"{_stamp(start, ms, _UTC).replace(' ', 'T')}Z,{rr:.1f}"
                for ms, rr in zip(stamps, intervals.interval_ms.tolist(), strict=True)
            ),
        )
    if session.plan.pod is not None and session.pod is not None:
        stamps = np.rint(session.pod.stamp_s * 1000).astype(np.int64).tolist()
        _lines(
            folder / f"{session.plan.pod.name}.csv",
            "time;cadence",
            (
                f"{_stamp(start, ms, zone)[:19]};{_number(value, comma=True)}"
                for ms, value in zip(stamps, session.pod.per_min.tolist(), strict=True)
            ),
        )
    for device in session.devices:
        path = folder / f"{device.plan.name}.{_SUFFIX[device.plan.file]}"
        _write_device(path, device, start, zone)


def _config(plans: tuple[SessionPlan, ...], *, title: str, timezone_name: str, labels: dict[str, str]) -> str:
    roles: dict[str, str] = {}
    for plan in plans:
        roles.setdefault(plan.reference.name, "reference")
        for device in plan.devices:
            roles.setdefault(device.name, "tested")
        if plan.pod is not None:
            roles.setdefault(plan.pod.name, "context")
    lines = ["schema = 1", f'title = "{title}"', f'timezone = "{timezone_name}"']
    for name, role in roles.items():
        lines += ["", f"[devices.{name}]", f'role = "{role}"', f'label = "{labels.get(name, name)}"']
        if role == "context":
            lines.append('clock = "shared"')
    lines += [
        "",
        "# A criterion of one's own would stand here; when it is not met, the exit code of a run is 2:",
        "# [criteria.mean_error]",
        *[f'# device = "{name}"' for name, role in roles.items() if role == "tested"][:1],
        '# quantity = "heart_rate"',
        '# statistic = "mape"',
        "# at_most = 10.0",
        "",
    ]
    return "\n".join(lines)


def _tables(folder: Path, plans: tuple[SessionPlan, ...], zone: tzinfo) -> None:
    names = sorted({device.name for plan in plans for device in plan.devices})
    rows = []
    for plan in plans:
        by_name = {device.name: device for device in plan.devices}
        cells = [plan.name, plan.start.astimezone(zone).isoformat(), plan.end.astimezone(zone).isoformat()]
        cells += [plan.person.name, plan.activity]
        cells += [by_name[name].firmware if name in by_name else "" for name in names]
        cells += [by_name[name].wear_site if name in by_name else "" for name in names]
        rows.append(",".join(cells))
    heading = ["session", "start", "end", "participant", "activity"]
    heading += [f"firmware.{name}" for name in names] + [f"wear_site.{name}" for name in names]
    _lines(folder / "sessions.csv", ",".join(heading), rows)
    _lines(
        folder / "bouts.csv",
        "session,bout,start,end,activity,intensity",
        (
            f"{plan.name},B{i:02d},{start:g},{start + bout.seconds:g},{bout.activity},{bout.intensity}"
            for plan in plans
            for i, (start, bout) in enumerate(zip(plan.bout_starts_s, plan.bouts, strict=True), start=1)
        ),
    )


def write_study(
    folder: Path,
    plans: Iterable[SessionPlan],
    *,
    seed: int,
    title: str = "Invented sessions from the simulator",
    timezone: str = "Europe/Oslo",
    labels: dict[str, str] | None = None,
    about: str = "Invented data: every recording in this folder was made by a simulator.",
) -> tuple[SimulatedSession, ...]:
    """Simulate sessions and write them as a study folder with the truth beside it.

    Parameters
    ----------
    folder : pathlib.Path
        Made if it is not there.
    plans : iterable of SessionPlan
    seed : int
        Same seed and plans, same bytes; a session's draws depend on its name, not on its place in the list.
    title, timezone : str
        For ``study.toml``; the title should say that the data are invented.
    labels : dict or None
        Device name -> label.
    about : str
        Text of the folder's ``README.md``.

    Returns
    -------
    tuple of SimulatedSession
        What was written.

    Raises
    ------
    UsageError
        If the folder already holds files: raw files are never overwritten.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"expected a new or empty folder for the simulated study, got {folder}; name another one")
    plans = tuple(plans)
    zone = ZoneInfo(timezone)
    folder.mkdir(parents=True, exist_ok=True)
    sessions = tuple(simulate_session(plan, session_generator(plan.name, seed=seed)) for plan in plans)
    for session in sessions:
        _write_session(folder / "raw", session, zone)
    (folder / "study.toml").write_text(
        _config(plans, title=title, timezone_name=timezone, labels=labels or {}), encoding="utf-8", newline="\n"
    )
    _tables(folder, plans, zone)
    (folder / "README.md").write_text(about.rstrip() + "\n", encoding="utf-8", newline="\n")
    write_truth(folder / "truth", sessions)
    return sessions
