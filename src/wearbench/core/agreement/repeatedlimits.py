"""Limits of agreement of repeated readings, each participant counting once: true value constant or varying."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearbench.core.agreement.differences import Differences, check_level, check_multiplier, differences, fixed, unknown
from wearbench.core.agreement.limits import Limits
from wearbench.core.agreement.recovered import recovered_limits
from wearbench.core.agreement.replicates import Within, participant_codes, participant_parts
from wearbench.core.agreement.summary import MULTIPLIER
from wearbench.core.agreement.sums import paired
from wearbench.errors import CannotTell, DataError

__all__ = ["repeated_limits", "replicate_limits"]

F64 = NDArray[np.float64]


def repeated_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    participant: ArrayLike,
    *,
    quantile: Literal["z", "t"] = "z",
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement of pairs taken at the same time, several a participant, whose true value varies.

    Parameters
    ----------
    tested, reference : array-like, shape (n,)
        Paired values in one unit.
    participant : array-like, shape (n,)
        Whose each pair is: numbers or names.
    quantile : {"z", "t"}
        As in `recovered_limits`.
    multiplier, confidence : float

    Returns
    -------
    Limits
        About the mean of the participants' means, so that participants weigh equally; sigma^2 = Var(D_i) + (1 - 1/m_h)
        MSW, m_h the harmonic mean of the pairs a participant has; intervals after Zou 2013 (Stat Methods Med Res
        22:630-642). `limits_of_agreement` centres on the mean of all pairs instead, and takes its intervals from the
        differences between participants alone.

    Raises
    ------
    DataError
        If the columns do not match or hold NaN or infinity.
    CannotTell
        If there are no pairs.
    """
    _check(multiplier, confidence)
    found = differences(tested, reference)
    code, count = participant_codes(participant, found.n, "pair")
    mean, within = participant_parts(found.values, code, count)
    return _limits(
        mean, [within], found.n, found, quantile=quantile, multiplier=multiplier, confidence=confidence, one="pair"
    )


def replicate_limits(
    tested: ArrayLike,
    reference: ArrayLike,
    participant: ArrayLike,
    *,
    reference_participant: ArrayLike | None = None,
    quantile: Literal["z", "t"] = "z",
    multiplier: float = MULTIPLIER,
    confidence: float = 0.95,
) -> Limits:
    """Limits of agreement of single readings from replicates of each method while the true value stays the same.

    Parameters
    ----------
    tested : array-like, shape (n,)
        Replicates of the tested device.
    reference : array-like, shape (m,)
        Replicates of the reference, same unit; not paired with those of the device.
    participant : array-like, shape (n,)
        Whose each tested value is: numbers or names.
    reference_participant : array-like, shape (m,), or None
        Whose each reference value is; None where it is as for the tested values.
    quantile : {"z", "t"}
        As in `recovered_limits`.
    multiplier, confidence : float

    Returns
    -------
    Limits
        About the mean of the participants' differences of means; sigma^2 = Var(D_i) + (1 - 1/m_xh) s_xw^2 + (1 -
        1/m_yh) s_yw^2, with the residual mean square and harmonic mean of replicates of each method (Bland & Altman
        1999, Stat Methods Med Res 8:135-160, section 5; 2007, J Biopharm Stat 17:571-582). For two replicates of each
        this is the correction sqrt(s_D^2 + s_1^2/4 + s_2^2/4) of the 1986 paper, s_1^2 and s_2^2 the mean squared
        differences of repeats. Limits of the means themselves would understate the scatter of single readings.
        Intervals after Zou 2013 (Stat Methods Med Res 22:630-642).

    Raises
    ------
    DataError
        If the columns do not match, hold NaN or infinity, or the two methods have not the same participants.
    CannotTell
        If there are no readings.
    """
    _check(multiplier, confidence)
    whose = participant if reference_participant is None else reference_participant
    first, _ = paired(tested, np.zeros(np.shape(tested)))
    second, _ = paired(reference, np.zeros(np.shape(reference)))
    if first.size == 0 or second.size == 0:
        raise CannotTell("limits of agreement need readings of both, there are none of one")
    mine_code = participant_codes(participant, first.size, "reading")
    their_code = participant_codes(whose, second.size, "reading")
    mine, theirs = set(np.asarray(participant).tolist()), set(np.asarray(whose).tolist())
    if mine != theirs:
        one = sorted(map(str, mine ^ theirs))[0]
        raise DataError(f"expected readings of both from every participant, {one!r} has those of one only")
    x_mean, x_within = participant_parts(first, *mine_code)
    y_mean, y_within = participant_parts(second, *their_code)
    found = differences(x_mean, y_mean)
    return _limits(
        found.values,
        [x_within, y_within],
        min(first.size, second.size),
        found,
        quantile=quantile,
        multiplier=multiplier,
        confidence=confidence,
        one="reading",
    )


def _check(multiplier: float, confidence: float) -> None:
    check_multiplier(multiplier)
    check_level(confidence, "a confidence")


def _limits(
    mean: F64,
    within: list[Within],
    n_pairs: int,
    found: Differences,
    *,
    quantile: Literal["z", "t"],
    multiplier: float,
    confidence: float,
    one: str,
) -> Limits:
    n = mean.size
    centre = float(mean[0] + np.mean(mean - mean[0]))
    spread = float(np.sum((mean - centre) ** 2)) / (n - 1) if n > 1 else 0.0
    inner = sum(part.weight * part.mean_square for part in within)
    why = None
    if n < 2:
        why = f"one {one}" if n_pairs == 1 else "one participant"
    elif not spread + inner > found.rounding**2:
        why = "all differences are identical"
    elif not spread > found.rounding**2:
        why = "all participants have the same mean difference"
    if why is None:
        return recovered_limits(
            centre,
            spread,
            n,
            within=within,
            n_pairs=n_pairs,
            quantile=quantile,
            multiplier=multiplier,
            confidence=confidence,
        )
    return Limits(
        n_pairs=n_pairs,
        n_participants=n,
        bias=fixed(centre, None, f"{n} participant{'s' if n != 1 else ''}", 0, f"{why}: no interval can be given"),
        sd=unknown(why),
        low=unknown(why),
        high=unknown(why),
    )
