"""When a failure counts in a session: long enough, sure enough, in two readings, and where it could show."""

from __future__ import annotations

import numpy as np

from wearbench.recipe.affected import StateHistory


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
