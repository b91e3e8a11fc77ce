"""Invented results in the words of the folder contract, for pages and pictures; no simulator, no analysis."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from wearbench.study.results import PAIRS, TRACES, Results, plain

START = datetime(2031, 1, 12, 8, 0, tzinfo=UTC)
BOUTS = ("easy walk", "rowing intervals", "rest", "stair runs", "kettlebells")


def _session(name: str, number: int, minutes: float, rng: np.random.Generator) -> dict[str, Any]:
    n = int(minutes * 60)
    t = np.arange(n, dtype=float)
    bout = np.minimum((t / n * len(BOUTS)).astype(int), len(BOUTS) - 1)
    goal = np.array([98.0, 158.0, 92.0, 171.0, 139.0])[bout] + 8 * np.sin(t / 47.0) * (bout == 1)
    rate = np.empty(n)
    level = 85.0
    for i in range(n):
        level += (goal[i] - level) / 38.0
        rate[i] = level
    rate += np.cumsum(rng.normal(0, 0.15, n)) * 0.3
    cadence = np.where(np.isin(bout, (1, 3)), np.where(bout == 1, 30.0, 168.0), np.nan)
    start = START + timedelta(days=number // 2, hours=7 * (number % 2), minutes=3 * number)
    return {"name": name, "number": number, "t": t, "bout": bout, "rate": rate, "cadence": cadence, "start": start}


def _device(s: dict[str, Any], rng: np.random.Generator, *, good: bool, step: int) -> dict[str, np.ndarray]:
    n = s["t"].size
    state = np.full(n, "faithful", dtype=object)
    value = np.convolve(np.pad(s["rate"], (4, 0), "edge"), np.ones(5) / 5, "valid") + rng.normal(0, 1.2, n)

    def stretch(kind: str, bout: int, length: float, chance: float) -> None:
        if rng.random() > chance:
            return
        inside = np.flatnonzero(s["bout"] == bout)
        size = max(4, int(inside.size * length * rng.uniform(0.6, 1.0)))
        first = inside[0] + int(rng.uniform(0, max(1, inside.size - size)))
        part = slice(first, first + size)
        state[part] = kind
        if kind == "halved":
            value[part] = s["rate"][part] / 2 + rng.normal(0, 1, size)
        elif kind == "doubled":
            value[part] = s["rate"][part] * 2 + rng.normal(0, 1, size)
        elif kind == "cadence_locked":
            value[part] = np.nan_to_num(s["cadence"][part], nan=100) + rng.normal(0, 0.7, size)
        elif kind == "frozen":
            value[part] = value[first]
        elif kind == "astray":
            value[part] += 25 + rng.normal(0, 6, size)
        state[max(0, first - 4) : first] = "between"

    chance = 0.15 if good else 0.75
    stretch("halved", 1, 0.9, chance)
    stretch("cadence_locked", 3, 0.5, chance * 0.5)
    stretch("frozen", 4, 0.3, chance * 0.5)
    stretch("astray", 4, 0.2, chance * 0.7)
    if not good:
        stretch("doubled", 2, 0.3, 0.2)
    keep = s["t"] % step == 0
    if rng.random() < 0.6:
        gap = int(rng.uniform(0.1, 0.8) * n)
        keep[gap : gap + int(n * 0.03)] = False
    return {"state": state, "value": np.clip(value, 30, 240), "keep": keep}


def invented(
    *,
    sessions: int = 8,
    minutes: float = 6.0,
    participants: int = 4,
    devices: tuple[str, ...] = ("band-a", "band-b"),
    step: int = 1,
    seed: int = 4,
    prefix: str = "S",
    quantity: str = "heart_rate",
    failures: bool = True,
) -> Results:
    """Build results of ``sessions`` sessions of ``minutes`` minutes; everything in them is made up."""
    rng = np.random.default_rng(seed)
    frames, traces, episodes = [], [], []
    states: dict[tuple[str, str, str], dict[str, float]] = {}
    for number in range(sessions):
        name = f"{prefix}{number + 1:02d}"
        s = _session(name, number, minutes, rng)
        dry = s["t"] < 40
        traces += _traces(s, dry, quantity)
        count = 0
        for d, device in enumerate(devices):
            got = _device(s, rng, good=d > 0 or not failures, step=step)
            if not failures:
                got["state"][:] = "faithful"
            keep = np.flatnonzero(got["keep"])
            state = np.where(dry[keep], None, got["state"][keep])
            firmware = "2.0" if number < sessions / 2 else "2.1"
            where = {"participant": f"rower-{number % participants + 1}", "firmware": firmware}
            frames.append(_frame(s, device, keep, got, state, step, where, quantity, dry))
            for start, stop, kind in _runs(got["state"], got["keep"]):
                if kind == "faithful":
                    continue
                count += 1
                tested = got["value"][start:stop]
                episodes.append(
                    {
                        "id": f"{name}-E{count}",
                        "event": f"{name}-V{count}",
                        "session": name,
                        "device": device,
                        "quantity": quantity,
                        "state": kind,
                        "also": None,
                        "start": s["start"] + timedelta(seconds=start),
                        "end": s["start"] + timedelta(seconds=stop),
                        "seconds": float(stop - start),
                        "tested_mean": None if kind == "missing" else float(tested.mean()),
                        "reference_mean": float(s["rate"][start:stop].mean()),
                        "ratio": None if kind == "missing" else float(tested.mean() / s["rate"][start:stop].mean()),
                        "probability": 0.98,
                    }
                )
            shown = np.where(got["keep"] | (np.arange(s["t"].size) % step != 0), got["state"], "missing")
            for by, group in (("all", "all"), ("firmware", firmware), ("session", name)):
                box = states.setdefault((device, by, group), {})
                for kind in np.unique(shown[~dry].astype(str)):
                    box[kind] = box.get(kind, 0.0) + float(np.sum(shown[~dry] == kind))
    pairs = pl.concat(frames) if frames else pl.DataFrame(schema=PAIRS)
    document = plain(_document(pairs, episodes, states, devices, quantity))
    table = pl.concat(traces) if traces else pl.DataFrame(schema=TRACES)
    return Results(document=document, pairs=pairs, traces=table)


def _runs(state: np.ndarray, keep: np.ndarray) -> list[tuple[int, int, str]]:
    shown = state.copy()
    if keep.sum() > keep.size * 0.5:
        shown[~keep] = "missing"
    cut = np.flatnonzero(shown[1:] != shown[:-1]) + 1
    edges = np.concatenate([[0], cut, [shown.size]])
    return [(int(a), int(b), str(shown[a])) for a, b in itertools.pairwise(edges)]


def _instants(start: datetime, seconds: np.ndarray) -> pl.Series:
    base = int(start.timestamp() * 1e6)
    return pl.Series(base + (seconds * 1e6).astype(np.int64)).cast(pl.Datetime("us", "UTC"))


def _traces(s: dict[str, Any], dry: np.ndarray, quantity: str) -> list[pl.DataFrame]:
    n = s["t"].size
    time = _instants(s["start"], s["t"])
    reference = pl.DataFrame(
        {
            "session": [s["name"]] * n,
            "device": ["patch"] * n,
            "role": ["reference"] * n,
            "quantity": [quantity] * n,
            "time": time,
            "value": np.where(dry, s["rate"] * 1.2, s["rate"]),
            "doubtful": dry,
        },
        schema=TRACES,
    )
    cadence = reference.with_columns(
        device=pl.lit("pod"),
        role=pl.lit("context"),
        quantity=pl.lit("cadence"),
        value=pl.Series(s["cadence"]),
        doubtful=pl.lit(value=False),
    )
    return [reference, cadence]


def _frame(
    s: dict[str, Any],
    device: str,
    keep: np.ndarray,
    got: dict[str, np.ndarray],
    state: np.ndarray,
    step: int,
    where: dict[str, str],
    quantity: str,
    dry: np.ndarray,
) -> pl.DataFrame:
    n = keep.size
    time = _instants(s["start"], s["t"][keep] - 34.0)
    end = _instants(s["start"], s["t"][keep])
    reference = s["rate"][keep]
    return pl.DataFrame(
        {
            "session": [s["name"]] * n,
            "participant": [where["participant"]] * n,
            "device": [device] * n,
            "reference_device": ["patch"] * n,
            "quantity": [quantity] * n,
            "unit": ["bpm"] * n,
            "activity": [BOUTS[b] for b in s["bout"][keep]],
            "bout": [BOUTS[b] for b in s["bout"][keep]],
            "intensity": [None] * n,
            "firmware": [where["firmware"]] * n,
            "wear_site": ["left wrist" if device.endswith("a") else "right wrist"] * n,
            "time": time,
            "start": end.dt.offset_by("-5s"),
            "end": end,
            "seconds": [float(step)] * n,
            "tested": got["value"][keep],
            "reference": reference,
            "covered": np.ones(n),
            "mended": np.zeros(n),
            "cadence": s["cadence"][keep],
            "state": list(state),
            "ratio": got["value"][keep] / reference,
            "also": [None] * n,
            "probability": [0.99] * n,
            "episode": [None] * n,
            "event": [None] * n,
            "used": ~dry[keep],
            "reason": ["reference_doubtful" if d else None for d in dry[keep]],
            "source_row": np.arange(1, n + 1),
        },
        schema=PAIRS,
    )


def _statistics(part: pl.DataFrame) -> dict[str, Any]:
    d = (part["tested"] - part["reference"]).to_numpy()
    by = part.group_by("session").agg(
        b=(pl.col("tested") - pl.col("reference")).mean(), m=(pl.col("tested") - pl.col("reference")).abs().mean()
    )
    k = by.height
    sd = float(d.std(ddof=1)) if d.size > 1 else None

    def entry(value: float | None, se: float | None) -> dict[str, Any]:
        wide = se is not None and value is not None and np.isfinite(se)
        return {
            "value": value,
            "low": value - 2.2 * se if wide else None,
            "high": value + 2.2 * se if wide else None,
            "method": "t on session values",
            "n": k,
            "why": None if wide else "one session: no general claim",
        }

    se_b = float(by["b"].std() / np.sqrt(k)) if k > 1 else None
    se_m = float(by["m"].std() / np.sqrt(k)) if k > 1 else None
    bias, mae = float(d.mean()), float(np.abs(d).mean())
    near = {
        "within_5": float(np.mean(np.abs(d) <= 5)),
        "ccc": float(np.corrcoef(part["tested"], part["reference"])[0, 1]),
    }
    se_l = None if se_b is None else 1.7 * se_b
    return {
        "bias": entry(bias, se_b),
        "sd_of_differences": entry(sd, None),
        "limit_low": entry(bias - 1.96 * (sd or 0), se_l),
        "limit_high": entry(bias + 1.96 * (sd or 0), se_l),
        "mae": entry(mae, se_m),
        "mape": entry(float(100 * np.mean(np.abs(d) / part["reference"].to_numpy())), se_m),
        "rmse": entry(float(np.sqrt(np.mean(d**2))), None),
        "within_5": entry(near["within_5"], 0.02),
        "ccc": entry(near["ccc"], 0.01),
    }


def _document(
    pairs: pl.DataFrame,
    episodes: list[dict[str, Any]],
    states: dict[tuple[str, str, str], dict[str, float]],
    devices: tuple[str, ...],
    quantity: str,
) -> dict[str, Any]:
    agreement = []
    used = pairs.filter(pl.col("used"))
    for device in devices:
        mine = used.filter(pl.col("device") == device)
        groups = [("all", "all", "all", mine), ("all", "all", "faithful", mine.filter(pl.col("state") == "faithful"))]
        for by in ("activity", "firmware", "session"):
            groups += [(by, g, "all", mine.filter(pl.col(by) == g)) for g in mine[by].unique(maintain_order=True)]
        for by, group, readings, part in groups:
            for clock in ("fitted", "cross_fitted", "declared") if by == "all" and readings == "all" else ("fitted",):
                if not part.height:
                    continue
                agreement.append(
                    {
                        "device": device,
                        "reference_device": "patch",
                        "quantity": quantity,
                        "unit": "bpm",
                        "by": by,
                        "group": group,
                        "readings": readings,
                        "clock": clock,
                        "n_pairs": part.height,
                        "n_sessions": part["session"].n_unique(),
                        "n_participants": part["participant"].n_unique(),
                        "statistics": _statistics(part),
                    }
                )
    rows = [
        {
            "device": device,
            "quantity": quantity,
            "by": by,
            "group": group,
            "state": state,
            "seconds": seconds,
            "share": seconds / sum(box.values()),
        }
        for (device, by, group), box in states.items()
        for state, seconds in sorted(box.items())
    ]
    total = float(pairs["seconds"].sum() or 0.0)
    flow = [
        {"device": device, "quantity": quantity, "step": step, "seconds": total / max(1, len(devices)) * part}
        for device in devices
        for step, part in (
            ("worn", 1.0),
            ("reference_trustworthy", 0.9),
            ("gave_values", 0.87),
            ("left_out_by_rule", 0.01),
            ("left_out_by_hand", 0.0),
            ("judged", 0.86),
        )
    ]
    clock = [
        {
            "session": session,
            "device": device,
            "quantity": quantity,
            "at": START,
            "offset_s": 34.0 + 0.2 * i,
            "low_s": 33.2 + 0.2 * i,
            "high_s": 34.8 + 0.2 * i,
            "drift_ppm": 3.0,
            "offset_is": "clock_minus_delay",
            "method": "searched",
            "trust": "weak" if i == 2 else "good",
            "candidates": [],
        }
        for device in devices
        for i, session in enumerate(sorted(pairs["session"].unique().to_list()))
    ]
    return {
        "schema": 1,
        "title": "Winter camp of a coastal rowing club",
        "invented": True,
        "made": START + timedelta(days=20),
        "tool": {"name": "wearbench", "version": "0.1.0"},
        "settings": {"min_covered": 0.8, "confidence": 0.95, "late_s": 30.0},
        "parameters": {device: {"half_mode_sd": 0.03} for device in devices},
        "devices": [
            {"device": "patch", "label": "Chest patch", "role": "reference"},
            *({"device": d, "label": d.replace("-", " ").title(), "role": "tested"} for d in devices),
        ],
        "sessions": [
            {
                "session": r["session"],
                "participant": r["participant"],
                "activity": None,
                "firmware": r["firmware"],
                "start": plain(r["start"]),
                "end": plain(r["end"]),
            }
            for r in pairs.group_by("session", maintain_order=True)
            .agg(pl.col("participant", "firmware").first(), start=pl.col("end").min(), end=pl.col("end").max())
            .iter_rows(named=True)
        ],
        "inputs": [{"path": f"raw/S01/{d}.csv", "sha256": "ab" * 32, "bytes": 48_213} for d in devices],
        "repairs": [
            {
                "slug": "stamps-sorted",
                "said": "3 stamps out of order were sorted",
                "file": "raw/S01/band-a.csv",
                "line": None,
                "count": 3,
            }
        ],
        "files_left_out": [{"path": "raw/S02/notes.csv", "why": "expected a time column, found: text"}],
        "decisions_used": [],
        "clock": clock,
        "windows": [
            {"device": d, "quantity": quantity, "averaging_s": 5.0, "delay_s": 0.0, "low_s": 3.0, "high_s": 7.0}
            for d in devices
        ],
        "agreement": agreement,
        "states": rows,
        "flow": flow,
        "episodes": episodes,
        "findings": [],
        "warnings": ["No participants.csv: ages and skin tones are unknown."],
    }
