"""Lu et al. 2016, Int J Biostat 12:20150039: sample size by power to hold both limits within a margin.

Figures recomputed. The paper's often quoted example (mean .001167, SD .001129, margin .004, power .80, n = 83, from
memory) is not what the formula gives, which is 79. R 4.2.2: ``se <- s * sqrt(1/n + qnorm(.975)^2/(2 * (n - 1)));
1 - pt(q, n - 1, (d - m - qnorm(.975) * s)/se) - pt(q, n - 1, (d + m - qnorm(.975) * s)/se)`` with
``q <- qt(.975, n - 1)``.
"""

from __future__ import annotations

import pytest

from wearbench.core.agreement import agreement_power, size_for_power
from wearbench.errors import CannotTell

TABLE = [
    (2.2, 0.0, 536, 662),
    (2.2, 0.1, 1172, 1568),
    (2.2, 0.2, 14305, 19149),
    (2.5, 0.0, 108, 133),
    (2.5, 0.1, 126, 163),
    (2.5, 0.2, 201, 269),
    (2.5, 0.3, 401, 536),
    (2.5, 0.5, 14305, 19149),
    (3.0, 0.0, 31, 38),
    (3.0, 0.1, 33, 40),
    (3.0, 0.2, 37, 47),
    (3.0, 0.3, 45, 59),
    (3.0, 0.5, 82, 108),
]


@pytest.mark.parametrize(("margin", "mean", "n_80", "n_90"), TABLE)
def test_table_of_sizes(margin: float, mean: float, n_80: int, n_90: int) -> None:
    assert size_for_power(mean=mean, sd=1.0, margin=margin, power=0.8) == n_80
    assert size_for_power(mean=-mean, sd=1.0, margin=margin, power=0.9) == n_90
    assert agreement_power(n_80, mean=mean, sd=1.0, margin=margin) >= 0.8
    assert agreement_power(n_80 - 1, mean=mean, sd=1.0, margin=margin) < 0.8


def test_far_limit_does_not_matter_where_only_the_near_margin_does() -> None:
    # the same distance from the near limit to the margin; the usual routines for the far term stop at n = 3891
    near, far = (size_for_power(mean=mean, sd=1.0, margin=margin) for mean, margin in ((0.2, 2.2), (0.5, 2.5)))
    assert near == far == 14305
    # normal approximation: 14302 (recomputed)
    assert far == pytest.approx(((1.959964 + 0.841621) * 1.709 / (2.5 - 0.5 - 1.959964)) ** 2, rel=1e-3)


def test_small_worked_example() -> None:
    power = {n: agreement_power(n, mean=0.001167, sd=0.001129, margin=0.004) for n in (78, 79, 83)}
    assert power[79] == pytest.approx(0.8022956075, abs=5e-11)  # R
    assert power[83] == pytest.approx(0.8218532714, abs=5e-11)  # R
    assert power[78] == pytest.approx(0.7971273317, abs=5e-11)  # R
    assert size_for_power(mean=0.001167, sd=0.001129, margin=0.004) == 79


@pytest.mark.parametrize(("margin", "mean"), [(2.2, 0.3), (2.2, 0.5), (1.9, 0.0)])
def test_no_size_suffices(margin: float, mean: float) -> None:
    with pytest.raises(CannotTell) as caught:
        size_for_power(mean=mean, sd=1.0, margin=margin)
    assert str(caught.value) == (
        f"no number of pairs suffices: the expected limits reach {mean + 1.959964:.5f} (|mean| + 1.96 SD), "
        f"the margin is {margin}"
    )
