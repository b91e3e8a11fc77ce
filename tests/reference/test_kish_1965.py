"""Kish 1965, Survey Sampling: the design effect of repeated pairs; serial correlation of a first-order process."""

from __future__ import annotations

import pytest

from wearbench.core.agreement import effective_pairs


def test_n_over_1_plus_m_less_1_rho() -> None:
    assert effective_pairs(60, per_participant=5, correlation=0.8) == pytest.approx(60 / 4.2)
    assert effective_pairs(60, per_participant=5, correlation=1) == pytest.approx(12)
    assert effective_pairs(60, per_participant=5, correlation=0) == pytest.approx(60)


@pytest.mark.parametrize(("phi", "share"), [(0.5, 0.333), (0.9, 0.0526), (0.95, 0.0256), (0.99, 0.0050)])
def test_serial_correlation_1_less_phi_over_1_plus_phi(phi: float, share: float) -> None:
    found = effective_pairs(100_000, per_participant=10_000, correlation=0, serial_correlation=phi)
    assert found / 100_000 == pytest.approx(share, rel=6e-3)  # recomputed to three figures


def test_a_participant_is_worth_at_least_one_pair() -> None:
    assert effective_pairs(20, per_participant=2, correlation=0.5, serial_correlation=0.9) == pytest.approx(10)
