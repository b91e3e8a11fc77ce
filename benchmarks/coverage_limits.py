"""How often intervals of each kind of limits hold the true limits: simulated studies with invented differences.

    python benchmarks/coverage_limits.py --studies 1000

prints the table of docs/limits.md. Differences are normal with known limits; a share of 0.95 of 1,000 studies is
measured to about 0.007.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

import numpy as np

from wearbench.core.agreement import (
    Estimate,
    limits_from_summary,
    quantile_limits,
    regression_limits,
    repeated_limits,
)

MULTIPLIER = 1.96
Study = Callable[[np.random.Generator], list[bool]]


def holds(estimate: Estimate, truth: float) -> bool:
    """Whether an interval holds the truth; an open end holds everything beyond it, no interval holds nothing."""
    if estimate.low is None and estimate.high is None:
        return False
    return (estimate.low is None or estimate.low <= truth) and (estimate.high is None or truth <= estimate.high)


def single(n: int, form: str) -> Study:
    def study(generator: np.random.Generator) -> list[bool]:
        difference = generator.normal(0, 1, n)
        mean, sd = float(difference.mean()), float(difference.std(ddof=1))
        found = limits_from_summary(mean, sd, n, form=form)  # type: ignore[arg-type]
        return [holds(found.bias, 0), holds(found.low, -MULTIPLIER), holds(found.high, MULTIPLIER)]

    return study


def repeated(n: int, quantile: str) -> Study:
    def study(generator: np.random.Generator) -> list[bool]:
        code = np.repeat(np.arange(n), 5)
        difference = generator.normal(0, math.sqrt(0.8), n)[code] + generator.normal(0, math.sqrt(0.2), code.size)
        found = repeated_limits(difference, 0 * difference, code, quantile=quantile)  # type: ignore[arg-type]
        return [holds(found.bias, 0), holds(found.low, -MULTIPLIER), holds(found.high, MULTIPLIER)]

    return study


def regression(n: int, *, clusters: bool, v_shaped: bool, between: float = 0.0) -> Study:
    def study(generator: np.random.Generator) -> list[bool]:
        code = np.repeat(np.arange(n), 30) if clusters else np.arange(n)
        middle = generator.uniform(80, 150, n)[code] if clusters else generator.uniform(50, 180, n)
        average = middle + (generator.normal(0, 20, code.size) if clusters else 0.0)
        sd = 0.03 * average if v_shaped else 3.0
        off = 0.02 * average - 2 + sd * generator.normal(0, 1, code.size) + generator.normal(0, between, n)[code]
        found = regression_limits(
            average + off / 2,
            average - off / 2,
            cluster=code if clusters else None,
            bias="sloping",
            spread="v_shaped" if v_shaped else "constant",
        ).at(110.0)
        bias, total = 0.2, math.hypot(3.3 if v_shaped else 3.0, between)
        low, high = bias - MULTIPLIER * total, bias + MULTIPLIER * total
        return [holds(found.bias, bias), holds(found.low, low), holds(found.high, high)]

    return study


def quantiles(n: int, interval: str | None) -> Study:
    point = 1.959963984540054

    def study(generator: np.random.Generator) -> list[bool]:
        if interval is None:
            code, difference, total = None, generator.normal(0, 5, n), 5.0
        else:
            code = np.repeat(np.arange(n), 100)
            difference = generator.normal(0, 3, n)[code] + generator.normal(0, 4, code.size)
            total = 5.0
        found = quantile_limits(
            difference,
            0 * difference,
            cluster=code,
            interval=interval or "share",  # type: ignore[arg-type]
            resamples=1000,
        )
        return [holds(found.median, 0), holds(found.low, -point * total), holds(found.high, point * total)]

    return study


def rows() -> list[tuple[str, str, Study]]:
    """Kind of limits, how many of what, and one simulated study of it."""
    out: list[tuple[str, str, Study]] = []
    for form in ("exact", "pair", "1999", "1986"):
        out += [(f"single, {form}", f"{n} pairs", single(n, form)) for n in (5, 10, 20, 50)]
    for quantile in ("z", "t"):
        out += [(f"repeated, {quantile}", f"{n} participants", repeated(n, quantile)) for n in (3, 5, 8, 20)]
    for v_shaped in (False, True):
        name = "V-shaped" if v_shaped else "sloping"
        out += [(name, f"{n} pairs", regression(n, clusters=False, v_shaped=v_shaped)) for n in (20, 50, 200)]
        between = 0.0 if v_shaped else 3.0
        out += [
            (name, f"{n} clusters", regression(n, clusters=True, v_shaped=v_shaped, between=between))
            for n in (5, 8, 20, 50)
        ]
    out += [("quantiles, ranks", f"{n} pairs", quantiles(n, None)) for n in (50, 150, 500)]
    out += [("quantiles, share", f"{n} clusters", quantiles(n, "share")) for n in (5, 8, 12, 20, 50)]
    out += [("quantiles, resampled", f"{n} clusters", quantiles(n, "resampled")) for n in (5, 8, 12, 20, 50)]
    return out


def coverage(study: Study, *, studies: int, seed: int) -> list[float]:
    """Share of studies whose interval held bias or median, lower and upper limit."""
    generator = np.random.Generator(np.random.PCG64(seed))
    held = np.array([study(generator) for _ in range(studies)], dtype=np.float64)
    return [float(share) for share in held.mean(axis=0)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20_310_112)
    options = parser.parse_args()
    print("| limits | of | bias or median | lower limit | upper limit |\n|---|---|--:|--:|--:|")
    for place, (name, size, study) in enumerate(rows()):
        held = coverage(study, studies=options.studies, seed=options.seed + place)
        print(f"| {name} | {size} | " + " | ".join(f"{share:.3f}" for share in held) + " |", flush=True)


if __name__ == "__main__":
    main()
