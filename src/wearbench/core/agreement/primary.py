"""Which limits of agreement lead, by a rule that looks at the assumptions and not at the limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from wearbench.core.agreement.assumptionresult import Assumption
from wearbench.core.agreement.summary import FEW
from wearbench.core.clusters import Clusters

__all__ = ["PRIMARY_KINDS", "Primary", "PrimaryChoice", "choose_primary"]

FAR_OUT: Final = 0.05
"""Share of differences far out above which limits from an SD do not lead."""

Primary = Literal["none", "two_part", "ratio", "sloping", "quantiles", "single", "repeated"]

PRIMARY_KINDS: Final[dict[Primary, str]] = {
    "none": "no limits",
    "two_part": "how often it was right, and the limits while it was",
    "ratio": "limits of the ratio tested/reference",
    "sloping": "limits that follow the size of the value",
    "quantiles": "limits as quantiles of the differences",
    "single": "limits of single pairs, exact intervals",
    "repeated": "limits of repeated pairs, variances between and within units",
}
"""Each kind of limits in words."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PrimaryChoice:
    """Which limits lead, and why, in a sentence."""

    primary: Primary
    why: str


def choose_primary(
    assumptions: Sequence[Assumption], *, clusters: Clusters, n_pairs: int, ratio_fits: bool = False
) -> PrimaryChoice:
    """Choose the limits of agreement that lead.

    Parameters
    ----------
    assumptions : sequence of Assumption
        As `check_assumptions` gives them; those that are not there count as holding.
    clusters : Clusters
        The independent units.
    n_pairs : int
    ratio_fits : bool
        All values are above 0, and the ratio's scatter does not follow the size of the value.

    Returns
    -------
    PrimaryChoice
        The first that applies: no limits below two pairs; both parts told apart where right and wrong readings are
        mixed; below five units repeated limits, as nothing more can be fitted; limits of the ratio where the scatter
        follows the value and the ratio takes that out, sloping ones where bias or scatter follow it otherwise (Bland &
        Altman 1999, Stat Methods Med Res 8:135-160, section 3); quantiles where more than one in twenty differences
        lies far out; exact ones of single pairs (Carkeet 2015, Optom Vis Sci 92:e71-e80); else those of repeated pairs
        whose true value varies (Bland & Altman 2007, J Biopharm Stat 17:571-582). The order is a choice of this tool.
    """
    found = {a.name: a for a in assumptions}

    def broken(name: str) -> bool:
        return name in found and found[name].outcome == "violated"

    if n_pairs < 2:
        why = "there are no pairs" if n_pairs == 0 else "one pair has no scatter"
        return PrimaryChoice(primary="none", why=f"Limits take two pairs or more: {why}.")
    if broken("mixture"):
        return PrimaryChoice(primary="two_part", why=found["mixture"].said)
    if clusters.count < FEW:
        few = found["few_clusters"].said if "few_clusters" in found else f"There are fewer than {FEW} units."
        return PrimaryChoice(
            primary="repeated", why=f"{few} Nothing more than one pair of limits can be fitted to them."
        )
    slope, fan = broken("proportional_bias"), broken("uneven_spread")
    if fan and ratio_fits and (found["uneven_spread"].value or 0.0) > 0:
        return PrimaryChoice(primary="ratio", why=f"{found['uneven_spread'].said} The ratio takes that out.")
    if slope or fan:
        said = " ".join(found[n].said for n in ("proportional_bias", "uneven_spread") if broken(n))
        return PrimaryChoice(primary="sloping", why=said)
    far = found.get("heavy_tails")
    if far is not None and far.outcome == "violated" and (far.value or 0.0) > FAR_OUT:
        return PrimaryChoice(primary="quantiles", why=f"{far.said} Limits from an SD do not hold for such differences.")
    if n_pairs == clusters.count:
        return PrimaryChoice(primary="single", why="There is one pair in each independent unit.")
    units = {"none": "session"}.get(clusters.unit, clusters.unit)
    return PrimaryChoice(
        primary="repeated",
        why=f"There are repeated pairs in each of the {units}, and nothing seen speaks against them.",
    )
