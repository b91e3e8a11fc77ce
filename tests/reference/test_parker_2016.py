"""Parker et al. 2016, PLoS ONE 11(12):e0168321: limits of agreement from a mixed model, by restricted likelihood.

Cardiac-output data from memory (Bland & Altman 2007); their figures recomputed by a likelihood of its own. The second
implementation here is the likelihood written out pair by pair, and statsmodels for participants with sessions nested.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from data_cardiac import cardiac
from data_mixed import invented
from test_nist_strd import SIRSTV

from wearbench.core.agreement.mixed import MixedFit, fit_mixed
from wearbench.core.agreement.mixedcells import cells_of_pairs
from wearbench.core.agreement.mixedlimits import mixed_limits
from wearbench.core.agreement.mixedprofile import component_intervals

RV, IC, SUBJECT = cardiac()
DATA = invented()
Z = 1.959963984540054


def dense_log_likelihood(
    variances: dict[str, float], groups: dict[str, np.ndarray], x: np.ndarray, d: np.ndarray
) -> float:
    """Restricted log likelihood with the whole covariance matrix of the pairs (Harville 1974)."""
    v = variances["error"] * np.eye(d.size)
    for name, group in groups.items():
        v += variances[name] * (group[:, None] == group[None, :])
    inverse = np.linalg.inv(v)
    left = x.T @ inverse @ x
    residual = d - x @ np.linalg.solve(left, x.T @ inverse @ d)
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(left)[1]
    return -0.5 * (logs + residual @ inverse @ residual + (d.size - x.shape[1]) * math.log(2 * math.pi))


def fitted(**options: str) -> MixedFit:
    cells = cells_of_pairs(
        DATA.difference, 0 * DATA.difference, participant=DATA.participant, session=DATA.session, activity=DATA.activity
    )
    return fit_mixed(cells, **options)  # type: ignore[arg-type]


def groups_of(fit: MixedFit) -> dict[str, np.ndarray]:
    both = DATA.participant * 100
    every = {
        "participant": DATA.participant,
        "session": both + DATA.session,
        "activity": DATA.activity,
        "participant x activity": both + DATA.activity,
    }
    return {part.name: every[part.name] for part in fit.components[:-1]}


def test_cardiac_output_recomputed() -> None:
    fit = fit_mixed(cells_of_pairs(RV, IC, participant=SUBJECT))
    assert fit.converged
    assert fit.mean == pytest.approx(0.70452, abs=5e-6)  # recomputed
    assert fit.mean_se == pytest.approx(0.27516, abs=5e-6)  # recomputed
    assert fit.variance("participant") == pytest.approx(0.87281, abs=5e-6)  # recomputed
    assert fit.variance("error") == pytest.approx(0.17080, abs=5e-6)  # recomputed
    found = mixed_limits(RV, IC, participant=SUBJECT)
    assert found.sd.value == pytest.approx(1.02157, abs=5e-6)  # recomputed
    # recomputed with 1.96; the multiplier is that of every other limit here
    assert (found.low.value, found.high.value) == pytest.approx((-1.2978, 2.7068), abs=5e-5)
    assert found.includes == found.of_one_activity == ("participant", "error")
    assert found.remarks == ()


@pytest.mark.parametrize("effect", ["random", "fixed", "none"])
def test_the_likelihood_is_that_of_the_pairs_and_greatest_here(effect: str) -> None:
    fit = fitted(activity=effect)
    x = (
        (DATA.activity[:, None] == np.arange(5)).astype(float)
        if effect == "fixed"
        else np.ones((DATA.activity.size, 1))
    )
    variances = {part.name: part.variance for part in fit.components}
    groups = groups_of(fit)
    here = dense_log_likelihood(variances, groups, x, DATA.difference)
    assert fit.converged
    assert fit.log_likelihood == pytest.approx(here, abs=1e-9)
    for name, value in variances.items():
        for factor in (0.98, 1.02):
            assert dense_log_likelihood(variances | {name: value * factor}, groups, x, DATA.difference) < here


def test_nist_sirstv_is_the_one_way_limit() -> None:
    value = np.array(SIRSTV.split(), dtype=float)
    fit = fit_mixed(cells_of_pairs(value, 0 * value, participant=np.repeat(np.arange(5), 5)))
    # certified mean squares; balanced groups, so restricted likelihood is the analysis of variance
    assert fit.variance("error") == pytest.approx(1.08318280000000e-02, rel=1e-7)
    assert fit.variance("participant") == pytest.approx((1.27865654000000e-02 - 1.08318280000000e-02) / 5, rel=1e-6)
    assert fit.mean_se == pytest.approx(math.sqrt(1.27865654000000e-02 / 25), rel=1e-8)
    assert fit.mean_df == pytest.approx(4, rel=1e-6)  # of 5 equal groups


@pytest.mark.filterwarnings("ignore")
def test_statsmodels_participants_with_sessions_nested() -> None:
    pd = pytest.importorskip("pandas")
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    frame = pd.DataFrame({"d": DATA.difference, "p": DATA.participant, "s": DATA.session})
    fit = fitted(activity="none")  # standard errors are left to lme4: statsmodels takes them from another curvature
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = mixed.MixedLM.from_formula(
            "d ~ 1", groups="p", vc_formula={"s": "0 + C(s)"}, re_formula="1", data=frame
        )
        other = model.fit(reml=True, method=["lbfgs", "powell"])
    assert fit.mean == pytest.approx(float(other.params.iloc[0]), rel=1e-4)
    assert fit.variance("participant") == pytest.approx(float(np.asarray(other.cov_re)[0, 0]), rel=1e-3)
    assert fit.variance("session") == pytest.approx(float(other.vcomp[0]), rel=1e-3)
    assert fit.variance("error") == pytest.approx(float(other.scale), rel=1e-4)
    assert fit.log_likelihood == pytest.approx(float(other.llf), abs=1e-4)


def test_profile_intervals_end_where_the_likelihood_of_the_pairs_has_dropped() -> None:
    optimize = pytest.importorskip("scipy.optimize")
    fit = fit_mixed(cells_of_pairs(RV, IC, participant=SUBJECT))
    found = component_intervals(fit)
    x, d = np.ones((60, 1)), RV - IC
    for name, other in (("participant", "error"), ("error", "participant")):
        for end in (found[name].low, found[name].high):

            def drop(log_other: float, name: str = name, other: str = other, end: float = end) -> float:
                variances = {name: end**2, other: math.exp(log_other)}
                return 2 * (fit.log_likelihood - dense_log_likelihood(variances, {"participant": SUBJECT}, x, d))

            least = optimize.minimize_scalar(drop, bounds=(-8, 5), method="bounded", options={"xatol": 1e-9})
            assert least.fun == pytest.approx(Z**2, abs=1e-5)


def test_limits_of_one_activity_leave_activity_out() -> None:
    found = mixed_limits(
        DATA.difference, 0 * DATA.difference, participant=DATA.participant, session=DATA.session, activity=DATA.activity
    )
    fit = found.fit
    assert found.includes == ("participant", "session", "activity", "participant x activity", "error")
    assert found.of_one_activity == ("participant", "session", "participant x activity", "error")
    assert found.sd.value == pytest.approx(math.sqrt(sum(part.variance for part in fit.components)), rel=1e-14)
    alone = math.sqrt(sum(fit.variance(name) for name in found.of_one_activity))
    assert [one.name for one in found.activities] == ["0", "1", "2", "3", "4"]
    for one, mean in zip(found.activities, fit.activity_means, strict=True):
        assert one.bias.value == mean
        assert (one.low.value, one.high.value) == pytest.approx((mean - 1.96 * alone, mean + 1.96 * alone), rel=1e-12)
        assert one.low.low < one.low.value < one.low.high < one.high.low < one.high.value < one.high.high
