"""Agreement of a tested device with a reference: statistics from sums, with intervals over clusters."""

from wearbench.core.agreement.categories import Confusion, confusion, confusion_by
from wearbench.core.agreement.categorysummary import CategorySummary, ClusterMean, summarise_categories
from wearbench.core.agreement.classes import ClassSkill, class_skill
from wearbench.core.agreement.concordance import Concordance, ccc
from wearbench.core.agreement.errors import mae, mape, rmse, within_greater, within_share, within_tolerance
from wearbench.core.agreement.kappa import Chance, Kappa, ac1, cohen_kappa, mcc, pabak
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
    "CategorySummary",
    "Chance",
    "ClassSkill",
    "ClusterMean",
    "Concordance",
    "Confusion",
    "Estimate",
    "Kappa",
    "Limits",
    "OneWay",
    "ac1",
    "block_index",
    "block_sums",
    "ccc",
    "class_skill",
    "cohen_kappa",
    "confusion",
    "confusion_by",
    "correlation_time_s",
    "grouped_sums",
    "limits_of_agreement",
    "mae",
    "mape",
    "mcc",
    "merge_sums",
    "one_way_components",
    "pabak",
    "pair_sums",
    "rmse",
    "summarise",
    "summarise_categories",
    "within_greater",
    "within_share",
    "within_tolerance",
]
