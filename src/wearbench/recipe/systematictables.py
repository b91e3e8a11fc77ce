"""All tables about one-off or systematic: what comes back, before and after, two devices, how evidence grew."""

from __future__ import annotations

from typing import Any

from wearbench.recipe.changerows import change_rows
from wearbench.recipe.evidencerows import evidence_rows
from wearbench.recipe.occasions import occasions_of
from wearbench.recipe.recurrencerows import recurrence_rows
from wearbench.recipe.sessionresult import SessionResult
from wearbench.recipe.sidebyside import side_by_side_rows
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["systematic_tables"]


def systematic_tables(ordered: list[SessionResult], study: Study, settings: Settings) -> dict[str, Any]:
    """Work the tables out.

    Parameters
    ----------
    ordered : list of SessionResult
    study : Study
    settings : Settings

    Returns
    -------
    dict
        ``recurrence``, ``before_after``, ``side_by_side`` and ``evidence``.
    """
    every = occasions_of(ordered, study, settings)
    return {
        "recurrence": [row for one in every for row in recurrence_rows(one, settings)],
        "before_after": [row for one in every for row in change_rows(one, study, settings)],
        "side_by_side": side_by_side_rows(every, {d.name: d.label for d in study.config.devices.values()}, settings),
        "evidence": [row for one in every for row in evidence_rows(one, study, settings)],
    }
