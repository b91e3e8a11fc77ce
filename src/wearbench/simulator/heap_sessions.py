"""Files of one session each, or of a part of one: the patch, what a second phone heard of it, and the pod."""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from wearbench.simulator.heap_day import HeapRows, ms_of, wall_clock_ms
from wearbench.simulator.heap_files import MARGIN_MS, HeapFolder, instant_of, stamp_texts, table_bytes
from wearbench.simulator.heap_plan import Occasion
from wearbench.simulator.heap_truth import HeapFile

__all__ = ["put_patch_files", "put_pod_files"]

_COPY_MISSING: Final = 0.03
_NAMES: Final = {"O04": "Übung 4 (früh).csv", "O09": "training final FINAL.csv", "O12": "rr (1).csv"}
_COPY_NAMES: Final = {"O02": "Treppe abends.csv", "O08": "Backup (2).csv", "O12": "Frühsport Überblick.csv"}
_TWICE: Final = {"O04": "Laptop/Neuer Ordner/Kopie von Übung 4.csv"}


def put_patch_files(heap: HeapFolder, rng: np.random.Generator) -> dict[str, float]:
    """Write one file a session, several after a crash, and the second phone's copies.

    Parameters
    ----------
    heap : HeapFolder
    rng : numpy.random.Generator

    Returns
    -------
    dict
        Path of each copy -> share of the beats it lacks.
    """
    missing: dict[str, float] = {}
    for occasion, session in zip(heap.plan.occasions, heap.sessions, strict=True):
        if "patch" not in occasion.devices:
            continue
        stamp_s = session.intervals.stamp_s
        assert stamp_s is not None
        rows = HeapRows(
            own_ms=ms_of(session.plan.start) + np.rint(stamp_s * 1000).astype(np.int64),
            value=session.intervals.interval_ms,
        )
        _put_patch(heap, occasion, rows)
        if occasion.copied:
            path, share = _put_copy(heap, occasion, rows, rng)
            missing[path] = share
    return missing


def _put_patch(heap: HeapFolder, occasion: Occasion, rows: HeapRows) -> None:
    start_ms, stop_ms = ms_of(occasion.plan.start), ms_of(occasion.plan.end) + MARGIN_MS
    if occasion.patch_short_s:
        stop_ms = ms_of(occasion.plan.end) - round(occasion.patch_short_s * 1000)
    begins = [start_ms, *(start_ms + round((at + lasts) * 1000) for at, lasts in occasion.holes)]
    ends = [*(start_ms + round(at * 1000) for at, _ in occasion.holes), stop_ms]
    wrong = ["part_after_crash"] * bool(occasion.holes) + ["stops_early"] * bool(occasion.patch_short_s)
    for number, (begin, end) in enumerate(zip(begins, ends, strict=True), start=1):
        part = rows.between(begin, end)
        name = instant_of(part.own_ms[0]).strftime("rr_%Y%m%d-%H%M%S.csv")
        file = heap.described(
            HeapFile(
                path=f"Phone/Beats/{_NAMES.get(occasion.name, name)}",
                kind="part" if occasion.holes else "recording",
                device="patch",
                part=number if occasion.holes else None,
                n_parts=len(begins) if occasion.holes else None,
                quantities=("rr",),
                stamps="utc",
                wrong=tuple(wrong),
            ),
            part.own_ms,
            among=(occasion.name,),
        )
        stamps = stamp_texts(part.own_ms, digits=3, between="T", after="Z")
        data = table_bytes("time,rr_ms", stamps, [f"{ms:.1f}" for ms in part.value.tolist()])
        heap.put(file, data)
        if occasion.name in _TWICE:
            heap.put_again(file, _TWICE[occasion.name], data)


def _put_copy(heap: HeapFolder, occasion: Occasion, rows: HeapRows, rng: np.random.Generator) -> tuple[str, float]:
    """Write what the second phone heard: 3 % of the beats are not there, but what the first lost in the crash is."""
    n = rows.own_ms.size
    n_lost = round(_COPY_MISSING * n)
    kept = np.ones(n, dtype=np.bool_)
    kept[1 + rng.choice(n - 2, size=n_lost, replace=False)] = False
    later_ms = rows.own_ms + np.rint(rng.exponential(25.0, n)).astype(np.int64)
    copy = HeapRows(own_ms=np.maximum.accumulate(later_ms), value=rows.value).where(kept)
    file = heap.described(
        HeapFile(
            path=f"Zweithandy – Übertragung/{_COPY_NAMES[occasion.name]}",
            kind="copy",
            device="patch",
            copy="phone2",
            quantities=("rr",),
            stamps="local",
            wrong=("copy_misses_beats",),
        ),
        copy.own_ms,
        among=(occasion.name,),
    )
    stamps = stamp_texts(wall_clock_ms(copy.own_ms, heap.plan), digits=3)
    values = [f"{ms:.1f}".replace(".", ",") for ms in copy.value.tolist()]
    heap.put(file, table_bytes("Timestamp;RR [ms]", stamps, values, delimiter=";", line_end="\r\n"))
    return file.path, n_lost / n


def put_pod_files(heap: HeapFolder) -> None:
    """Write the pod's file of each session; for some days, from the middle of one, its clock is an hour early."""
    step = heap.plan.clock_step
    for occasion, session in zip(heap.plan.occasions, heap.sessions, strict=True):
        if "pod" not in occasion.devices or session.pod is None:
            continue
        true_ms = ms_of(session.plan.start) + np.rint(session.pod.stamp_s * 1000).astype(np.int64)
        early = (true_ms >= ms_of(step.start)) & (true_ms < ms_of(step.end))
        wrong = ["clock_one_hour_early"] * bool(early.any())
        wrong += ["clock_steps_inside"] * bool(early.any() and not early.all())
        local = occasion.plan.start.astimezone(ZoneInfo(occasion.zone))
        file = heap.described(
            HeapFile(
                path=f"Pod/Schläge {local.day}.{local.month}. {'früh' if local.hour < 12 else 'spät'}.csv",
                kind="recording",
                device="pod",
                quantities=("cadence",),
                stamps="local",
                rhythms_s=(1.0,),
                wrong=tuple(wrong),
            ),
            true_ms,
            among=(occasion.name,),
        )
        shown_ms = wall_clock_ms(true_ms, heap.plan) - np.where(early, round(step.early_s * 1000), 0)
        values = [f"{each:.1f}".replace(".", ",") for each in session.pod.per_min.tolist()]
        heap.put(file, table_bytes("time;cadence", stamp_texts(shown_ms, digits=0), values, delimiter=";"))
