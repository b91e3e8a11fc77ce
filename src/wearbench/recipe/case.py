"""One device and quantity as a case to be argued: what its results hold, and how the two sides are put into words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.recipe.studyalternatives import StudyAlternatives, absolute_error
from wearbench.study import Study
from wearbench.wording import STATE_LABEL, finite, join_words, number

__all__ = ["CANNOT", "Answer", "Case", "cannot", "sentence"]

CANNOT: Final = "This study cannot answer that"


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What is said to an objection, whether that answers it, what would (better), and the numbers behind it."""

    words: str
    answered: bool = True
    would: str | None = None
    numbers: dict[str, Any]


def cannot(why: str, would: str, **numbers: Any) -> Answer:
    """An objection that the study cannot answer, why not, and what would."""
    return Answer(words=f"{CANNOT}: {why}.", answered=False, would=would, numbers=numbers)


def sentence(words: str) -> str:
    """Words with a capital and a full stop; nothing of nothing."""
    return f"{words[:1].upper()}{words[1:]}." if words else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """One device and quantity with what answers are made of."""

    one: StudyAlternatives
    group: list[tuple[SessionResult, SeriesResult]]
    study: Study
    document: Mapping[str, Any]

    def rows(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table of the document that are about this device and quantity."""
        mine = {"device": self.one.device, "quantity": self.one.quantity}
        found = self.document.get(table) or []
        return [row for row in found if all(row.get(key, value) == value for key, value in mine.items())]

    @property
    def fault(self) -> dict[str, Any] | None:
        """The fault that struck most sessions, of equal ones the longest; silence only where there is no other."""
        faults = [row for row in self.rows("affected") if row.get("fault")]
        return max(faults, key=lambda r: (r["state"] != "missing", r["n_affected"], r["seconds"]), default=None)

    def chosen(self, claim: str) -> dict[str, dict[str, Any]]:
        """Analyses of a claim by name."""
        return {row["analysis"]: row for row in self.rows("choices") if row["claim"] == claim}

    def under(self, *analyses: str) -> tuple[str, dict[str, Any]]:
        """The main fault and the mean error under analyses, beside those as analysed.

        Parameters
        ----------
        *analyses : str
            Names of the table of choices; those that the study does not have are left out.

        Returns
        -------
        words : str
            Without a full stop; empty where there is none of them.
        numbers : dict
            By claim and analysis.
        """
        numbers: dict[str, Any] = {}
        parts = []
        state = None if self.fault is None else str(self.fault["state"])
        rows = {} if state is None else self.chosen(state)
        there = [rows[name] for name in analyses if name in rows]
        if there and state is not None:
            base = rows["as_analysed"]
            hits, told = [_of(row) for row in there], _of(base)
            same = len(hits) > 1 and len(set(hits)) == 1
            said = f"{hits[0]} sessions each" if same else f"{join_words(hits)} sessions"
            parts.append(f"“{STATE_LABEL[state]}” in {said} (as analysed {told})")
            numbers[state] = {row["analysis"]: [row["n_affected"], row["n_sessions"]] for row in (*there, base)}
        picks = {a.name: a.picks for a in self.one.analyses(absolute_error, claim="mae")}
        means = {name: self.one.mean_error(picks[name]) for name in analyses if name in picks}
        means = {name: value for name, value in means.items() if finite(value)}
        if means:
            parts.append(self.errors(list(means.values())))
            numbers["mae"] = means | {"as_analysed": self.one.mean_error(self.one.analysed.picks)}
        return " and ".join(parts), numbers

    def errors(self, values: list[float]) -> str:
        """Mean errors under other choices beside the one as analysed."""
        said = join_words([number(value) for value in values])
        base = self.one.mean_error(self.one.analysed.picks)
        return f"mean error {said} {self.one.unit} (as analysed {number(base)})"

    def mean_error(self, **wanted: str) -> float | None:
        """Mean absolute error over all readings in one row of agreement; None where there is none."""
        for row in self.rows("agreement"):
            if row["by"] == "all" and row["readings"] == "all" and all(row[k] == v for k, v in wanted.items()):
                value = row["statistics"]["mae"]["value"]
                return float(value) if finite(value) else None
        return None

    def named(self, *analyses: str) -> str:
        """Which of some analyses the study has, in words."""
        there = {a.name: a.words for a in self.one.analyses(absolute_error, claim="tracking")}
        return join_words([there[name] for name in analyses if name in there])

    def label(self, device: str) -> str:
        """What the study calls a device."""
        found = self.study.config.devices.get(device)
        return found.label if found is not None and found.label else device


def _of(row: Mapping[str, Any]) -> str:
    return f"{row['n_affected']} of {row['n_sessions']}"
