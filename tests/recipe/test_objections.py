"""What a sceptic says, answered by hand-made results of a tiny invented study."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from test_sceptic_rows import FAULT, SETTINGS, gathered, judged

from wearbench.core.pairing import Pairs
from wearbench.core.running import running_from_windows
from wearbench.recipe.case import CANNOT, Case
from wearbench.recipe.instrumentanswers import of_averaging, of_clocks, of_fit, of_reference, of_strap
from wearbench.recipe.objections import OBJECTIONS, objection_rows
from wearbench.recipe.scepticrows import choice_rows
from wearbench.recipe.studyalternatives import StudyAlternatives
from wearbench.recipe.studyanswers import of_afterwards, of_firmware, of_number, of_people, of_sessions
from wearbench.study import Wear

SHARE = {"value": 0.5, "low": 0.0126, "high": 0.9874}


def case(
    one: StudyAlternatives,
    *,
    group: Any = (),
    wear: tuple[Wear, ...] = (),
    **tables: Any,
) -> Case:
    """A case with the choices that follow from the sessions, and whatever tables a test needs."""
    affected = [{**FAULT[0], "n_affected": 1, "n_sessions": 2, "seconds": 90.0, "share": SHARE}]
    document = {
        "affected": affected,
        "choices": choice_rows([one], affected, SETTINGS),
        "sessions": [{"session": name, "has_reference": True} for name in one.sessions],
        **tables,
    }
    config = SimpleNamespace(settings=SETTINGS, devices={"patch": SimpleNamespace(label="Chest patch")})
    study: Any = SimpleNamespace(config=config, wear=wear)
    return Case(one=one, group=list(group), study=study, document=document)


def two(*names: str, **more: Any) -> StudyAlternatives:
    """Two sessions, one of them halved for 90 s; each judged otherwise under the names."""
    return gathered(
        (judged(halved=90.0), *(judged(name, halved=80.0, error=2.5) for name in names)),
        (judged(halved=0.0), *(judged(name, halved=0.0, error=2.5) for name in names)),
        **more,
    )


def clock(session: str, half: float, trust: str = "good") -> dict[str, Any]:
    return {
        "device": "band",
        "quantity": "heart_rate",
        "session": session,
        "trust": trust,
        "low_s": 5.0 - half,
        "high_s": 5.0 + half,
    }


def test_clocks_are_moved_to_both_ends() -> None:
    told = of_clocks(
        case(
            two("clock_early", "clock_late", trust=("good", "weak")),
            clock=[clock("S01", 0.4), clock("S02", 2.0, "weak")],
        )
    )
    assert told.answered
    assert told.words == (
        "The clock is known to ±2.0 s in the middle session and ±2.0 s in the worst. With every clock at the early "
        "or the late end of that: “about half” in 1 of 2 sessions each (as analysed 1 of 2) and mean error 2.5 and "
        "2.5 bpm (as analysed 2.0). The clock is known poorly in 1 session and not at all in 0; without these: "
        "“about half” in 1 of 1 sessions (as analysed 1 of 2) and mean error 2.0 bpm (as analysed 2.0)."
    )


def test_declared_clocks_cannot_be_moved() -> None:
    told = of_clocks(case(two(), clock=[clock("S01", 0.0, "declared"), clock("S02", 0.0, "declared")]))
    assert not told.answered
    assert told.words == (
        f"{CANNOT}: the clock was declared, not fitted, in 2 sessions: it has no interval to move in."
    )


def series(*, beats: bool, mended: float = 0.0, second: float | None = None, cadence: float = np.nan) -> Any:
    """A session of 100 s at 120 bpm in which the device reads 60 for the first 40 s."""
    n = 100
    at = np.arange(n, dtype=np.float64)
    pairs = Pairs(
        start_s=at,
        end_s=at + 1.0,
        seconds=np.ones(n),
        tested=np.where(at < 40, 60.0, 120.0),
        reference=np.full(n, 120.0),
        covered=np.ones(n),
        mended=np.where(at < 10, mended, 0.0),
        doubtful=np.zeros(n),
        reason=np.zeros(n, dtype=np.int8),
    )
    state = np.where(at < 40, 1, 0).astype(np.int8)
    found = SimpleNamespace(
        quantity="heart_rate",
        pairs=pairs,
        states=SimpleNamespace(state=state),
        cadence=np.full(n, cadence),
        wear_site="",
    )
    first = SimpleNamespace(
        quantity="heart_rate", device="patch", counts={"beats": 200.0} if beats else {}, running=None
    )
    others = []
    if second is not None:
        level = running_from_windows(at, at + 1.0, np.where(at < 30, second, 121.0))
        others = [SimpleNamespace(quantity="heart_rate", device="ecg", counts={}, running=level, start_known=True)]
    material = SimpleNamespace(
        name="S01", origin_ms=0, references=(first, *others), reference_for=lambda _quantity: first
    )
    return SimpleNamespace(material=material), found


def test_strap_is_backed_by_its_own_beats() -> None:
    # 40 s halved, 10 of them with a mended beat: 30 of 40 s regular.
    told = of_strap(case(two("unmended"), group=[series(beats=True, mended=0.5)]))
    assert told.answered
    assert told.words == (
        "It failed for 40 s. Of that: in 75 % the reference's beats are regular, none mended and none in doubt "
        "(looked for without the tested device). Otherwise (mended beats not used): “about half” in 1 of 2 sessions"
        " (as analysed 1 of 2) and mean error 2.5 bpm (as analysed 2.0)."
    )
    assert told.would is not None


def test_strap_is_backed_by_a_second_reference_or_not() -> None:
    # The second reference reads 121 in the last 10 of the 40 s, within 5 % of 120, and 63 before: 25 %.
    told = of_strap(case(two(), group=[series(beats=False, second=63.0)]))
    assert told.words == (
        "It failed for 40 s. Of that: in 40 s there was a second reference (ecg), which agrees within 5 % in 25 %."
    )
    assert told.would is None


def test_strap_near_the_cadence_is_no_support() -> None:
    told = of_strap(case(two(), group=[series(beats=True, cadence=119.0)]))
    assert told.words.endswith(
        "; in 100 % the reference is itself near the cadence or twice the cadence, where it could be the one that went "
        "wrong."
    )


def test_strap_that_gave_only_a_rate_answers_nothing() -> None:
    told = of_strap(case(two(), group=[series(beats=False)]))
    assert not told.answered
    assert told.words.startswith(f"{CANNOT}: the reference gave a rate")
    assert told.would == "Beat intervals (RR) or an ECG as reference, or a second reference worn at the same time."


def test_averaging_is_halved_and_doubled() -> None:
    windows = [
        {
            "device": "band",
            "quantity": "heart_rate",
            "averaging_s": 8.0,
            "averaging_low_s": 6.0,
            "averaging_high_s": 10.0,
            "averaging_how": "estimated",
        }
    ]
    one = two("averaging_halved", "averaging_doubled")
    told = of_averaging(case(one, windows=windows))
    assert told.words == (
        "Each value is held against the reference averaged the same way: over 8.0 s (6.0 to 10.0 s), estimated. "
        "With half and double the averaging, further than is likely: mean error 2.5 and 2.5 bpm (as analysed 2.0)."
    )
    assert not of_averaging(case(two(), windows=windows)).answered


def test_how_tight_it_was_is_not_known_unless_written_down() -> None:
    told = of_fit(case(two()))
    assert (told.answered, told.words) == (False, f"{CANNOT}: how tightly it was worn was not written down.")
    result, found = series(beats=True)
    span = Wear(device="band", start_ms=10_000, end_ms=20_000, what="loosened")
    told = of_fit(case(two(), group=[(result, found)], wear=(span,)))
    assert told.answered
    assert told.words == (
        "It was loosened in 1 session; in the others it failed as follows: 0 of 1 (all sessions: 1 of 2)."
    )


def test_old_firmware_leaves_the_newest() -> None:
    told = of_firmware(case(two(firmware=("2.0", "2.1"), newest="2.1")))
    assert told.words == (
        "Only sessions on 2.1, the newest here: “about half” in 0 of 1 sessions (as analysed 1 of 2) and mean error"
        " 2.0 bpm (as analysed 2.0)."
    )
    same = of_firmware(case(two(firmware=("2.1", "2.1"), newest="2.1")))
    assert same.words == "All 2 sessions ran 2.1. Whether a newer one does better, this study cannot say."
    assert not of_firmware(case(two())).answered


def test_sessions_left_out_are_counted_all_right_and_all_wrong() -> None:
    # 1 of 2 judged sessions; with two more 1 of 4 at the least and 3 of 4 at the most.
    sessions = [{"session": name, "has_reference": name != "S03"} for name in ("S01", "S02", "S03", "S04")]
    told = of_sessions(case(two(), sessions=sessions, clock=[clock("S04", 1.0, "refused")], group=[]))
    assert told.words == (
        "2 of the 4 sessions in the folder were judged. Not judged: S03 and S04 (no reference: 1, no clock could be"
        " found: 1). Counted all without a failure, “about half” struck 1 of 4 (25 %); counted all with it, 3 of 4 "
        "(75 %). What never came into the folder, nobody can see."
    )
    planned = of_sessions(case(two(), declared={"sessions_planned": 2, "sessions_compared": 2}))
    assert planned.words == (
        "All 2 sessions in the folder were judged. 2 sessions were planned beforehand, 2 were compared."
    )
    assert planned.would is None


def test_one_person_is_one_person() -> None:
    assert of_people(case(two(participants=("ann", "ann")))).words == f"{CANNOT}: one person wore it."
    told = of_people(case(two()))
    assert told.words.startswith("2 people wore it. “about half” struck 1 of them.")


def test_few_sessions_say_what_the_interval_says() -> None:
    told = of_number(case(two()))
    assert told.words.startswith(
        "That is what the intervals say: with “about half” in 1 of 2 sessions it can be anything from 1 % to 99 % "
        "of all such sessions"
    )
    assert of_number(case(gathered((judged(halved=90.0),)))).words == f"{CANNOT}: one session is an anecdote."


def test_reference_is_only_measured_by_another_one() -> None:
    references = [
        {
            "device": "patch",
            "quantity": "heart_rate",
            "session": "S01",
            "chosen": True,
            "seconds": 100.0,
            "doubtful_seconds": 2.0,
        }
    ]
    told = of_reference(case(two(), group=[series(beats=True)], references=references))
    assert told.words == (
        "The reference is Chest patch; 98 % of what it recorded is free of doubt. This study cannot answer that: "
        "how far off the reference itself is was not measured."
    )
    # 57 bpm apart for 30 s, 1 for 70: 17.8 on average.
    second = of_reference(case(two(), group=[series(beats=True, second=63.0)], references=references))
    assert second.answered
    assert "A second one (ecg, as stamped) is 17.8 bpm from it on average; the tested device 2.0." in second.words


@pytest.mark.parametrize(("before", "answered"), [(0, True), (3, False)])
def test_declared_rules_answer_only_if_declared_first(before: int, answered: bool) -> None:
    declared = {"look": 4, "decision": "D1", "looks_before": before, "hash": "3fa9-11c2"}
    told = of_afterwards(case(two(), declared=declared))
    assert told.answered is answered
    when = "before any results were seen" if answered else "after 3 looks at results"
    assert told.words == (f"Question, number and rules were declared {when} (hash 3fa9-11c2); nothing departs from it.")
    assert not of_afterwards(case(two(), declared={"look": 1, "decision": None})).answered


def test_every_objection_gets_an_answer_of_its_own() -> None:
    one = two()
    result, found = series(beats=True)
    found.device = one.device
    rows = objection_rows(
        [one], [SimpleNamespace(material=result.material, results=(found,))], case(one).study, case(one).document
    )
    assert [row["objection"] for row in rows] == list(OBJECTIONS)
    assert all(row["answer"].endswith((".", ")")) and row["question"].endswith(".") for row in rows)
    assert all(row["would_answer"] for row in rows if not row["answered"])
    assert all(row["answer"].count(CANNOT) == (not row["answered"]) for row in rows)
