"""The recipe of the whole job, on one page.

Map, reduce, map, sum: each session is read and fitted with priors; the study learns its parameters from the sums;
each session is finished with them; sums are combined. Every step is a pure function of its inputs, so that sessions
can be worked on in any order and place, and what was worked out in an earlier run can be used again.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from multiprocessing import get_context
from types import TracebackType
from typing import TypeVar

from wearbench.recipe.combining import combine
from wearbench.recipe.finishing import finish_session
from wearbench.recipe.fitting import SessionFit, fit_session
from wearbench.recipe.learning import StudyParameters, learn
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.moving import with_decided_clocks
from wearbench.recipe.narrowing import for_finishing, for_reading, of_session
from wearbench.recipe.reading import read_session
from wearbench.recipe.reuse import Keep, Task, carried_out
from wearbench.recipe.sessionresult import SessionResult
from wearbench.settings import Settings
from wearbench.study import Results, Study

__all__ = ["combine", "finish_session", "fit_session", "learn", "read_session", "run_study"]

Progress = Callable[[str, int, int], None]
Result = TypeVar("Result")
Passed = tuple[SessionMaterial, SessionFit]


def run_study(
    study: Study,
    *,
    settings: Settings | None = None,
    progress: Progress | None = None,
    workers: int = 1,
    keep: Keep | None = None,
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
    keep : Keep, optional
        Uses results of earlier runs again, and counts them; results do not depend on it.

    Returns
    -------
    Results
        Without findings, which are made from the document.
    """
    if settings is not None:
        study = replace(study, config=replace(study.config, settings=settings))
    settings = study.config.settings
    said = progress or (lambda _what, _done, _of: None)
    keep = keep or Keep()
    with _Crew(workers=workers, said=said, keep=keep) as crew:
        first = [_first(for_reading(study, session), keep) for session in study.sessions]
        passed = crew.each(first, "reading and fitting")
        parameters = learn([fit for _, fit in passed], study.config, settings)
        second = [
            _second(for_finishing(study, session, one[0]), one, of_session(parameters, one[1]), task.key, keep)
            for session, one, task in zip(study.sessions, passed, first, strict=True)
        ]
        finished = [
            replace(done, session=replace(session, bouts=(done.session or session).bouts))
            for session, done in zip(study.sessions, crew.each(second, "judging"), strict=True)
        ]
    said("combining", 0, 1)
    results = combine(finished, parameters, study, settings)
    said("combining", 1, 1)
    return results


def _first(study: Study, keep: Keep) -> Task[Passed]:
    """Read and fit the first session of a study made narrow for it."""
    files = keep.files(study)
    return Task(
        work=partial(_read_and_fit, study),
        key=keep.key("read and fit", study, files),
        still=partial(_as_hashed, files or {}),
        cache=keep.cache,
    )


def _read_and_fit(study: Study) -> Passed:
    material = with_decided_clocks(read_session(study, study.sessions[0]), study)
    return material, fit_session(material, study.config, study.config.settings)


def _as_hashed(files: dict[str, str], passed: Passed) -> bool:
    """Whether the files that were read are those that the key was made of."""
    return all(files.get(file.path) == file.sha256 for file in passed[0].inputs)


def _second(
    study: Study, passed: Passed, parameters: StudyParameters, upstream: str | None, keep: Keep
) -> Task[SessionResult]:
    """Finish the first session of a study made narrow for it."""
    return Task(
        work=partial(finish_session, *passed, parameters, study, study.config.settings),
        key=keep.key("finish", upstream, study, parameters),
        given=passed,
        cache=keep.cache,
    )


@dataclass(kw_only=True, slots=True)
class _Crew:
    """The processes that work: the one that runs, and others once they pay."""

    workers: int
    said: Progress
    keep: Keep
    _pool: ProcessPoolExecutor | None = field(default=None, init=False)

    def __enter__(self) -> _Crew:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=error is not None)

    def each(self, tasks: Sequence[Task[Result]], what: str) -> list[Result]:
        """Results of all tasks in their order, kept ones first of all, telling how far it is."""
        self.said(what, 0, len(tasks))
        done = {number: kept for number, task in enumerate(tasks) if (kept := task.kept()) is not None}
        todo = [number for number in range(len(tasks)) if number not in done]
        self.keep.count(what, computed=len(todo), reused=len(done))
        pool = self._hands(len(todo))
        work = [tasks[number] for number in todo]
        results = map(carried_out, work) if pool is None else pool.map(carried_out, work)
        for number, result in zip(todo, results, strict=True):
            done[number] = result
            self.said(what, len(done), len(tasks))
        return [done[number] for number in range(len(tasks))]

    def _hands(self, n_tasks: int) -> ProcessPoolExecutor | None:
        """The other processes, if there are any or so many tasks are worth their start."""
        if self._pool is None and n_tasks > 1:
            n = self.workers or _usual_workers(n_tasks)
            if n > 1:
                self._pool = ProcessPoolExecutor(n, mp_context=get_context("spawn"))
        return self._pool


def _usual_workers(n_sessions: int) -> int:
    """One process a core, and none extra for fewer than eight sessions."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, 8) if n_sessions >= 8 else 1
