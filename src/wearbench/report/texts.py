"""What the page says in words about methods, limits and care."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from wearbench.findings import Subject, blind_words
from wearbench.wording import duration, finite, share

__all__ = ["CAUTIONS", "cannot_show", "methods"]

CAUTIONS: Final = (
    "For research and consumer testing. Nothing here is a diagnosis, a treatment or advice about anyone's health.",
    "This is analytical validation at most: whether numbers agree with a reference. It does not show that the device "
    "is fit for a clinical purpose.",
    "Hard exercise carries risk. Screen before maximal efforts, agree on stop rules (chest pain, faintness, "
    "breathlessness out of proportion, a participant who wants to stop), never test alone, and follow local ethics "
    "rules and a licensed practitioner where they apply.",
    "Sensors and straps can irritate skin: look beneath them, and take them off when it reddens or hurts.",
)


def methods(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """How it was done, step by step: heading and text; figures come from the settings of the run."""

    def of(name: str, default: Any) -> Any:
        value = settings.get(name, default)
        return value if value is not None else default

    level = share(of("confidence", 0.95))
    return [
        (
            "Reference",
            "Values of the reference are formed over exactly the window each tested reading stands for; heart rate "
            "from the fractional count of beats in it. Artefacts between beats are mended (Lipponen & Tarvainen 2019) "
            "and counted. Stretches in which the reference itself is doubtful are found without looking at the tested "
            "device.",
        ),
        (
            "Clock",
            "The device's stamps are brought onto the reference's clock by search, with an interval; the search "
            "forgives half and double rate, so that a device that halves does not drag its own clock. A fit made on "
            "the readings that are then judged flatters; the table of clocks shows by how much.",
        ),
        (
            "Pairs",
            f"A reading is used when at least {share(of('min_covered', 0.8))} of its window holds trustworthy "
            f"reference and at most {share(of('max_doubtful', 0.2))} of it is doubtful. Whether a reading is used "
            "never depends on its own value.",
        ),
        (
            "States",
            "A hidden Markov model over the ratio to the reference (and to cadence, where a stride is credible) says "
            f"what the device was doing. Following up to {duration(of('late_s', 30.0))} late still counts as right. "
            "A value held while the reference moves more than "
            f"{of('frozen_move_bpm', 5.0):g} bpm is stuck.",
        ),
        (
            "Agreement",
            "Difference = tested − reference. Bias and limits weigh pairs; limits of agreement are for repeated pairs "
            f"whose true value varies (Bland & Altman 2007). Intervals ({level}) count people as the units, with their "
            "sessions inside; with one person, sessions; with one session, blocks of it, and then nothing general is "
            "claimed. Shares of sessions have exact intervals (Clopper & Pearson 1934).",
        ),
        (
            "Right for how long",
            "Time labelled right, over judged and missing time; missing time counts as wrong, and the share with it "
            "counted right stands beside it.",
        ),
    ]


def cannot_show(document: Mapping[str, Any], subjects: Sequence[Subject]) -> list[str]:
    """What this study cannot show, as far as the results tell."""
    people = {p for s in subjects for p in s.pairs["participant"].drop_nulls().unique().to_list()}
    sessions = {name for s in subjects for name in s.sessions}
    found = []
    if len(sessions) == 1:
        found.append("One session is an anecdote: nothing here says how the device does on other days or other people.")
    if len(people) <= 1:
        found.append("One person, one unit: other people, other skin, other units of the same model may differ.")
    elif len(people) < 12:
        found.append(f"With {len(people)} people, differences between people are known only roughly.")
    found += [
        "Only the activities, intensities, wear sites and firmware named in the scope lines were seen.",
        "Where tested device and reference disagree, the reference is taken as right unless it was found doubtful; an "
        "error both share cannot be seen.",
    ]
    for subject in subjects:
        found += [f"{subject.label}: {words}" for words in blind_words(subject)]
    if any(c.get("offset_is") == "clock_minus_delay" for c in document.get("clock") or []):
        found.append(
            "Whether a device's clock was off or its values came late cannot be told apart without a mark both "
            "recorders share."
        )
    if any(e.get("also") for s in subjects for e in s.episodes):
        found.append(
            "In some episodes two explanations fit alike (half the rate, and the cadence): this study cannot say which."
        )
    if any(not finite(c.get("offset_s")) or c.get("trust") == "refused" for c in document.get("clock") or []):
        found.append("In some sessions the clock could not be fitted; they say nothing about accuracy.")
    found.append("A change between firmware versions is described, not tested: the sessions may differ in other ways.")
    return found
