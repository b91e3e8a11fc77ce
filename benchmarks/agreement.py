"""How fast agreement is worked out from sums, against the ways a notebook does it, and how much memory it takes.

    python -m benchmarks.agreement [--rounds 5] [--write]

480,000 invented pairs in 200 sessions of 50 participants. Both sides of a comparison run in turn, round by round, in
one process with one thread; the short side is repeated for half a second a round and divided. Processor seconds are
counted, which other work on the machine disturbs little; the ratio by the clock stands beside. The ratio of each round
is taken, and the middle one stands. Resampling pair by pair takes minutes to hours for 10,000 resamples: a few are
timed and multiplied, and it says so.
``--write`` puts the table into ``benchmarks/agreement.md``.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from wearbench.core.agreement import mixed_limits, pair_sums
from wearbench.core.agreement.moments import Centre, cluster_moments
from wearbench.core.agreement.moments import statistics as statistics_of
from wearbench.core.resample import resampled_totals

SESSIONS, EACH, PER_PERSON = 200, 2400, 4
RESAMPLES = 10_000
SHORT_S = 0.5
THREADS = "OPENBLAS_NUM_THREADS"
SEED = 20_310_112
PAGE = Path(__file__).with_name("agreement.md")
STATISTICS = ("bias", "mae", "mape", "rmse", "within_tolerance", "variance", "ccc")


@dataclass(frozen=True, kw_only=True, slots=True)
class Pairs:
    """Invented pairs: a rate, a device that errs by person, session and reading."""

    tested: np.ndarray
    reference: np.ndarray
    session: np.ndarray

    @property
    def participant(self) -> np.ndarray:
        return self.session // PER_PERSON


def invented() -> Pairs:
    generator = np.random.Generator(np.random.PCG64(SEED))
    n = SESSIONS * EACH
    session = np.repeat(np.arange(SESSIONS), EACH)
    reference = np.clip(120 + 25 * np.sin(np.arange(n) / 300) + generator.normal(0, 8, n), 45, 200)
    own = generator.normal(0, 2, SESSIONS // PER_PERSON)[session // PER_PERSON]
    day = generator.normal(0, 1.5, SESSIONS)[session]
    return Pairs(
        tested=np.rint(reference + own + day + generator.normal(0, 4, n)), reference=reference, session=session
    )


# ---- ours


def limits_by_session(pairs: Pairs) -> tuple[float, float]:
    found = mixed_limits(pairs.tested, pairs.reference, participant=pairs.session)
    return found.fit.mean, float(found.sd.value or 0)


def limits_nested(pairs: Pairs) -> tuple[float, float]:
    found = mixed_limits(pairs.tested, pairs.reference, participant=pairs.participant, session=pairs.session)
    return found.fit.mean, float(found.sd.value or 0)


def sums_of_sessions(pairs: Pairs) -> np.ndarray:
    """Sums of each session, as a run makes them: one session after the other."""
    ends = np.flatnonzero(np.diff(pairs.session)) + 1
    columns = (np.split(column, ends) for column in (pairs.tested, pairs.reference))
    return np.stack([pair_sums(tested, reference, tolerance=5.0) for tested, reference in zip(*columns, strict=True)])


def bootstrap_of_sums(sums: np.ndarray) -> np.ndarray:
    """Percentile intervals of every statistic from 10,000 resamples."""
    centre = Centre(reference=120.0, tested=120.0, difference=0.0)
    moments = cluster_moments(sums, centre)
    totals = resampled_totals(moments.rows, resamples=RESAMPLES, seed=SEED, name="benchmark")
    found = statistics_of(totals, centre)
    return np.quantile(np.stack([found[name] for name in STATISTICS]), [0.025, 0.975], axis=1).T


def bootstrap_from_pairs(pairs: Pairs) -> np.ndarray:
    return bootstrap_of_sums(sums_of_sessions(pairs))


# ---- as a notebook does it


def general_library(pairs: Pairs, *, nested: bool) -> tuple[float, float]:
    """A general mixed-model library over all pairs; its own defaults."""
    import statsmodels.api as sm

    d = pairs.tested - pairs.reference
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if nested:
            import pandas as pd

            frame = pd.DataFrame({"d": d, "who": pairs.participant, "which": pairs.session % PER_PERSON})
            model = sm.MixedLM.from_formula(
                "d ~ 1", groups="who", re_formula="1", vc_formula={"session": "0 + C(which)"}, data=frame
            )
        else:
            model = sm.MixedLM(d, np.ones((d.size, 1)), groups=pairs.session)
        fit = model.fit(reml=True)
    parts = float(np.sum(fit.vcomp)) if nested else 0.0
    total = float(fit.scale) + float(np.asarray(fit.cov_re)[0, 0]) + parts
    return float(np.asarray(fit.params)[0]), total**0.5


def statistics_of_pairs(x: np.ndarray, y: np.ndarray, size: np.ndarray) -> tuple[float, ...]:
    """The same statistics of one resample, from its pairs; ``size`` pairs follow each other in each session."""
    d = y - x
    n, k = d.size, size.size
    sums = np.add.reduceat(d, np.concatenate([[0], np.cumsum(size)[:-1]]))
    between = float((sums**2 / size).sum()) - float(d.sum()) ** 2 / n
    within = float((d**2).sum()) - float((sums**2 / size).sum())
    m0 = (n - float((size.astype(float) ** 2).sum()) / n) / (k - 1)
    variance = max(0.0, (between / (k - 1) - within / (n - k)) / m0) + within / (n - k)
    mean = float(d.mean())
    size_of = np.abs(d)
    together = 2 * float(np.mean(x * y) - x.mean() * y.mean()) / (float(x.var()) + float(y.var()) + mean**2)
    rms = float(np.sqrt((d**2).mean()))
    return (
        mean,
        float(size_of.mean()),
        100 * float((size_of / x).mean()),
        rms,
        float((size_of <= 5).mean()),
        variance,
        together,
    )


def resampling_frames(pairs: Pairs, *, count: int) -> np.ndarray:
    """Resample sessions as data frames joined end to end."""
    import pandas as pd

    frame = pd.DataFrame({"x": pairs.reference, "y": pairs.tested, "s": pairs.session})
    parts = [part for _, part in frame.groupby("s")]
    generator = np.random.default_rng(1)
    found = []
    for _ in range(count):
        drawn = pd.concat(
            [parts[pick].assign(s=at) for at, pick in enumerate(generator.integers(0, len(parts), len(parts)))]
        )
        sizes = drawn.groupby("s").size().to_numpy()
        found.append(statistics_of_pairs(drawn["x"].to_numpy(), drawn["y"].to_numpy(), sizes))
    return np.array(found)


def resampling_arrays(pairs: Pairs, *, count: int) -> np.ndarray:
    """The same by index arrays: about the best that a notebook does pair by pair."""
    rows = np.split(np.arange(pairs.session.size), np.flatnonzero(np.diff(pairs.session)) + 1)
    generator = np.random.default_rng(1)
    found = []
    for _ in range(count):
        drawn = [rows[pick] for pick in generator.integers(0, len(rows), len(rows))]
        at = np.concatenate(drawn)
        found.append(statistics_of_pairs(pairs.reference[at], pairs.tested[at], np.array([row.size for row in drawn])))
    return np.array(found)


# ---- measuring


@dataclass(frozen=True, kw_only=True, slots=True)
class Cost:
    """Seconds of the processor and of the clock."""

    cpu_s: float
    wall_s: float


def timed(work: Callable[[], object], *, at_least_s: float) -> Cost:
    """Cost of one run, from as many as fill the time."""
    wall, cpu, repeats = time.perf_counter(), time.process_time(), 0
    while repeats == 0 or time.perf_counter() - wall < at_least_s:
        work()
        repeats += 1
    return Cost(cpu_s=(time.process_time() - cpu) / repeats, wall_s=(time.perf_counter() - wall) / repeats)


def compare(
    what: str, ours: Callable[[], object], other: Callable[[], object], *, rounds: int, times: int = 1, note: str
) -> str:
    """One row of the table."""
    ours()  # what is imported at first use is no part of the work; the other side ran before, to compare results
    mine, theirs = [], []
    for _ in range(rounds):
        mine.append(timed(ours, at_least_s=SHORT_S))
        theirs.append(timed(other, at_least_s=0))
    cpu = [times * b.cpu_s / a.cpu_s for a, b in zip(mine, theirs, strict=True)]
    wall = statistics.median(times * b.wall_s / a.wall_s for a, b in zip(mine, theirs, strict=True))
    cells = (
        what,
        said(statistics.median(cost.cpu_s for cost in mine)),
        said(times * statistics.median(cost.cpu_s for cost in theirs)),
        f"{statistics.median(cpu):,.0f}",
        f"{min(cpu):,.0f} to {max(cpu):,.0f}" if rounds > 1 else "one round",
        f"{wall:,.0f}",
        note,
    )
    return f"| {' | '.join(cells)} |"


def said(seconds: float) -> str:
    if seconds < 1:
        return f"{1000 * seconds:.1f} ms"
    return f"{seconds:.1f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def growth_mb(task: str) -> float:
    """Growth of the high-water mark of resident memory of a process that holds the pairs, while it does a task."""
    pairs = invented()
    with tempfile.TemporaryDirectory() as folder:
        names = [Path(folder) / f"{name}.npy" for name in ("tested", "reference", "session")]
        for name, column in zip(names, (pairs.tested, pairs.reference, pairs.session), strict=True):
            np.save(name, column)
        command = [sys.executable, "-m", "benchmarks.agreement", "--task", task, *map(str, names)]
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=os.environ)
    return float(done.stdout)


def high_water_mb() -> float:
    """Greatest resident memory of this program; the system's own figure begins at that of the process it came from."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(row for row in status.read_text().splitlines() if row.startswith("VmHWM:"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024**2 if sys.platform == "darwin" else 1024)


TASKS = {"limits": limits_by_session, "limits, nested": limits_nested, "bootstrap": bootstrap_from_pairs}


def child(task: str, files: list[str]) -> None:
    tested, reference, session = (np.load(name) for name in files)
    pairs = Pairs(tested=tested, reference=reference, session=session)
    before = high_water_mb()
    TASKS[task](pairs)
    print(high_water_mb() - before)


def agree(pairs: Pairs) -> None:
    """Both sides give the same, else there is nothing to compare."""
    ours, theirs = limits_by_session(pairs), general_library(pairs, nested=False)
    np.testing.assert_allclose(ours, theirs, rtol=1e-3)
    ends, some = bootstrap_from_pairs(pairs), resampling_arrays(pairs, count=60)
    middle = some.mean(axis=0)
    if not np.all((ends[:, 0] < middle) & (middle < ends[:, 1])):
        raise SystemExit(f"resampling pair by pair lies outside the intervals from sums: {middle} in {ends}")


def page(rounds: int) -> str:
    pairs = invented()
    agree(pairs)
    library = "statsmodels MixedLM, all pairs"
    sums = sums_of_sessions(pairs)
    resampling = "10,000 resamples of 200 sessions, 7 intervals"
    rows = [
        compare(
            "limits, mixed model, 200 groups, from the pairs on",
            lambda: limits_by_session(pairs),
            lambda: general_library(pairs, nested=False),
            rounds=rounds,
            note=library,
        ),
        compare(
            "limits, mixed model, 200 sessions in 50 participants, from the pairs on",
            lambda: limits_nested(pairs),
            lambda: general_library(pairs, nested=True),
            rounds=1,
            note=library,
        ),
        *(
            compare(
                f"{resampling}, from {start}",
                ours,
                partial(work, pairs, count=count),
                rounds=rounds,
                times=RESAMPLES // count,
                note=f"{way}; {count} resamples timed, times {RESAMPLES // count:,}",
            )
            for way, work, count in (("data frames", resampling_frames, 4), ("index arrays", resampling_arrays, 10))
            for start, ours in (
                ("the sums", lambda: bootstrap_of_sums(sums)),
                ("the pairs on", lambda: bootstrap_from_pairs(pairs)),
            )
        ),
    ]
    memory = {task: growth_mb(task) for task in TASKS}
    held = (pairs.tested.nbytes + pairs.reference.nbytes + pairs.session.nbytes) / 1024**2
    lines = [
        "# Agreement from sums: how fast, how much memory",
        "",
        f"Written by `python -m benchmarks.agreement --write` from {SESSIONS * EACH:,} invented pairs in {SESSIONS} "
        f"sessions of {SESSIONS // PER_PERSON} participants; {rounds} rounds, both sides in turn, one thread, "
        f"processor time; other work kept the machine at a load of {os.getloadavg()[0]:.0f}. Python "
        f"{platform.python_version()}, NumPy {np.__version__}, {platform.machine()}, {os.cpu_count()} processors.",
        "",
        "| what | ours | pair by pair | ratio | least to greatest | ratio by the clock | pair by pair is |",
        "|---|---|---|---|---|---|---|",
        *rows,
        "",
        "A run makes the sums while it reads; the lines from the pairs on include making them.",
        "",
        f"Growth of the greatest resident memory over that of a process which holds the pairs ({held:.0f} MB), what is "
        "imported at first use included:",
        "",
        "| what | growth |",
        "|---|---|",
        *(f"| {task} | {grown:.0f} MB |" for task, grown in memory.items()),
        "",
    ]
    return "\n".join(lines)


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--task", choices=list(TASKS), help=argparse.SUPPRESS)
    parser.add_argument("files", nargs="*", help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.task:
        child(chosen.task, chosen.files)
        return
    if os.environ.get(THREADS) != "1":  # read when NumPy is imported, so from the start
        command = [sys.executable, "-m", "benchmarks.agreement", *arguments]
        raise SystemExit(subprocess.run(command, env=os.environ | {THREADS: "1"}, check=False).returncode)
    text = page(chosen.rounds)
    print(text)
    if chosen.write:
        PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
