"""Objections to the study: firmware, choice of sessions, people, numbers, motives."""

from __future__ import annotations

from typing import Any, Final

from wearbench.recipe.case import Answer, Case, cannot
from wearbench.recipe.studyalternatives import is_affected
from wearbench.wording import STATE_LABEL, finite, join_words, plural, share

__all__ = ["of_afterwards", "of_firmware", "of_number", "of_people", "of_sessions"]

_DECLARE: Final = "Declare question, number, rules and sessions beforehand: wearbench declare."


def of_firmware(case: Case) -> Answer:
    """As if only the newest firmware counted."""
    ran = [v for v in case.one.firmware if v]
    unknown = len(case.one.firmware) - len(ran)
    numbers: dict[str, Any] = {"versions": sorted(set(ran)), "unknown": unknown}
    if not ran:
        return cannot("which firmware it ran is not known", "The column firmware in sessions.csv.", **numbers)
    later = "Sessions on a newer firmware, if there is one."
    rest = f" In {plural(unknown, 'session')} the firmware is not known." if unknown else ""
    words, more = case.under("newest_firmware")
    if words:
        said = f"Only sessions on {case.one.newest}, the newest here: {words}.{rest}"
        return Answer(words=said, would=later, numbers=numbers | more)
    if unknown:
        why = f"{plural(unknown, 'session')} ran a firmware that is not known, the others {ran[0]}"
        return cannot(why, "The column firmware in sessions.csv.", **numbers)
    said = f"All {plural(len(ran), 'session')} ran {ran[0]}. Whether a newer one does better, this study cannot say."
    return Answer(words=said, would=later, numbers=numbers)


def of_sessions(case: Case) -> Answer:
    """All sessions in the folder, and the bounds with those left out counted all right and all wrong."""
    everyone = [str(row["session"]) for row in case.document["sessions"]]
    judged = set(case.one.sessions)
    without = [name for name in everyone if name not in judged]
    files = list(case.document.get("files_left_out") or [])
    by_hand = [row for row in case.document.get("decisions_used") or [] if row["kind"] in ("leave_out", "wear")]
    numbers: dict[str, Any] = {
        "sessions": len(everyone),
        "judged": len(judged),
        "not_judged": without,
        "files_left_out": len(files),
        "decisions": len(by_hand),
    }
    if without:
        some = join_words(without) if len(without) <= 6 else f"{', '.join(without[:6])} and more"
        said = (
            f"{len(judged)} of the {plural(len(everyone), 'session')} in the folder were judged. Not judged: {some} "
            f"({_why_not(case, without)})."
        )
    else:
        said = f"All {plural(len(everyone), 'session')} in the folder were judged."
    fault = case.fault
    if without and fault is not None:
        k, n = int(fault["n_affected"]), int(fault["n_sessions"])
        low, high = k / (n + len(without)), (k + len(without)) / (n + len(without))
        numbers |= {"bound_low": low, "bound_high": high}
        said += (
            f" Counted all without a failure, “{STATE_LABEL[str(fault['state'])]}” struck {k} of {n + len(without)} "
            f"({share(low)}); counted all with it, {k + len(without)} of {n + len(without)} ({share(high)})."
        )
    if by_hand:
        words, more = case.under("without_decisions")
        numbers |= more
        said += f" Readings were left out by {plural(len(by_hand), 'decision')}"
        said += f"; ignoring these: {words}." if words else "."
    if files:
        said += f" {plural(len(files), 'file')} could not be used; each is listed with its reason."
    declared = case.document.get("declared") or {}
    planned = declared.get("sessions_planned")
    if planned:
        numbers["planned"] = planned
        compared = declared["sessions_compared"]
        said += f" {plural(int(planned), 'session')} were planned beforehand, {compared} were compared."
        return Answer(words=said, numbers=numbers)
    said += " What never came into the folder, nobody can see."
    return Answer(words=said, would="A number of sessions declared beforehand: wearbench declare.", numbers=numbers)


def _why_not(case: Case, names: list[str]) -> str:
    """Why sessions were not judged, as far as it is plain."""
    refused = {str(r["session"]) for r in case.rows("clock") if r["trust"] == "refused"}
    bare = {str(r["session"]) for r in case.document["sessions"] if not r["has_reference"]}
    paired = {r.material.name for r, _ in case.group}
    counts: dict[str, int] = {}
    for name in names:
        why = (
            "no reference"
            if name in bare
            else "no clock could be found"
            if name in refused
            else "not recorded by this device"
            if name not in paired
            else "no reading beside a trustworthy reference"
        )
        counts[why] = counts.get(why, 0) + 1
    return ", ".join(f"{why}: {count}" for why, count in counts.items())


def of_people(case: Case) -> Answer:
    """Whether it is one person's wrist."""
    people = list(dict.fromkeys(case.one.participants))
    numbers: dict[str, Any] = {"participants": len(people)}
    if len(people) == 1:
        return cannot(
            "one person wore it", "The same on more people, best with wrists and skin unlike yours.", **numbers
        )
    said = f"{len(people)} people wore it."
    fault = case.fault
    if fault is not None:
        state, least_s = str(fault["state"]), float(fault["least_seconds"])
        struck = {
            person
            for person, kept in zip(case.one.participants, case.one.kept, strict=True)
            if is_affected(kept[0], state, least_s=least_s)
        }
        numbers["struck"] = len(struck)
        said += f" “{STATE_LABEL[state]}” struck {len(struck)} of them."
    words, more = (
        case.under("person_left_out") if len(people) < len(case.one.sessions) else case.under("worst_left_out")
    )
    if words:
        said += f" Without the one that counts most against it: {words}."
    return Answer(words=said, would="More people, if yours are alike.", numbers=numbers | more)


def of_number(case: Case) -> Answer:
    """How little so many sessions can say."""
    n = len(case.one.sessions)
    numbers: dict[str, Any] = {"n_sessions": n}
    if n == 1:
        return cannot("one session is an anecdote", "More sessions, on other days.", **numbers)
    parts = []
    fault = case.fault
    if fault is not None:
        stat = fault["share"]
        numbers |= {"low": stat["low"], "high": stat["high"]}
        parts.append(
            f"with “{STATE_LABEL[str(fault['state'])]}” in {fault['n_affected']} of {fault['n_sessions']} sessions it "
            f"can be anything from {share(stat['low'])} to {share(stat['high'])} of all such sessions"
        )
    track = case.one.tracking(case.one.analysed.picks, settings=case.study.config.settings)
    if finite(track.low) and finite(track.high):
        numbers |= {"tracking_low": track.low, "tracking_high": track.high}
        parts.append(f"the time right can be anything from {share(track.low)} to {share(track.high)}")
    if not parts:
        return cannot("no interval can be given", "More sessions, on other days.", **numbers)
    said = f"That is what the intervals say: {', and '.join(parts)}. Nothing narrower is claimed."
    return Answer(words=said, would="More sessions make these narrower.", numbers=numbers)


def of_afterwards(case: Case) -> Answer:
    """What was declared before results were seen, and what departs from it."""
    declared = case.document.get("declared") or {}
    look = int(declared.get("look") or 1)
    rows = [row for row in case.rows("choices") if row["analysis"] != "as_analysed"]
    held = sum(bool(row["holds"]) for row in rows)
    numbers: dict[str, Any] = {"look": look, "analyses": len(rows), "held": held}
    words, more = case.under("without_rules", "without_decisions")
    otherwise = f" Without rules or decisions: {words}." if words else ""
    if declared.get("decision") is None:
        said = cannot("nothing was declared beforehand", _DECLARE).words
        said += (
            f" This is look {look} at results. What can be shown: its claims hold in {held} of {len(rows)} checks "
            f"under other reasonable choices.{otherwise}"
        )
        return Answer(words=said, answered=False, would=_DECLARE, numbers=numbers | more)
    before = int(declared.get("looks_before") or 0)
    gone = list(case.document.get("deviations") or [])
    numbers |= {"looks_before": before, "deviations": len(gone), "hash": declared.get("hash")}
    when = "before any results were seen" if before == 0 else f"after {plural(before, 'look')} at results"
    rest = "nothing departs from it" if not gone else f"{plural(len(gone), 'thing')} departs from it, each listed"
    said = f"Question, number and rules were declared {when} (hash {declared.get('hash')}); {rest}.{otherwise}"
    return Answer(words=said, answered=before == 0, would=None if before == 0 else _DECLARE, numbers=numbers | more)
