"""What a sceptic will say of each device's results, answered from the document or given up with what would answer it.

An objection is answered by numbers under the opposite assumption: as if the sceptic were right. Where the study holds
no such numbers the answer says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from wearbench.recipe.case import Answer, Case
from wearbench.recipe.instrumentanswers import of_averaging, of_clocks, of_fit, of_reference, of_strap
from wearbench.recipe.rowparts import by_series
from wearbench.recipe.sessionresult import SessionResult
from wearbench.recipe.studyalternatives import StudyAlternatives
from wearbench.recipe.studyanswers import of_afterwards, of_firmware, of_number, of_people, of_sessions
from wearbench.study import Study

__all__ = ["OBJECTIONS", "objection_rows"]

OBJECTIONS: Final[dict[str, tuple[str, Callable[[Case], Answer]]]] = {
    "clocks": ("The clocks were off.", of_clocks),
    "strap": ("The strap was wrong, not the device.", of_strap),
    "averaging": ("The averaging was unfair.", of_averaging),
    "loose": ("It was worn too loose.", of_fit),
    "firmware": ("That was the old firmware.", of_firmware),
    "cherry_picked": ("The sessions were cherry-picked.", of_sessions),
    "only_you": ("It is only you.", of_people),
    "few_sessions": ("There are too few sessions.", of_number),
    "wrong_reference": ("It was held against the wrong reference.", of_reference),
    "changed_afterwards": ("The rules were changed afterwards.", of_afterwards),
}
"""In the order shown: the sceptic's words, and who answers."""


def objection_rows(
    every: list[StudyAlternatives], ordered: list[SessionResult], study: Study, document: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Every objection to every device's results, with its answer.

    Parameters
    ----------
    every : list of StudyAlternatives
    ordered : list of SessionResult
        In the order of the study.
    study : Study
    document : mapping
        With its table of choices and all that does not follow from it.

    Returns
    -------
    list of dict
    """
    groups = by_series(ordered)
    out = []
    for one in every:
        case = Case(one=one, group=groups[one.device, one.quantity], study=study, document=document)
        for objection, (question, answer_of) in OBJECTIONS.items():
            answer = answer_of(case)
            out.append(
                {
                    "device": one.device,
                    "quantity": one.quantity,
                    "objection": objection,
                    "question": question,
                    "answered": answer.answered,
                    "answer": answer.words,
                    "would_answer": answer.would,
                    "evidence": answer.numbers,
                }
            )
    return out
