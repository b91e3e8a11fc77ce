"""Agreement of a tested device with a reference: statistics from sums, with intervals over clusters."""

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
    "Estimate",
    "block_index",
    "block_sums",
    "correlation_time_s",
    "grouped_sums",
    "merge_sums",
    "pair_sums",
    "summarise",
]
