"""Files that span sessions: the band's exports of the whole fortnight, its counter, the loop's file a day."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.fit_file import encode_fit
from wearbench.simulator.heap_day import HeapRows, count_steps, day_rows, ms_of, wall_clock_ms, with_exercise
from wearbench.simulator.heap_files import HeapFolder, stamp_texts, table_bytes, whole_texts
from wearbench.simulator.heap_truth import Disagreement, HeapFile
from wearbench.simulator.physiology import Course

__all__ = ["put_band_files", "put_loop_files", "put_steps"]

_RUNS: Final = (53, 47, 41, 33, 25, 15)
"""Minutes in a row that the later export computed anew: 214 in all."""
_MOST_BPM: Final = 31
_FIRST_NUMBER: Final = 8_812_722


def put_band_files(heap: HeapFolder, course: Course, noise: np.random.Generator) -> Disagreement:
    """Write the fortnight's export, and the same made again a week later, which no longer says the same.

    Parameters
    ----------
    heap : HeapFolder
    course : Course
        Heart rate outside the sessions.
    noise : numpy.random.Generator

    Returns
    -------
    Disagreement
    """
    plan = heap.plan
    told = [session for o, session in zip(plan.occasions, heap.sessions, strict=True) if o.exercise_mode]
    day = day_rows(
        plan, course, heap.sessions, device="band", worn=plan.band_worn, starting=True, noise_bpm=1.0, rng=noise
    )
    rows, minutes = with_exercise(day, told, device="band")
    first = heap.described(
        HeapFile(
            path="Phone/Download/export (3).csv",
            kind="spanning",
            device="band",
            quantities=("heart_rate",),
            stamps="local",
            stands_for="starting",
            rhythms_s=(1.0, 60.0),
            wrong=("changes_zone", "exercise_mode_not_started", "mode_switch", "repeated_hour", "stamped_at_start"),
        ),
        rows.own_ms + plan.offset_ms("band"),
    )
    second = replace(
        first,
        path="Laptop/Neuer Ordner/export (1) vom 9. November.csv",
        kind="re-export",
        wrong=tuple(sorted({*first.wrong, "says_other_than_before"})),
    )
    anew, n_differ, most_bpm = _computed_anew(rows, minutes, noise)
    stamps = stamp_texts(wall_clock_ms(rows.own_ms, plan), digits=0)
    for file, value in ((first, rows.value), (second, anew)):
        heap.put(file, table_bytes("time,heart_rate", stamps, whole_texts(value)))
    return Disagreement(
        first=first.path, second=second.path, n_common=int(minutes.sum()), n_differ=n_differ, most_bpm=most_bpm
    )


def _computed_anew(
    rows: HeapRows, minutes: NDArray[np.bool_], rng: np.random.Generator
) -> tuple[NDArray[np.float64], int, float]:
    """Values of which some runs of minutes are others, how many, and by how much at most."""
    places = np.flatnonzero(minutes)
    slots = np.sort(rng.choice(places.size // 60, size=len(_RUNS), replace=False)) * 60
    chosen = np.concatenate([places[at : at + lasts] for at, lasts in zip(slots.tolist(), _RUNS, strict=True)])
    change = rng.integers(1, _MOST_BPM, size=chosen.size) * rng.choice([-1, 1], size=chosen.size)
    change[rng.integers(chosen.size)] = _MOST_BPM
    change = np.where(rows.value[chosen] + change < 35.0, np.abs(change), change)
    value = rows.value.copy()
    value[chosen] += change
    return value, chosen.size, float(np.abs(change).max())


def put_steps(heap: HeapFolder, rng: np.random.Generator) -> None:
    """Write the band's running count of steps, which two firmwares count in two ways."""
    rows = count_steps(heap.plan, heap.sessions, every_min=5, rng=rng)
    file = heap.described(
        HeapFile(
            path="Phone/Download/Schrittzähler Übersicht.csv",
            kind="spanning",
            device="band",
            quantities=("steps",),
            stamps="local",
            rhythms_s=(300.0,),
            wrong=("changes_zone", "counter_begins_anew", "counter_of_two_firmwares", "repeated_hour"),
        ),
        rows.own_ms + heap.plan.offset_ms("band"),
    )
    stamps = stamp_texts(wall_clock_ms(rows.own_ms, heap.plan), digits=0, between="\t")
    heap.put(file, table_bytes("date\ttime\tsteps", stamps, whole_texts(rows.value), delimiter="\t"))


def put_loop_files(heap: HeapFolder, course: Course, noise: np.random.Generator) -> None:
    """Write the loop's file for each local day, with local time where the format wants UTC.

    Parameters
    ----------
    heap : HeapFolder
    course : Course
        Heart rate outside the sessions.
    noise : numpy.random.Generator
    """
    plan = heap.plan
    worn = [session for o, session in zip(plan.occasions, heap.sessions, strict=True) if "loop" in o.devices]
    day = day_rows(plan, course, worn, device="loop", worn=plan.loop_worn, starting=False, noise_bpm=0.8, rng=noise)
    rows, minutes = with_exercise(day, worn, device="loop")
    shown_ms = wall_clock_ms(rows.own_ms, plan)
    date = shown_ms // 86_400_000
    number = _FIRST_NUMBER
    for today in np.unique(date).tolist():
        here = np.flatnonzero(date == today)
        number += 11 + today % 7
        file = _loop_file(heap, rows.where(date == today), shown_ms[here], f"Laptop/Sync/activity_{number}.fit")
        exercise = ~minutes[here]
        if exercise.any():
            cut = bool(exercise[0] or exercise[-1])
            wrong = tuple(sorted({*file.wrong, "mode_switch", *["cut_at_midnight"] * cut}))
            file = replace(file, rhythms_s=(5.0, 60.0), wrong=wrong)
        data = encode_fit(
            shown_ms[here] // 1000, rows.value[here], software=float(file.firmware), serial=plan.loop_serial
        )
        heap.put(file, data)
        if "firmware_changed" in file.wrong:
            heap.put_again(file, "Laptop/unbenannt (7).fit", data)


def _loop_file(heap: HeapFolder, rows: HeapRows, shown_ms: NDArray[np.int64], path: str) -> HeapFile:
    """Describe the file of a day; its header was written when it was closed."""
    update, landed = heap.plan.change_of("loop"), ms_of(heap.plan.landed)
    begins, ends = int(rows.own_ms[0]), int(rows.own_ms[-1])
    wrong = {"local_time_as_utc"}
    wrong |= {"changes_zone"} if begins < landed <= ends else set()
    wrong |= {"firmware_changed"} if begins < ms_of(update.at) <= ends else set()
    wrong |= {"repeated_hour"} if np.any(np.diff(shown_ms) < 0) else set()
    return heap.described(
        HeapFile(
            path=path,
            kind="spanning",
            device="loop",
            quantities=("heart_rate",),
            stamps="local_as_utc",
            rhythms_s=(60.0,),
            firmware=update.before if ends < ms_of(update.at) else update.after,
            wrong=tuple(sorted(wrong)),
        ),
        rows.own_ms + heap.plan.offset_ms("loop"),
    )
