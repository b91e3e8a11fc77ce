"""Agreement of a tested device with a reference: statistics from sums, with intervals over clusters."""

from wearbench.core.agreement.accuracy import a_rms, participant_mape, signed_error
from wearbench.core.agreement.assumptions import ASSUMPTIONS, Assumption, check_assumptions
from wearbench.core.agreement.categories import Confusion, confusion, confusion_by
from wearbench.core.agreement.categorysummary import CategorySummary, ClusterMean, summarise_categories
from wearbench.core.agreement.classes import ClassSkill, class_skill
from wearbench.core.agreement.concordance import Concordance, ccc
from wearbench.core.agreement.concordancecomponents import RepeatedConcordance, repeated_ccc
from wearbench.core.agreement.coverage import (
    Coverage,
    StudyEffect,
    Texture,
    choose_effect,
    nearest_coverage,
    texture_of,
)
from wearbench.core.agreement.deviationindex import (
    CoverageProbability,
    DeviationIndex,
    coverage_probability,
    total_deviation_index,
)
from wearbench.core.agreement.equivalence import Equivalence, equivalence
from wearbench.core.agreement.errors import mae, mape, rmse, within_greater, within_share, within_tolerance
from wearbench.core.agreement.individualagreement import IndividualAgreement, individual_agreement
from wearbench.core.agreement.intraclass import ICC_FORMS, Intraclass, icc
from wearbench.core.agreement.kappa import Chance, Kappa, ac1, cohen_kappa, mcc, pabak
from wearbench.core.agreement.limits import Limits, OneWay, limits_of_agreement, one_way_components
from wearbench.core.agreement.mixed import Component, MixedFit, fit_mixed
from wearbench.core.agreement.mixedcells import Cells, cells_of_pairs, cells_of_sums
from wearbench.core.agreement.mixedlimits import ActivityLimits, MixedLimits, mixed_limits, mixed_limits_of_cells
from wearbench.core.agreement.mixedprofile import component_intervals
from wearbench.core.agreement.passingbablok import PassingBablok, passing_bablok
from wearbench.core.agreement.primary import PRIMARY_KINDS, PrimaryChoice, choose_primary
from wearbench.core.agreement.quantilelimits import QuantileLimits, quantile_limits, quantile_ranks, sample_quantile
from wearbench.core.agreement.ratiolimits import percent_limits, ratio_limits
from wearbench.core.agreement.recovered import recovered_limits
from wearbench.core.agreement.regressionlimits import RegressionLimits, regression_limits
from wearbench.core.agreement.repeatability import Repeatability, repeatability
from wearbench.core.agreement.repeatedlimits import repeated_limits, replicate_limits
from wearbench.core.agreement.replicates import Within
from wearbench.core.agreement.samplesize import (
    agreement_power,
    effective_pairs,
    size_for_power,
    size_for_precision,
    size_for_range,
)
from wearbench.core.agreement.singlelimits import limit_se, limits_from_summary, range_of_agreement, single_limits
from wearbench.core.agreement.structuralline import StructuralLine, deming, least_products, weighted_deming, york
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
from wearbench.core.agreement.tolerance import limit_factor, noncentral_t_cdf, pair_factor, range_factor
from wearbench.core.clusters import Estimate

__all__ = [
    "ASSUMPTIONS",
    "ICC_FORMS",
    "PRIMARY_KINDS",
    "STATISTIC_NAMES",
    "SUM_NAMES",
    "ActivityLimits",
    "Assumption",
    "CategorySummary",
    "Cells",
    "Chance",
    "ClassSkill",
    "ClusterMean",
    "Component",
    "Concordance",
    "Confusion",
    "Coverage",
    "CoverageProbability",
    "DeviationIndex",
    "Equivalence",
    "Estimate",
    "IndividualAgreement",
    "Intraclass",
    "Kappa",
    "Limits",
    "MixedFit",
    "MixedLimits",
    "OneWay",
    "PassingBablok",
    "PrimaryChoice",
    "QuantileLimits",
    "RegressionLimits",
    "Repeatability",
    "RepeatedConcordance",
    "StructuralLine",
    "StudyEffect",
    "Texture",
    "Within",
    "a_rms",
    "ac1",
    "agreement_power",
    "block_index",
    "block_sums",
    "ccc",
    "cells_of_pairs",
    "cells_of_sums",
    "check_assumptions",
    "choose_effect",
    "choose_primary",
    "class_skill",
    "cohen_kappa",
    "component_intervals",
    "confusion",
    "confusion_by",
    "correlation_time_s",
    "coverage_probability",
    "deming",
    "effective_pairs",
    "equivalence",
    "fit_mixed",
    "grouped_sums",
    "icc",
    "individual_agreement",
    "least_products",
    "limit_factor",
    "limit_se",
    "limits_from_summary",
    "limits_of_agreement",
    "mae",
    "mape",
    "mcc",
    "merge_sums",
    "mixed_limits",
    "mixed_limits_of_cells",
    "nearest_coverage",
    "noncentral_t_cdf",
    "one_way_components",
    "pabak",
    "pair_factor",
    "pair_sums",
    "participant_mape",
    "passing_bablok",
    "percent_limits",
    "quantile_limits",
    "quantile_ranks",
    "range_factor",
    "range_of_agreement",
    "ratio_limits",
    "recovered_limits",
    "regression_limits",
    "repeatability",
    "repeated_ccc",
    "repeated_limits",
    "replicate_limits",
    "rmse",
    "sample_quantile",
    "signed_error",
    "single_limits",
    "size_for_power",
    "size_for_precision",
    "size_for_range",
    "summarise",
    "summarise_categories",
    "texture_of",
    "total_deviation_index",
    "weighted_deming",
    "within_greater",
    "within_share",
    "within_tolerance",
    "york",
]
