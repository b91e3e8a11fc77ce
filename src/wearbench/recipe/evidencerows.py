"""Table of the document about how evidence grew: share of sessions affected after each session."""

from __future__ import annotations

from typing import Any

import numpy as np

from wearbench.core.resample import exact_proportion
from wearbench.core.sequences import always_valid_share
from wearbench.recipe.occasions import Occasions
from wearbench.settings import Settings
from wearbench.study import Study, declared_in
from wearbench.wording import plural

__all__ = ["evidence_rows", "rests_on"]


def evidence_rows(occasions: Occasions, study: Study, settings: Settings) -> list[dict[str, Any]]:
    """One row a session for each failure that occurred, in order of time.

    Parameters
    ----------
    occasions : Occasions
    study : Study
    settings : Settings

    Returns
    -------
    list of dict
    """
    out: list[dict[str, Any]] = []
    for state in occasions.states:
        could = occasions.could_show(state)
        flag = occasions.affected(state)[could]
        names = [name for name, it in zip(occasions.names, could, strict=True) if it]
        total, number = np.cumsum(flag), np.arange(1, flag.size + 1)
        if not flag.size:
            continue
        low, high = always_valid_share(total, number, confidence=settings.confidence)
        word, why = rests_on(study, sessions=int(flag.size))
        for i, name in enumerate(names):
            exact = exact_proportion(float(total[i]), float(number[i]), confidence=settings.confidence)
            out.append(
                {
                    "device": occasions.history.device,
                    "quantity": occasions.history.quantity,
                    "state": state,
                    "number": int(number[i]),
                    "session": name,
                    "affected": bool(flag[i]),
                    "n_affected": int(total[i]),
                    "share": float(total[i]) / float(number[i]),
                    "low": exact[0],
                    "high": exact[1],
                    "low_always": float(low[i]),
                    "high_always": float(high[i]),
                    "rests_on": word,
                    "rests_on_why": why,
                }
            )
    return out


def rests_on(study: Study, *, sessions: int) -> tuple[str, str]:
    """Which of the two intervals a study may lean on.

    Parameters
    ----------
    study : Study
    sessions : int
        Sessions judged.

    Returns
    -------
    word : str
        "declared": the number of sessions was declared before any result was seen, and is what was recorded, so that
        the exact interval holds. "always valid": recording may have ended because of what was seen; the always-valid
        interval holds all the same. "exploratory": sessions were left out by hand once results had been seen, which
        no interval allows for.
    why : str
    """
    declared = declared_in(study.decisions)
    revoked = {d.revokes for d in study.decisions if d.kind == "revoke"}
    looked = next((d.made for d in study.decisions if d.kind == "look"), None)
    by_hand = [
        d
        for d in study.decisions
        if d.kind == "leave_out" and d.id not in revoked and d.tested_visible and looked is not None and d.made > looked
    ]
    if by_hand:
        were = "stretch was" if len(by_hand) == 1 else "stretches were"
        return "exploratory", f"{len(by_hand)} {were} left out by hand with the tested values in view"
    if declared is None:
        return "always valid", "no number of sessions was declared beforehand"
    if declared.looks_before_first:
        return "always valid", "the number of sessions was declared after results had been seen"
    planned = declared.declaration.sessions_planned
    if planned != sessions:
        return "always valid", f"{plural(planned, 'session')} declared, {sessions} could be judged"
    return "declared", f"{plural(planned, 'session')} declared before results were seen, and so many judged"
