"""The recipe of the whole job, on one page.

Map, reduce, map, sum: each session is read and fitted with priors; the study learns its parameters from the sums;
each session is finished with them; sums are combined. Every step is a pure function of its inputs, so that sessions
can be worked on in any order and place.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import nullcontext
from functools import partial
from multiprocessing import get_context
from typing import TypeVar

from wearbench.recipe.combining import combine
from wearbench.recipe.finishing import finish_session
from wearbench.recipe.fitting import SessionFit, fit_session
from wearbench.recipe.learning import StudyParameters, learn
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.moving import with_decided_clocks
from wearbench.recipe.reading import read_session
from wearbench.recipe.sessionresult import SessionResult
from wearbench.settings import Settings
from wearbench.study import Results, Session, Study

__all__ = ["combine", "finish_session", "fit_session", "learn", "read_session", "run_study"]

Progress = Callable[[str, int, int], None]
One = TypeVar("One")
Other = TypeVar("Other")


def run_study(
    study: Study, *, settings: Settings | None = None, progress: Progress | None = None, workers: int = 1
) -> Results:
    """Analyse a study from its recordings to its results.

    Parameters
    ----------
    study : Study
    settings : Settings, optional
        In place of the study's own.
    progress : callable, optional
        Called with (what, done, of).
    workers : int
        Processes to share the sessions among; 0 means as many as pay. More than one needs a main module that can be
        imported again (the command has one); results do not depend on it.

    Returns
    -------
    Results
        Without findings, which are made from the document.
    """
    settings = settings or study.config.settings
    said = progress or (lambda _what, _done, _of: None)
    with _pool(workers or _usual_workers(len(study.sessions))) as pool:
        first = partial(_first_pass, study, settings)
        passed = _each(pool, first, study.sessions, "reading and fitting", said)
        parameters = learn([fit for _, fit in passed], study.config, settings)
        second = partial(_second_pass, study, settings, parameters)
        finished = _each(pool, second, passed, "judging", said)
    said("combining", 0, 1)
    results = combine(finished, parameters, study, settings)
    said("combining", 1, 1)
    return results


def _usual_workers(n_sessions: int) -> int:
    """One process a core, and none extra for fewer than eight sessions."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, 8) if n_sessions >= 8 else 1


def _first_pass(study: Study, settings: Settings, session: Session) -> tuple[SessionMaterial, SessionFit]:
    material = with_decided_clocks(read_session(study, session), study)
    return material, fit_session(material, study.config, settings)


def _second_pass(
    study: Study, settings: Settings, parameters: StudyParameters, passed: tuple[SessionMaterial, SessionFit]
) -> SessionResult:
    return finish_session(*passed, parameters, study, settings)


def _pool(workers: int) -> ProcessPoolExecutor | nullcontext[None]:
    return nullcontext() if workers <= 1 else ProcessPoolExecutor(workers, mp_context=get_context("spawn"))


def _each(
    pool: Executor | None, step: Callable[[One], Other], items: Iterable[One], what: str, said: Progress
) -> list[Other]:
    """Apply a step to each item, in this process or the pool, telling how far it is."""
    todo = list(items)
    done: list[Other] = []
    results: Iterator[Other] = map(step, todo) if pool is None else pool.map(step, todo)
    said(what, 0, len(todo))
    for number, result in enumerate(results, start=1):
        done.append(result)
        said(what, number, len(todo))
    return done
