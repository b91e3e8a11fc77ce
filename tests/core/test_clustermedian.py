"""The median over clustered values, its intervals and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest

from wearbench.core.clustermedian import cluster_median
from wearbench.errors import DataError


def asked(values, session, participant=None, **more):
    values = np.asarray(values, dtype=float)
    who = np.zeros(values.size, dtype=int) if participant is None else np.asarray(participant)
    return cluster_median(
        values, participant=who, session=np.asarray(session), confidence=0.95, seed=1, name="test", **more
    )


def test_value_is_the_plain_median():
    assert asked([3, 1, 2, 10], [0, 0, 1, 1]).value == 2.5


def test_nothing_and_one_session():
    assert asked([], []).why == "no values"
    one = asked([4.0, 5.0], [0, 0], blocks=False)
    assert (one.value, one.low, one.why) == (4.5, None, "one session: no interval")


def test_few_clusters_get_t_over_their_medians():
    # medians 1, 2, 3: mean 2, SE 1/sqrt(3), t(2) .975 = 4.302653 (table value)
    found = asked([1, 1, 2, 2, 3, 3], [0, 0, 1, 1, 2, 2])
    assert found.low == pytest.approx(2 - 4.302653 / np.sqrt(3), abs=1e-5)
    assert found.method == "median, 3 sessions of one person, one unit, t over their medians"


def test_participants_are_the_units_where_there_are_several():
    assert asked(range(12), range(12), participant=[0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5]).n == 6


def test_resampled_interval_holds_the_truth():
    # seeded: 8 sessions of 5 values with session effects; 95 % is aimed at, 200 studies give .90 to .99 by chance alone
    rng = np.random.default_rng(7)
    held = 0
    for k in range(200):
        values = rng.normal(0, 1, 8).repeat(5) + rng.normal(0, 1, 40)
        found = cluster_median(
            values,
            participant=np.zeros(40, dtype=int),
            session=np.arange(8).repeat(5),
            confidence=0.95,
            seed=k,
            name="coverage",
        )
        held += found.low <= 0 <= found.high
    assert 0.86 <= held / 200 <= 0.99


def test_lengths_must_match():
    with pytest.raises(DataError) as caught:
        asked([1.0, 2.0], [0])
    assert str(caught.value) == "expected a participant and a session a value, got 2, 2 and 1"
