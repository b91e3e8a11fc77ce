"""How often intervals of agreement of categories hold the truth: invented nights of 30-s epochs, sleep and wake.

    python benchmarks/coverage/categories.py --studies 500

Nights differ in how well the device tells (``differs``: share right is Beta(17, 3); ``fails``: .9, and in a quarter of
nights it says sleep throughout); epochs stay alike for a while, which the clusters need not know. Prints the table of
the page on intervals.
"""

from __future__ import annotations

import argparse

import numpy as np

from wearbench.core.agreement import cohen_kappa, summarise_categories
from wearbench.core.agreement.classes import class_parts
from wearbench.core.agreement.kappa import category_statistics

EPOCHS = 900
NAMES = ("accuracy", "kappa", "ac1", "mcc", "specificity[0]")


def nights(rng: np.random.Generator, k: int, kind: str) -> np.ndarray:
    """Confusion matrices of ``k`` nights: 0 is sleep, 1 is wake; runs of 10 epochs are alike."""
    asleep = np.repeat(rng.random((k, EPOCHS // 10)) < rng.beta(16, 3, (k, 1)), 10, axis=1)
    right = rng.beta(17, 3, (k, 1)) if kind == "differs" else np.full((k, 1), 0.9)
    said = np.where(np.repeat(rng.random((k, EPOCHS // 10)) < right, 10, axis=1), asleep, ~asleep)
    if kind == "fails":
        said |= rng.random((k, 1)) < 0.25
    pair = np.where(asleep, 0, 2) + np.where(said, 0, 1)
    return np.stack([np.sum(pair == code, axis=1) for code in range(4)], axis=1).reshape(k, 2, 2)


def values(counts: np.ndarray) -> dict[str, np.ndarray]:
    top, bottom = class_parts(counts.astype(float))["specificity"]
    with np.errstate(invalid="ignore"):
        return {**category_statistics(counts), "specificity[0]": top[..., 0] / bottom[..., 0]}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--studies", type=int, default=500)
    studies = parser.parse_args().studies
    print("| nights | how many | " + " | ".join((*NAMES, "kappa, night first", "kappa, naive")) + " |")
    print("|---" * (len(NAMES) + 4) + "|")
    for kind in ("differs", "fails"):
        many = nights(np.random.default_rng(1), 60_000, kind)
        pooled = {n: float(v) for n, v in values(many.sum(axis=0)).items()}
        first = float(np.nanmean(values(many)["kappa"]))
        for k in (4, 8, 12, 20, 50):
            rng = np.random.default_rng(20_310_112 + k)
            held = np.zeros(len(NAMES) + 2)
            for _ in range(studies):
                counts = nights(rng, k, kind)
                found = summarise_categories(counts, session=np.arange(k), participant=np.zeros(k, int))
                held[:-2] += [_holds(found.pooled[n], pooled[n]) for n in NAMES]
                held[-2] += _holds(found.first["kappa"], first)
                held[-1] += _holds(cohen_kappa(counts.sum(axis=0)), pooled["kappa"])
            print(f"| {kind} | {k} | " + " | ".join(f"{h / studies:.3f}" for h in held) + " |", flush=True)


def _holds(estimate: object, truth: float) -> bool:
    low, high = estimate.low, estimate.high  # type: ignore[attr-defined]
    return low is not None and bool(low <= truth <= high)


if __name__ == "__main__":
    main()
