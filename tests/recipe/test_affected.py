"""When a failure counts in a session: long enough, sure enough, in two readings, and where it could show."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from wearbench.core.pairing import Pairs
from wearbench.recipe.affected import StateHistory, sure_episodes
from wearbench.recipe.sessionresult import Episode


def history(*, seconds: float, sure: float, readings: int, state: str = "halved") -> StateHistory:
    """Two sessions; the first holds so much of a state, in the second a cadence was recorded."""
    return StateHistory(
        device="band",
        quantity="heart_rate",
        sessions=("S01", "S02"),
        participants=(),
        asked_s=np.array([600.0, 600.0]),
        seconds={state: np.array([seconds, 0.0])},
        longest_s={state: np.array([seconds, 0.0])},
        sure_s={state: np.array([sure, 0.0])},
        readings={state: np.array([readings, 0])},
        strided=np.array([False, True]),
    )


def test_a_minute_counts_and_less_does_not() -> None:
    assert history(seconds=60.0, sure=60.0, readings=60).affected("halved", least_s=60.0).tolist() == [True, False]
    assert history(seconds=59.0, sure=59.0, readings=59).affected("halved", least_s=60.0).tolist() == [False, False]


def test_one_reading_of_a_slow_rhythm_does_not_count_however_long_it_stands() -> None:
    assert not history(seconds=600.0, sure=600.0, readings=1).affected("halved", least_s=60.0).any()
    assert history(seconds=1200.0, sure=1200.0, readings=2).affected("halved", least_s=60.0)[0]


def test_episodes_that_are_not_sure_do_not_count() -> None:
    assert not history(seconds=300.0, sure=40.0, readings=40).affected("halved", least_s=60.0).any()


def test_a_state_that_never_occurred_affects_no_session() -> None:
    one = history(seconds=300.0, sure=300.0, readings=300)
    assert not one.affected("doubled", least_s=60.0).any()
    assert not one.affected("doubled", least_s=0.0).any()


def test_following_the_cadence_can_show_only_where_one_was_recorded() -> None:
    one = history(seconds=0.0, sure=0.0, readings=0)
    assert one.could_show("cadence_locked").tolist() == [False, True]
    assert one.could_show("halved").tolist() == [True, True]


def episode(
    number: int, *, state: str = "frozen", probability: float = 0.95, also: str = "", doubt: str = ""
) -> Episode:
    return Episode(
        id=f"S01-E{number}",
        event=f"S01-V{number}",
        state=state,
        also=also,
        start_s=0.0,
        end_s=60.0,
        seconds=60.0,
        tested_mean=120.0,
        reference_mean=120.0,
        ratio=1.0,
        probability=probability,
        doubt=doubt,
    )


def sure(one: Episode, *, held: float, reference: list[float]) -> bool:
    """Whether a run of one value beside this reference counts."""
    beside = np.array(reference)
    pairs = cast("Pairs", SimpleNamespace(tested=np.full(beside.size, held), reference=beside))
    member = np.ones(beside.size, dtype=np.int32)
    return one.id in sure_episodes([one], member, pairs, sure_from=0.8)


def test_a_held_value_counts_only_where_it_was_wrong() -> None:
    """Off by 9 at the end; off by 4 at most; at half, off by 4 at most from half; at double likewise."""
    assert sure(episode(1), held=120.0, reference=[119.0, 124.0, 129.0])
    assert not sure(episode(1), held=120.0, reference=[116.0, 120.0, 124.0])
    assert not sure(episode(1), held=60.0, reference=[112.0, 120.0, 128.0])
    assert not sure(episode(1), held=140.0, reference=[68.0, 70.0, 72.0])
    assert sure(episode(1), held=60.0, reference=[112.0, 120.0, 132.0])


def test_an_episode_counts_by_its_probability_and_not_where_the_reference_is_in_doubt() -> None:
    halved: dict[str, Any] = {"held": 60.0, "reference": [120.0, 120.0]}
    assert sure(episode(1, state="halved", probability=0.8), **halved)
    assert not sure(episode(1, state="halved", probability=0.79), **halved)
    assert sure(episode(1, state="halved", probability=0.41, also="cadence_locked"), **halved)
    assert not sure(episode(1, state="halved", probability=0.39, also="cadence_locked"), **halved)
    assert not sure(episode(1, state="halved", doubt="one of the two is wrong"), **halved)
    assert sure(episode(1, state="missing", probability=float("nan")), **halved)
