"""The recipe of the whole job, on one page.

Map, reduce, map, sum: each session is read and fitted with priors; the study learns its parameters from the sums;
each session is finished with them; sums are combined. Every step is a pure function of its inputs, so that sessions
can be worked on in any order and place.
"""

from __future__ import annotations

from collections.abc import Callable

from wearbench.recipe.combining import combine
from wearbench.recipe.finishing import SessionResult, finish_session
from wearbench.recipe.fitting import SessionFit, fit_session
from wearbench.recipe.learning import learn
from wearbench.recipe.material import SessionMaterial
from wearbench.recipe.reading import read_session
from wearbench.settings import Settings
from wearbench.study import Results, Session, Study

__all__ = ["combine", "finish_session", "fit_session", "learn", "read_session", "run_study"]

Progress = Callable[[str, int, int], None]


def run_study(study: Study, *, settings: Settings | None = None, progress: Progress | None = None) -> Results:
    """Analyse a study from its recordings to its results.

    Parameters
    ----------
    study : Study
    settings : Settings, optional
        In place of the study's own.
    progress : callable, optional
        Called with (what, done, of).

    Returns
    -------
    Results
        Without findings, which are made from the document.
    """
    settings = settings or study.config.settings
    said = progress or (lambda _what, _done, _of: None)
    total = len(study.sessions)

    material: list[SessionMaterial] = []
    fits: list[SessionFit] = []
    for number, session in enumerate(study.sessions):
        said("reading and fitting", number, total)
        one, fit = _first_pass(study, session, settings)
        material.append(one)
        fits.append(fit)
    said("reading and fitting", total, total)

    parameters = learn(fits, study.config)

    finished: list[SessionResult] = []
    for number, (one, fit) in enumerate(zip(material, fits, strict=True)):
        said("judging", number, total)
        finished.append(finish_session(one, fit, parameters, study, settings))
    said("judging", total, total)

    said("combining", 0, 1)
    results = combine(finished, parameters, study, settings)
    said("combining", 1, 1)
    return results


def _first_pass(study: Study, session: Session, settings: Settings) -> tuple[SessionMaterial, SessionFit]:
    material = read_session(study, session)
    return material, fit_session(material, study.config, settings)
