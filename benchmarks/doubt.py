"""How often doubt in the reference is found where it was planted, and how often it is raised where there is none.

    python -m benchmarks.doubt [--sessions 25] [--write]

Hearts come from both simulators; each gets every trouble and every rhythm in turn, from fixed seeds. A recorder writes
RR intervals, or only a rate: a mean over 5 s once a second, an exponential mean once a second, a mean over 5 s every
5 s. Scored by seconds: doubt within 5 s of a planted stretch is neither counted for nor against. Everything here is
invented; real recordings of arrhythmia would be a better judge.
``--write`` puts the table into ``benchmarks/doubt.md``.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.truth.second_heart import heart
from wearbench.core.doubt import Doubt, doubt_of_intervals
from wearbench.core.ratedoubt import doubt_of_rate
from wearbench.simulator.parameters import Bout, Person, SessionPlan
from wearbench.simulator.physiology import rate_course, true_beats

F64 = NDArray[np.float64]
Span = tuple[float, float]
Made = tuple[F64, list[Span]]
Maker = Callable[[F64, np.random.Generator], Made]

PAGE = Path(__file__).with_name("doubt.md")
SEED = 4_200
EDGE_S = 5.0
LEAP = float(np.log(1.5))


def demo_heart(rng: np.random.Generator) -> F64:
    """Beats of one session of the package's own simulator."""
    person = Person(
        rest_bpm=float(rng.uniform(48, 75)),
        max_bpm=float(rng.uniform(168, 198)),
        rise_s=float(rng.uniform(15, 35)),
        fall_s=float(rng.uniform(30, 70)),
        respiratory_share=float(rng.uniform(0.02, 0.10)),
        ectopics_per_h=float(rng.uniform(0, 12)),
    )
    efforts = [0.0, *rng.uniform(0.0, 0.95, 7).tolist()]
    bouts = tuple(
        Bout(activity="a", intensity="b", seconds=float(rng.uniform(120, 360)), effort=float(e)) for e in efforts
    )
    plan = SessionPlan(name="S", start=datetime(2031, 1, 12, tzinfo=UTC), person=person, bouts=bouts)
    beats = true_beats(rate_course(plan, rng), person, rng)
    return np.sort(beats[(beats > 0) & (beats < plan.seconds)])


def second_heart(rng: np.random.Generator) -> F64:
    """Beats of one session of the independent simulator, drawn again where the rate leaps as no heart does.

    It may double its rate within 2 s at the edge of two activities; beats alone could not tell that from a miscount.
    """
    while True:
        person = heart(rng, shift=float(rng.uniform(-8, 8)), steady=False)
        beats = person.beat_s[(person.beat_s > 0) & (person.beat_s < person.seconds)]
        time = np.arange(5.0, person.seconds - 5.0)
        rate = person.rate(time - 2.5, time + 2.5)
        if float(np.abs(np.log(rate[5:] / rate[:-5])).max()) < LEAP:
            return beats


def stretch(beats: F64, rng: np.random.Generator, length_s: float, *, where: str = "inside") -> Span:
    """Where a trouble lies: anywhere inside, at the start, or up to the end."""
    last = float(beats[-1])
    if where == "start":
        return 0.0, length_s
    if where == "end":
        return last - length_s, last
    start = float(rng.uniform(60.0, last - length_s - 60.0))
    return start, start + length_s


def inside(beats: F64, span: Span) -> NDArray[np.bool_]:
    return (beats >= span[0]) & (beats <= span[1])


# Troubles of the recorder: what it takes for beats, and where it is wrong.


def every_second(length_s: float, *, where: str = "inside", missed: float = 1.0) -> Maker:
    """Every second beat is missed, or most of the time."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        span = stretch(beats, rng, length_s, where=where)
        within = inside(beats, span)
        skip = within & (np.cumsum(within) % 2 == 0) & (rng.random(beats.size) < missed)
        return beats[~skip], [span]

    return make


def double_count(length_s: float, *, where: str = "inside", seen: float = 1.0, jitter: float = 0.01) -> Maker:
    """The second wave of each beat, or of most, is counted too."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        span = stretch(beats, rng, length_s, where=where)
        gap = np.diff(beats, append=beats[-1] + 1.0)
        # from the R peak to the T wave's: a share of the interval that shrinks with its square root (Bazett 1920)
        later = float(rng.uniform(0.26, 0.34)) * np.sqrt(gap) * (1 + jitter * rng.standard_normal(gap.size))
        twice = inside(beats, span) & (rng.random(beats.size) < seen) & (later < 0.8 * gap)
        return np.sort(np.concatenate([beats, (beats + later)[twice]])), [span]

    return make


def split_anywhere(length_s: float) -> Maker:
    """A second count in each beat, now here, now there: 35 to 60 % of the way to the next."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        span = stretch(beats, rng, length_s)
        later = rng.uniform(0.35, 0.6, beats.size) * np.diff(beats, append=beats[-1] + 1.0)
        return np.sort(np.concatenate([beats, (beats + later)[inside(beats, span)]])), [span]

    return make


def dry(length_s: float, *, how: str, where: str = "start") -> Maker:
    """A dry or loose strap: rubbish, beats missed and invented, or one rate that it is stuck at."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        span = stretch(beats, rng, length_s, where=where)
        bad = inside(beats, span)
        if how == "rubbish":
            new = span[0] + np.cumsum(rng.uniform(0.28, 1.6, 4000))
        elif how == "stuck":
            new = span[0] + np.cumsum(60.0 / rng.uniform(170, 225) * (1 + 0.01 * rng.standard_normal(4000)))
        else:
            shaken = beats[bad] + 0.05 * rng.standard_normal(int(bad.sum()))
            extra = beats[bad] + rng.uniform(0.2, 0.6, int(bad.sum())) * np.diff(beats, append=beats[-1] + 1)[bad]
            new = np.concatenate([shaken[rng.random(shaken.size) > 0.22], extra[rng.random(extra.size) < 0.22]])
        new = new[inside(new, span)]
        found = np.sort(np.concatenate([beats[~bad], new]))
        return found[np.append(True, np.diff(found) > 0.2)], [span]

    return make


def other_rate(length_s: float) -> Maker:
    """It counts something else for a while: a steady rate 1.5 to 1.8 or 0.55 to 0.67 times the true one."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        span = stretch(beats, rng, length_s)
        bad = inside(beats, span)
        times = rng.uniform(1.5, 1.8) if rng.random() < 0.5 else rng.uniform(0.55, 0.67)
        usual = float(np.median(np.diff(beats[bad]))) / times
        new = span[0] + np.cumsum(usual * (1 + 0.02 * rng.standard_normal(4000)))
        found = np.sort(np.concatenate([beats[~bad], new[inside(new, span)]]))
        return found[np.append(True, np.diff(found) > 0.2)], [span]

    return make


# Hearts that are as they are: nothing here is the recorder's fault.


def as_it_is(beats: F64, _: np.random.Generator) -> Made:
    return beats, []


def _redrawn(beats: F64, span: Span, lengths: Callable[[F64], F64]) -> F64:
    """The heart with other intervals within a span; what comes after is moved along."""
    gap = np.diff(beats)
    within = inside(beats[:-1], span)
    gap[within] = lengths(gap[within])
    return np.concatenate([beats[:1], beats[0] + np.cumsum(gap)])


def bigeminy(beats: F64, rng: np.random.Generator) -> Made:
    span = stretch(beats, rng, float(rng.uniform(60, 400)))
    early = float(rng.uniform(0.58, 0.75))

    def lengths(gap: F64) -> F64:
        return gap * np.where(np.arange(gap.size) % 2, 2 - early, early)

    return _redrawn(beats, span, lengths), []


def trigeminy(beats: F64, rng: np.random.Generator) -> Made:
    span = stretch(beats, rng, float(rng.uniform(60, 400)))
    early = float(rng.uniform(0.55, 0.75))

    def lengths(gap: F64) -> F64:
        share: F64 = np.array([1.0, early, 2 - early])[np.arange(gap.size) % 3]
        return gap * share

    return _redrawn(beats, span, lengths), []


def fibrillation(*, whole: bool) -> Maker:
    """Irregularly irregular: intervals without memory, SD 18 to 25 % of their mean."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        span = (0.0, float(beats[-1])) if whole else stretch(beats, rng, float(rng.uniform(120, 500)))
        sd = float(rng.uniform(0.18, 0.25))

        def lengths(gap: F64) -> F64:
            return np.maximum(gap * 0.85 * np.exp(sd * rng.standard_normal(gap.size)), 0.26)

        return _redrawn(beats, span, lengths), []

    return make


def tachycardia(low: float, high: float) -> Maker:
    """A tachycardia that starts and ends within a beat, at a multiple of the rate before."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        span = stretch(beats, rng, float(rng.uniform(30, 240)))
        gap = np.diff(beats)[inside(beats[:-1], span)]
        rate = min(60.0 / float(gap[0]) * float(rng.uniform(low, high)), 215.0)

        def lengths(gap: F64) -> F64:
            return 60.0 / rate * (1 + 0.012 * rng.standard_normal(gap.size))

        return _redrawn(beats, span, lengths), []

    return make


def deep_breathing(beats: F64, rng: np.random.Generator) -> Made:
    span = stretch(beats, rng, float(rng.uniform(60, 300)))
    depth, start = float(rng.uniform(0.12, 0.28)), span[0]
    gap = np.diff(beats)
    within = inside(beats[:-1], span)
    gap[within] *= 1 + depth * np.sin(2 * np.pi * (beats[:-1][within] - start) / 10.0)
    return np.concatenate([beats[:1], beats[0] + np.cumsum(gap)]), []


def premature(share: float) -> Maker:
    def make(beats: F64, rng: np.random.Generator) -> Made:
        gap = np.diff(beats, prepend=beats[0] - 1.0)
        early = rng.random(beats.size) < share
        early[1:] &= ~early[:-1]
        return beats - np.where(early, rng.uniform(0.2, 0.42, beats.size) * gap, 0.0), []

    return make


def standing(beats: F64, rng: np.random.Generator) -> Made:
    """Standing up from rest: up by 25 to 45 bpm within 8 to 12 s, back within 20 s; five times."""
    gap = np.diff(beats)
    at = beats[:-1]
    for start in rng.uniform(60, beats[-1] - 120, 5).tolist():
        rise = float(rng.uniform(25, 45))
        shape = np.interp(at - start, [0, 10, 14, 34], [0, 1, 1, 0.15], left=0, right=0)
        gap = 60.0 / (60.0 / gap + rise * shape)
    return np.concatenate([beats[:1], beats[0] + np.cumsum(gap)]), []


def sprints(beats: F64, rng: np.random.Generator) -> Made:
    """Up by 45 to 75 bpm within 18 s and back within 40 s, again and again."""
    start = stretch(beats, rng, 600.0)[0]
    rise = float(rng.uniform(45, 75))
    time = np.arange(0.0, beats[-1], 0.5)
    pulse = np.interp((time - start) % 75.0, [0, 18, 25, 65, 75], [0, 1, 1, 0, 0])
    rate = np.interp(time, beats[:-1], 60.0 / np.diff(beats))
    block = np.interp(time, [start - 90.0, start, start + 600.0, start + 690.0], [0, 1, 1, 0])
    rate = (1 - block) * rate + block * (np.minimum(rate, 100.0) + rise * pulse)
    phase = np.cumsum(rate / 120.0)
    return np.interp(np.arange(1.0, phase[-1]), phase, time), []


def vagal(beats: F64, rng: np.random.Generator) -> Made:
    """The rate falls by 35 to 45 % within 5 s, stays for a while and comes back over a minute."""
    start = stretch(beats, rng, 150.0)[0]
    depth = float(rng.uniform(0.35, 0.45))
    gap, at = np.diff(beats), beats[:-1]
    shape = np.interp(at - start, [0, 5, 40, 100], [0, 1, 1, 0], left=0, right=0)
    return np.concatenate([beats[:1], beats[0] + np.cumsum(gap / (1 - depth * shape))]), []


def single(missed: float, extra: float) -> Maker:
    """Single beats missed or invented: the artefact filter's work, not a doubt."""

    def make(beats: F64, rng: np.random.Generator) -> Made:
        gap = np.diff(beats, append=beats[-1] + 1.0)
        more = beats + rng.uniform(0.3, 0.7, beats.size) * gap
        keep = rng.random(beats.size) > missed
        return np.sort(np.concatenate([beats[keep], more[rng.random(beats.size) < extra]])), []

    return make


TROUBLES: dict[str, Maker] = {
    "every second beat, 15 s": every_second(15),
    "every second beat, 60 s": every_second(60),
    "every second beat, 300 s": every_second(300),
    "every second beat, first 120 s": every_second(120, where="start"),
    "every second beat, last 120 s": every_second(120, where="end"),
    "every second beat, nine in ten, 120 s": every_second(120, missed=0.9),
    "double count, 20 s": double_count(20),
    "double count, 90 s": double_count(90),
    "double count, 300 s": double_count(300),
    "double count, nine in ten, 120 s": double_count(120, seen=0.9),
    "double count, second now here, now there, 120 s": split_anywhere(120),
    "dry start, rubbish, 45 s": dry(45, how="rubbish"),
    "dry start, missed and invented, 90 s": dry(90, how="mixed"),
    "dry start, stuck, 45 s": dry(45, how="stuck"),
    "loose strap, rubbish, 40 s": dry(40, how="rubbish", where="inside"),
    "loose strap, missed and invented, 60 s": dry(60, how="mixed", where="inside"),
    "another rate, 60 s": other_rate(60),
}
HEARTS: dict[str, Maker] = {
    "as it is": as_it_is,
    "bigeminy": bigeminy,
    "trigeminy": trigeminy,
    "like atrial fibrillation, minutes": fibrillation(whole=False),
    "like atrial fibrillation, all along": fibrillation(whole=True),
    "tachycardia within a beat, 1.3 to 1.7 times": tachycardia(1.3, 1.7),
    "tachycardia within a beat, 1.8 to 2.2 times": tachycardia(1.8, 2.2),
    "deep breathing": deep_breathing,
    "premature beats, 8 %": premature(0.08),
    "standing up": standing,
    "sprints": sprints,
    "sudden fall": vagal,
    "single beats missed, 3 %": single(0.03, 0.0),
    "single beats missed and invented, 2 % each": single(0.02, 0.02),
}


def recorded(beats: F64, how: str, rng: np.random.Generator) -> tuple[Doubt, ...]:
    """What doubt is found in one way of recording."""
    if how == "RR":
        whole = np.round(beats * 1024) / 1024
        length = np.diff(whole)
        return doubt_of_intervals(whole[:-1], length, known=length <= 3.0)
    over_s = 5.0
    time = np.arange(np.ceil(beats[0]) + over_s, np.floor(beats[-1]), 1.0)
    count = np.arange(beats.size, dtype=np.float64)
    if how == "rate, exponential":
        fine = np.interp(time, beats, count) - np.interp(time - 1.0, beats, count)
        rate = np.empty(time.size)
        value = float(fine[:10].mean())
        for i, step in enumerate(fine.tolist()):
            value += (step - value) * (1 - np.exp(-1 / 4.0))
            rate[i] = 60.0 * value
    else:
        rate = 60.0 * (np.interp(time, beats, count) - np.interp(time - over_s, beats, count)) / over_s
    if how == "rate every 5 s":
        time, rate = time[::5], rate[::5]
    return doubt_of_rate(time, np.round(rate))


WAYS = ("RR", "rate, mean of 5 s", "rate, exponential", "rate every 5 s")


@dataclass(kw_only=True, slots=True)
class Score:
    """Sums of one kind and one way of recording."""

    planted_s: float = 0.0
    found_s: float = 0.0
    clean_s: float = 0.0
    false_s: float = 0.0
    sessions: int = 0
    with_false: int = 0
    worst: list[tuple[float, str]] = field(default_factory=list)

    def add(self, doubts: tuple[Doubt, ...], spans: list[Span], last_s: float, name: str) -> None:
        grid = np.arange(0.0, last_s, 0.5) + 0.25
        doubted, planted, edge = (np.zeros(grid.size, dtype=bool) for _ in range(3))
        for d in doubts:
            doubted |= (grid >= d.start_s) & (grid <= d.end_s)
        for a, b in spans:
            planted |= (grid >= a) & (grid <= b)
            edge |= (np.abs(grid - a) < EDGE_S) | (np.abs(grid - b) < EDGE_S)
        clean = ~planted & ~edge
        sure = planted & ~edge
        self.planted_s += 0.5 * float(sure.sum())
        self.found_s += 0.5 * float((sure & doubted).sum())
        self.clean_s += 0.5 * float(clean.sum())
        false = 0.5 * float((clean & doubted).sum())
        self.false_s += false
        self.sessions += 1
        self.with_false += false > 0
        missed = 0.5 * float((sure & ~doubted).sum())
        said = ", ".join(f"{d.why} {d.start_s:.0f}-{d.end_s:.0f}" for d in doubts)
        self.worst.append((missed + false, f"{name}: planted {[(round(a), round(b)) for a, b in spans]}, found {said}"))


def scores(n: int, only: str = "") -> Iterator[tuple[str, str, str, Score]]:
    """Group, kind, way and score of all of them."""
    hearts = {
        name: [draw(np.random.default_rng([SEED, k, at])) for k in range(n)]
        for at, (name, draw) in enumerate((("demo", demo_heart), ("second", second_heart)))
    }
    for group, makers in (("trouble", TROUBLES), ("heart", HEARTS)):
        for number, (kind, make) in enumerate(makers.items()):
            if only and only not in kind:
                continue
            told = {way: Score() for way in WAYS}
            for name, mine in hearts.items():
                for k, beats in enumerate(mine):
                    rng = np.random.default_rng([SEED, number, k])
                    found, spans = make(beats, rng)
                    for way in WAYS:
                        doubts = recorded(found, way, rng)
                        told[way].add(doubts, spans, float(found[-1]), f"{name} {k}")
            for way in WAYS:
                yield group, kind, way, told[way]


def main() -> None:
    """Run, print, and write the page where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=25, help="hearts of each simulator")
    parser.add_argument("--only", default="", help="kinds whose name holds this; prints the worst sessions")
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    rows = list(scores(asked.sessions, asked.only))
    lines = page(rows, asked.sessions)
    sys.stdout.write("\n".join(lines) + "\n")
    if asked.only:
        for _, kind, way, score in rows:
            for lost, said in sorted(score.worst, reverse=True)[:3]:
                sys.stdout.write(f"{kind} / {way}: {lost:.0f} s: {said}\n")
    elif asked.write:
        PAGE.write_text("\n".join(lines) + "\n", encoding="utf-8")


def page(rows: list[tuple[str, str, str, Score]], n: int) -> list[str]:
    """The page in lines."""
    lines = [
        "# Doubt in the reference",
        "",
        f"`python -m benchmarks.doubt --sessions {n} --write`: {2 * n} invented sessions of each kind, {n} hearts",
        "of each of two simulators, by seconds. Doubt within 5 s of the edge of a planted stretch counts neither way.",
    ]
    for group, title, head in (
        ("trouble", "Share of planted seconds that were doubted", "trouble of the recorder"),
        ("heart", "Share of seconds doubted though nothing was wrong", "heart"),
    ):
        kinds = list(dict.fromkeys(kind for g, kind, _, _ in rows if g == group))
        if not kinds:
            continue
        lines += ["", f"## {title}", "", f"| {head} | " + " | ".join(WAYS) + " |", "|---|" + "---|" * len(WAYS)]
        for kind in kinds:
            mine = {way: s for g, k, way, s in rows if (g, k) == (group, kind)}
            lines.append(f"| {kind} | " + " | ".join(cell(group, mine[way]) for way in WAYS) + " |")
        everything = {way: [s for g, _, w, s in rows if (g, w) == (group, way)] for way in WAYS}
        if group == "trouble":
            said = [f"{sum(s.false_s for s in e) / sum(s.clean_s for s in e):.2%}" for e in everything.values()]
            lines.append("| *time outside these stretches that was doubted* | " + " | ".join(said) + " |")
    return lines


def cell(group: str, score: Score) -> str:
    """Sensitivity, or false-alarm share and in how many sessions."""
    if group == "trouble":
        return f"{score.found_s / score.planted_s:.3f}"
    return f"{score.false_s / score.clean_s:.2%} ({score.with_false} of {score.sessions})"


if __name__ == "__main__":
    main()
