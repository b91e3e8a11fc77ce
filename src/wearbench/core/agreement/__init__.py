"""Agreement of a tested device with a reference: statistics from sums, with intervals over clusters."""

from wearbench.core.agreement.concordance import Concordance, ccc
from wearbench.core.agreement.errors import mae, mape, rmse, within_greater, within_share, within_tolerance
from wearbench.core.agreement.limits import Limits, OneWay, limits_of_agreement, one_way_components
from wearbench.core.agreement.summary import STATISTIC_NAMES, summarise
from wearbench.core.agreement.sums import (
    SUM_NAMES,
    block_index,
    block_sums,
    correlation_time_s,
    grouped_sums,
    merge_sums,
    pair_sums,
)
from wearbench.core.clusters import Estimate

__all__ = [
    "STATISTIC_NAMES",
    "SUM_NAMES",
    "Concordance",
    "Estimate",
    "Limits",
    "OneWay",
    "block_index",
    "block_sums",
    "ccc",
    "correlation_time_s",
    "grouped_sums",
    "limits_of_agreement",
    "mae",
    "mape",
    "merge_sums",
    "one_way_components",
    "pair_sums",
    "rmse",
    "summarise",
    "within_greater",
    "within_share",
    "within_tolerance",
]
