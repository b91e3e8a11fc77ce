"""The blocked decoder against the plain recursion, written down as in Rabiner 1989 (Proc IEEE 77:257-286)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbench.core.chain import decode
from wearbench.errors import DataError


def transitions(stay, enter):
    """P(j | i) in full, shape (K, K)."""
    return np.diag(stay) + (1 - stay)[:, None] * enter[None, :]


def path_score(path, log_emission, stay, enter, first):
    score = np.log(first[path[0]]) + log_emission[0, path[0]]
    for t in range(1, len(path)):
        score += np.log(transitions(stay[t], enter)[path[t - 1], path[t]]) + log_emission[t, path[t]]
    return score


def parting_score(path, log_emission, stay, enter, first):
    """As the decoder scores a path: staying, or leaving and arriving (also back), the better of the two."""
    score = np.log(first[path[0]]) + log_emission[0, path[0]]
    with np.errstate(divide="ignore"):
        for t in range(1, len(path)):
            i, j = path[t - 1], path[t]
            ways = [np.log1p(-stay[t, i]) + np.log(enter[j])]
            if i == j:
                ways.append(np.log(stay[t, i]))
            score += max(ways) + log_emission[t, j]
    return score


def viterbi(log_emission, stay, enter, first):
    n, k = log_emission.shape
    score = np.log(first) + log_emission[0]
    with np.errstate(divide="ignore"):
        for t in range(1, n):
            step = np.log1p(-stay[t])[:, None] + np.log(enter)[None, :]
            step[np.arange(k), np.arange(k)] = np.maximum(step[np.arange(k), np.arange(k)], np.log(stay[t]))
            score = (score[:, None] + step).max(axis=0) + log_emission[t]
    return float(score.max())


def forward_backward(log_emission, stay, enter, first):
    n, k = log_emission.shape
    emission = np.exp(log_emission - log_emission.max(axis=1, keepdims=True))
    alpha, beta = np.empty((n, k)), np.ones((n, k))
    alpha[0] = first * emission[0]
    for t in range(1, n):
        alpha[t - 1] /= alpha[t - 1].sum()
        alpha[t] = alpha[t - 1] @ transitions(stay[t], enter) * emission[t]
    for t in range(n - 2, -1, -1):
        beta[t] = transitions(stay[t + 1], enter) @ (emission[t + 1] * beta[t + 1])
        beta[t] /= beta[t].max()
    both = alpha * beta
    return both / both.sum(axis=1, keepdims=True)


def chance(rng, n, k, *, contrast=3.0):
    enter = rng.dirichlet(np.ones(k))
    return contrast * rng.normal(size=(n, k)), rng.uniform(0.02, 0.98, (n, k)), enter, rng.dirichlet(np.ones(k))


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 7, 8, 9, 15, 16, 17, 24, 26, 50, 121, 300])
@pytest.mark.parametrize("k", [1, 2, 5, 11])
def test_same_answer_as_step_by_step(n, k):
    given_ = chance(np.random.default_rng(1000 * n + k), n, k)
    got = decode(*given_)
    assert got.path.shape == (n,)
    assert parting_score(got.path, *given_) == pytest.approx(viterbi(*given_), abs=1e-9)
    assert got.posterior == pytest.approx(forward_backward(*given_), abs=1e-10)


@pytest.mark.parametrize("seed", range(6))
def test_best_of_all_paths_and_their_exact_weights(seed):
    rng = np.random.default_rng(seed)
    n, k = 6, 3
    given_ = chance(rng, n, k)
    paths = list(itertools.product(range(k), repeat=n))
    scores = np.array([path_score(p, *given_) for p in paths])
    weight = np.exp(scores - scores.max())
    weight /= weight.sum()
    exact = np.zeros((n, k))
    for path, w in zip(paths, weight, strict=True):
        exact[np.arange(n), path] += w
    got = decode(*given_)
    assert got.posterior == pytest.approx(exact, abs=1e-12)
    parted = [parting_score(p, *given_) for p in paths]
    assert tuple(got.path) == paths[int(np.argmax(parted))]


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 60), st.integers(1, 6), st.floats(0.0, 40.0), st.integers(0, 2**32 - 1))
def test_any_size_and_contrast(n, k, contrast, seed):
    given_ = chance(np.random.default_rng(seed), n, k, contrast=contrast)
    got = decode(*given_)
    assert parting_score(got.path, *given_) == pytest.approx(viterbi(*given_), abs=1e-6)
    assert got.posterior == pytest.approx(forward_backward(*given_), abs=1e-8)
    assert got.posterior.sum(axis=1) == pytest.approx(1.0)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 40), st.integers(2, 5), st.integers(0, 2**32 - 1), st.floats(-50, 50))
def test_a_constant_for_each_reading_changes_nothing(n, k, seed, constant):
    log_emission, stay, enter, first = chance(np.random.default_rng(seed), n, k)
    a = decode(log_emission, stay, enter, first)
    b = decode(log_emission + constant, stay, enter, first)
    assert np.array_equal(a.path, b.path)
    assert a.posterior == pytest.approx(b.posterior, abs=1e-9)


def test_backwards_is_the_same_for_even_handed_chains():
    rng = np.random.default_rng(8)
    n, k = 40, 4
    log_emission, even = rng.normal(size=(n, k)), np.full(k, 1 / k)
    stay = np.full((n, k), 0.9)
    a = decode(log_emission, stay, even, even).posterior
    b = decode(log_emission[::-1].copy(), stay, even, even).posterior[::-1]
    assert a == pytest.approx(b, abs=1e-12)


def test_row_of_zeros_says_nothing():
    even = np.array([0.5, 0.5])
    log_emission = np.zeros((101, 2))
    log_emission[0] = [0.0, -5.0]
    got = decode(log_emission, np.full((101, 2), 0.99), even, even)
    assert (got.path == 0).all()
    # forgets at the chain's own pace: the second eigenvalue is what stays
    assert got.posterior[:, 0] - 0.5 == pytest.approx((got.posterior[0, 0] - 0.5) * 0.99 ** np.arange(101), abs=1e-9)


def test_chain_that_never_leaves_keeps_its_first_state():
    log_emission = np.array([[0.0, -1.0], [-3.0, 0.0], [0.0, -1.0], [0.0, -0.5]])
    got = decode(log_emission, np.ones((4, 2)), np.array([0.5, 0.5]), np.array([0.5, 0.5]))
    assert got.path.tolist() == [1, 1, 1, 1]  # -1 - 3 ... in total -2.5 against -3.0
    expected = np.exp([-3.0, -2.5])
    assert got.posterior == pytest.approx(np.tile(expected / expected.sum(), (4, 1)))


def test_stay_of_the_first_row_is_not_looked_at():
    log_emission, stay, enter, first = chance(np.random.default_rng(5), 20, 3)
    other = stay.copy()
    other[0] = 0.5
    a, b = decode(log_emission, stay, enter, first), decode(log_emission, other, enter, first)
    assert np.array_equal(a.path, b.path)
    assert np.array_equal(a.posterior, b.posterior)


def test_long_chain_does_not_underflow():
    rng = np.random.default_rng(2)
    truth = (np.arange(20_000) // 500) % 2
    log_emission = np.zeros((20_000, 2))
    log_emission[np.arange(20_000), 1 - truth] = -30.0 * rng.random(20_000)
    got = decode(log_emission, np.full((20_000, 2), 0.999), np.array([0.5, 0.5]), np.array([0.5, 0.5]))
    assert (got.path != truth).mean() < 0.001
    assert np.isfinite(got.posterior).all()


def test_nothing_in_nothing_out():
    got = decode(np.zeros((0, 3)), np.zeros((0, 3)), np.full(3, 1 / 3), np.full(3, 1 / 3))
    assert got.path.shape == (0,)
    assert got.posterior.shape == (0, 3)


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(DataError) as caught:
        decode(np.zeros((4, 2)), np.zeros((3, 2)), np.zeros(2), np.zeros(2))
    assert str(caught.value) == (
        "expected emissions and stay of one shape (n, K) and enter, first of shape (K,), got (4, 2), (3, 2), (2,), (2,)"
    )


# states that remember


def remembering(log_emission, again, stay, enter, first):
    """Every path, staying and leaving apart: weight by state of each reading, and the best score."""
    n, k = log_emission.shape
    total, best = np.zeros((n, k)), -np.inf
    for path in itertools.product(range(k), repeat=n):
        weight = np.log(first[path[0]]) + log_emission[0, path[0]]
        top = weight
        for t in range(1, n):
            i, j = path[t - 1], path[t]
            ways = [np.log1p(-stay[t, i]) + np.log(enter[j]) + log_emission[t, j]]
            if i == j:
                ways.append(np.log(stay[t, i]) + again[t, j])
            weight += np.logaddexp.reduce(ways)
            top += max(ways)
        total[np.arange(n), path] += np.exp(weight)
        best = max(best, top)
    return total / total.sum(axis=1, keepdims=True), best


@pytest.mark.parametrize("seed", range(6))
def test_states_that_remember_against_every_path(seed):
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(2, 7)), int(rng.integers(2, 4))
    log_emission, stay, enter, first = chance(rng, n, k)
    again = 3.0 * rng.normal(size=(n, k))
    posterior, best = remembering(log_emission, again, stay, enter, first)
    got = decode(log_emission, stay, enter, first, again=again)
    assert got.posterior == pytest.approx(posterior, abs=1e-9)
    score = np.log(first[got.path[0]]) + log_emission[0, got.path[0]]
    for t in range(1, n):
        i, j = got.path[t - 1], got.path[t]
        ways = [np.log1p(-stay[t, i]) + np.log(enter[j]) + log_emission[t, j]]
        score += max([*ways, np.log(stay[t, i]) + again[t, j]] if i == j else ways)
    assert score == pytest.approx(best)


def test_memory_of_the_same_density_changes_nothing():
    rng = np.random.default_rng(3)
    log_emission, stay, enter, first = chance(rng, 57, 4)
    one = decode(log_emission, stay, enter, first)
    two = decode(log_emission, stay, enter, first, again=log_emission)
    assert np.array_equal(one.path, two.path)
    assert two.posterior == pytest.approx(one.posterior, abs=1e-12)
