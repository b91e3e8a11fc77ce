"""A heap of exports as people have it: a fortnight of the winter camp, five recorders, and every trouble with files.

All of it is invented. Nothing in the heap says which file belongs to which session; the truth is returned apart.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from wearbench.errors import UsageError
from wearbench.simulator.heap_day import day_course
from wearbench.simulator.heap_exports import put_band_files, put_loop_files, put_steps
from wearbench.simulator.heap_files import HeapFolder
from wearbench.simulator.heap_oddments import put_oddments
from wearbench.simulator.heap_plan import HeapPlan, plan_heap
from wearbench.simulator.heap_sessions import put_patch_files, put_pod_files
from wearbench.simulator.heap_truth import Disagreement, HeapFile, HeapSession, HeapTruth, write_heap_truth
from wearbench.simulator.session import session_generator, simulate_session

__all__ = ["write_heap"]


def write_heap(
    folder: Path, *, seed: int = 20311020, away: str = "Asia/Kathmandu", truth_file: Path | None = None
) -> HeapTruth:
    """Write a heap of exports: a fortnight of five recorders, with every trouble files bring along.

    Parameters
    ----------
    folder : pathlib.Path
        New or empty.
    seed : int
        Same seed, same bytes. Another seed gives other hearts, other clocks, other starts.
    away : str
        Zone flown to in the middle of the fortnight.
    truth_file : pathlib.Path or None
        Where to write the truth as JSON too; must lie outside ``folder``.

    Returns
    -------
    HeapTruth

    Raises
    ------
    UsageError
        If the folder already holds files, or the truth would lie inside it.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"expected a new or empty folder for the heap, got {folder}; name another one")
    if truth_file is not None and folder.resolve() in truth_file.resolve().parents:
        raise UsageError(f"expected a file outside the heap for its truth, got {truth_file}; name another one")
    folder.mkdir(parents=True, exist_ok=True)
    plan = plan_heap(seed=seed, away=away)
    sessions = [simulate_session(o.plan, session_generator(o.name, seed=seed)) for o in plan.occasions]
    # One stream for each part, so that changing one leaves the others as they were.
    days, band, loop, steps, copies = np.random.Generator(np.random.PCG64([seed, 3])).spawn(5)
    course = day_course(plan, days)
    heap = HeapFolder(folder=folder, plan=plan, sessions=sessions)
    missing = put_patch_files(heap, copies)
    disagreement = put_band_files(heap, course, band)
    put_steps(heap, steps)
    put_loop_files(heap, course, loop)
    put_pod_files(heap)
    put_oddments(heap)
    truth = _truth(plan, heap.files, disagreement, missing, seed=seed)
    if truth_file is not None:
        write_heap_truth(truth_file, truth)
    return truth


def _truth(
    plan: HeapPlan, files: list[HeapFile], disagreement: Disagreement, missing: dict[str, float], *, seed: int
) -> HeapTruth:
    occasions = plan.occasions
    return HeapTruth(
        seed=seed,
        devices=plan.devices,
        sessions=tuple(
            HeapSession(
                name=o.name,
                start=o.plan.start,
                end=o.plan.end,
                zone=o.zone,
                activity=o.plan.activity,
                recorded=o.devices,
                patch_short_s=o.patch_short_s,
                patch_holes_s=tuple(lasts for _, lasts in o.holes),
                exercise_mode=o.exercise_mode,
            )
            for o in occasions
        ),
        files=tuple(sorted(files, key=lambda file: file.path)),
        both=tuple(o.name for o in occasions if "patch" in o.devices),
        band_only=tuple(o.name for o in occasions if "patch" not in o.devices),
        patch_stops_early=tuple(o.name for o in occasions if o.patch_short_s),
        disagreement=disagreement,
        clock_step=plan.clock_step,
        firmware=plan.firmware,
        zones=plan.zones,
        repeated_hour=plan.repeated_hour,
        copy_missing=missing,
    )
