"""How fast states with posterior probabilities are, against the loop a notebook would have.

    python -m benchmarks.states [--rounds 7]

All in turn, so that a machine that slows down slows all: the notebook's loop (densities from ``scipy.stats``, a NumPy
step for every reading, Viterbi and forward-backward over six states, in two ways); ours (all states and cadence
multiples of the program, memory of errors, freezes, the rules that follow). Processor seconds of this one process,
medians. Same readings for all: invented sessions of 40 minutes, one value a second. Writes ``states.md`` beside this
file.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.states import StateInput, StateParameters, label

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Work = Callable[[StateInput], I64]

HERE: Final = Path(__file__).resolve().parent
SEED: Final = 20_310_112
LENGTH: Final = 2400
GOAL: Final = 15.0
GROWTH: Final = 1.3


def session(rng: np.random.Generator, n: int) -> StateInput:
    """One invented session: efforts, halving, doubling, a lock to cadence, a freeze, a wrong value."""
    goal = np.repeat(rng.uniform(85.0, 165.0, n // 120 + 1), 120)[:n]
    rate = np.empty(n)
    value = 110.0
    for i in range(n):
        value += (goal[i] - value) / 30.0
        rate[i] = value
    cadence = 84.0 + np.cumsum(rng.normal(0.0, 0.05, n))
    tested = rate + rng.normal(0.0, 1.0, n)
    for at in range(300, n - 300, 600):
        tested[at : at + 60] *= 0.5
        tested[at + 120 : at + 160] *= 2.0
        tested[at + 220 : at + 280] = cadence[at + 220 : at + 280]
        tested[at + 340 : at + 380] = np.rint(tested[at + 340])
        tested[at + 440 : at + 470] *= 0.78
    view = np.lib.stride_tricks.sliding_window_view(np.concatenate([np.full(30, rate[0]), rate]), 31)
    return StateInput(
        time_s=np.arange(n, dtype=np.float64),
        seconds=np.ones(n),
        tested=np.rint(tested),
        reference=rate,
        low=view.min(axis=1),
        high=view.max(axis=1),
        cadence=cadence,
        averaging_s=8.0,
    )


def ours(data: StateInput) -> I64:
    """States and posteriors as the program gives them."""
    return label(data, StateParameters(), frozen_min_s=10.0, frozen_move=5.0).state.astype(np.int64)


STAY: Final = np.array([0.999, 0.98, 0.98, 0.97, 0.97, 0.9])
ENTER: Final = np.array([0.5, 0.15, 0.1, 0.1, 0.05, 0.1])


def notebook(data: StateInput, *, lean: bool) -> I64:
    """Six states by a step for every reading: most probable path, and posteriors forwards and backwards.

    The passes are in logs with ``logsumexp``, as they are mostly written, or ``lean``: in scaled probabilities, as
    matrix products, which is as quick as such a loop gets.
    """
    from scipy.stats import norm

    x, y, n, k = data.reference, data.tested, data.tested.size, 6
    emission = np.empty((n, k))
    for j, (mean, sd) in enumerate(((1.0, 4.0), (0.5, 3.0), (2.0, 6.0))):
        emission[:, j] = norm.logpdf(y, mean * x, sd)
    emission[:, 3] = np.where((y > 0.55 * x) & (y < 0.95 * x), -np.log(0.4 * x), -12.0)
    emission[:, 4] = np.where(np.append(False, y[1:] == y[:-1]), -np.log(1.5), -12.0)
    emission[:, 5] = -np.log(200.0)
    change = np.log1p(-STAY)[:, None] + np.log(ENTER)[None, :]
    change[np.arange(k), np.arange(k)] = np.log(STAY)
    score = np.log(ENTER) + emission[0]
    back = np.empty((n, k), np.int64)
    for t in range(1, n):
        step = score[:, None] + change
        back[t] = np.argmax(step, axis=0)
        score = step[back[t], np.arange(k)] + emission[t]
    path = np.empty(n, np.int64)
    path[-1] = np.argmax(score)
    for t in range(n - 1, 0, -1):
        path[t - 1] = back[t, path[t]]
    posterior = _scaled(emission, change) if lean else _logs(emission, change)
    return path if posterior.shape == (n, k) else path[:0]


def _logs(emission: F64, change: F64) -> F64:
    from scipy.special import logsumexp

    n, k = emission.shape
    forward, backward = np.empty((n, k)), np.zeros((n, k))
    forward[0] = np.log(ENTER) + emission[0]
    for t in range(1, n):
        forward[t] = logsumexp(forward[t - 1][:, None] + change, axis=0) + emission[t]
    for t in range(n - 2, -1, -1):
        backward[t] = logsumexp(change + (emission[t + 1] + backward[t + 1])[None, :], axis=1)
    both = forward + backward
    out: F64 = np.exp(both - logsumexp(both, axis=1, keepdims=True))
    return out


def _scaled(emission: F64, change: F64) -> F64:
    n, k = emission.shape
    likely, moves = np.exp(emission - emission.max(axis=1, keepdims=True)), np.exp(change)
    forward, backward = np.empty((n, k)), np.ones((n, k))
    forward[0] = ENTER * likely[0]
    for t in range(1, n):
        row = (forward[t - 1] @ moves) * likely[t]
        forward[t] = row / row.sum()
    for t in range(n - 2, -1, -1):
        row = moves @ (likely[t + 1] * backward[t + 1])
        backward[t] = row / row.sum()
    both = forward * backward
    out: F64 = both / both.sum(axis=1, keepdims=True)
    return out


def told(found: float, *, least: float = 0.0, most: float = float("inf")) -> str:
    """Whether a figure meets its goal, in words."""
    return "met" if least <= found <= most else "**not met**"


def seconds_a_reading(work: Work, sessions: list[StateInput]) -> float:
    """Processor seconds, over the readings of all sessions."""
    began = time.process_time()
    for one in sessions:
        work(one)
    return (time.process_time() - began) / sum(one.tested.size for one in sessions)


def main() -> None:
    """Measure in turn, write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=7)
    chosen = parser.parse_args()
    rng = np.random.default_rng(SEED)
    few = [session(rng, LENGTH) for _ in range(10)]
    many = [session(rng, LENGTH) for _ in range(100)]
    long = [session(rng, 10 * LENGTH)]
    logs: Work = partial(notebook, lean=False)
    lean: Work = partial(notebook, lean=True)
    for work in (ours, logs, lean):
        work(few[0])
    tasks: dict[str, tuple[Work, list[StateInput]]] = {
        "notebook's loop, six states, passes in logs": (logs, few[:1]),
        "the same, passes in scaled probabilities": (lean, few[:1]),
        "ours, all states, 10 sessions": (ours, few),
        "ours, all states, 100 sessions": (ours, many),
        "ours, all states, 1 session as long as 10": (ours, long),
    }
    found: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(chosen.rounds):
        for name, (work, sessions) in tasks.items():
            found[name].append(seconds_a_reading(work, sessions))
    middle = {name: statistics.median(values) for name, values in found.items()}
    in_logs, scaled, once, wide, tall = middle.values()
    lines = [
        "# States against a notebook's loop",
        "",
        f"Made by `python -m benchmarks.states`: {chosen.rounds} rounds in turn, medians of processor time, one"
        f" process, {os.cpu_count()} cores, NumPy {np.__version__}. Invented sessions of {LENGTH} readings.",
        "",
        "| what | microseconds a reading | lowest to highest |",
        "| --- | --: | --: |",
        *(f"| {n} | {1e6 * middle[n]:.2f} | {1e6 * min(v):.2f} to {1e6 * max(v):.2f} |" for n, v in found.items()),
        "",
        f"- Goal {GOAL:g} times as fast as the loop in logs: {in_logs / once:.1f}, {told(in_logs / once, least=GOAL)};"
        f" as the loop in scaled probabilities: {scaled / once:.1f}, {told(scaled / once, least=GOAL)}.",
        f"- Goal growth of at most {GROWTH:g} a reading at ten times the size: {max(wide, tall) / once:.2f},"
        f" {told(max(wide, tall) / once, most=GROWTH)}.",
    ]
    (HERE / "states.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
