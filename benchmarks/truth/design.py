"""The grid: which designs there are, as levels of factors written down here, the first level of each being the base.

A design is a small study: one device under test, a reference, several sessions. There are the base, designs in which
one factor has another level (and what must follow from it), clean ones in which nothing fails, and a random crossing
of all factors; each with both generators. Seeds follow from the designs' names.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np

Levels = dict[str, str]

FACTORS: Final[dict[str, tuple[str, ...]]] = {
    "interval": ("1 s", "2 s", "5 s", "10 s", "60 s", "300 s", "600 s", "irregular"),
    "averaging": ("8 s", "1 s", "30 s", "60 s", "120 s", "300 s", "600 s"),
    "smoothing": ("boxcar", "exponential"),
    "delay": ("3 s", "0 s", "10 s", "20 s"),
    "clock": ("slow walk", "shared", "marks", "15 min", "2 h", "zone slips"),
    "drift": ("20 ppm", "0 ppm", "80 ppm"),
    "halved": ("10 %", "0 %", "30 %", "60 %", "90 %"),
    "edges": ("sharp", "10 s", "30 s"),
    "doubled": ("0 %", "30 % of rest"),
    "ratio": ("none", "2/3", "3/2"),
    "cadence": ("far", "near the rate", "near its half", "not recorded"),
    "locked": ("6 %", "0 %", "30 %"),
    "frozen": ("5 %", "0 %", "20 %"),
    "dropout": ("3 % no row", "0 %", "20 % no row", "10 % sentinel"),
    "spikes": ("0 %", "1 %"),
    "onset": ("in time", "15 s late", "30 s late"),
    "reference": ("beats", "artefacts", "gaps", "dry start", "every second beat", "double counting", "smoothed rate"),
    "effort": ("moving", "flat", "half of them flat"),
    "length": ("30 min", "5 min", "2 h", "12 h"),
}
BASE: Final[Levels] = {name: levels[0] for name, levels in FACTORS.items()}
CLEAN: Final[Levels] = {"halved": "0 %", "locked": "0 %", "frozen": "0 %"}
GENERATORS: Final = ("demo", "second")
LENGTHS_S: Final = {"5 min": 300.0, "30 min": 1800.0, "2 h": 7200.0, "12 h": 43200.0}
SESSIONS: Final = {"5 min": 4, "30 min": 3, "2 h": 2, "12 h": 2}
CLEAN_ONES: Final[tuple[Levels, ...]] = (
    {},
    {"averaging": "30 s", "smoothing": "exponential"},
    {"interval": "5 s", "onset": "15 s late"},
    {"reference": "artefacts"},
    {"reference": "every second beat"},
    {"cadence": "near the rate"},
    {"interval": "60 s", "averaging": "30 s"},
    {"effort": "flat"},
)
TOGETHER: Final[tuple[Levels, ...]] = (
    {"smoothing": "exponential", "averaging": "1 s"},
    {"smoothing": "exponential", "averaging": "60 s"},
    {"smoothing": "exponential", "averaging": "300 s"},
    {"cadence": "near its half", "locked": "30 %"},
    {"cadence": "near the rate", "locked": "30 %"},
    {"edges": "30 s", "halved": "30 %"},
    {"clock": "shared", "averaging": "30 s", "delay": "10 s"},
    {"clock": "marks", "averaging": "30 s", "delay": "10 s"},
)
CROSSED: Final = 24
BASE_WEIGHT: Final = 0.45
MOST_FAILING: Final = 0.95


@dataclass(frozen=True, kw_only=True, slots=True)
class Design:
    """One study of the grid.

    Attributes
    ----------
    name : str
        ``generator-kind-...``; the seed follows from it.
    generator : str
        ``demo`` (the package's own) or ``second``.
    kind : str
        ``base``, ``single`` (one factor varied), ``together`` (some at once), ``clean`` or ``crossed``.
    levels : dict
        Factor -> level, all of them.
    """

    name: str
    generator: str
    kind: str
    levels: Levels

    @property
    def seed(self) -> int:
        """Seed of the study."""
        return zlib.crc32(self.name.encode())

    @property
    def n_sessions(self) -> int:
        """Sessions of the study."""
        return SESSIONS[self.levels["length"]]

    @property
    def seconds(self) -> float:
        """Length of a session."""
        return LENGTHS_S[self.levels["length"]]

    @property
    def interval_s(self) -> float | None:
        """Seconds between readings; None where irregular (2.5 s on average)."""
        return None if self.levels["interval"] == "irregular" else number(self.levels["interval"])

    @property
    def averaging_s(self) -> float:
        """Length of the boxcar, or of the boxcar of equal mean age."""
        return number(self.levels["averaging"])

    @property
    def delay_s(self) -> float:
        """From the end of the average to the stamp."""
        return number(self.levels["delay"])

    @property
    def edge_s(self) -> float:
        """How long a change between right and wrong takes, before averaging."""
        return number(self.levels["edges"])

    @property
    def is_clean(self) -> bool:
        """Whether the device never fails but for missing values."""
        fails = (self.share(name) for name in ("halved", "doubled", "ratio", "locked", "frozen", "spikes"))
        return not any(fails)

    def share(self, factor: str) -> float:
        """Share of the time that a failure takes, where it can happen."""
        level = self.levels[factor]
        return {"none": 0.0, "2/3": 0.08, "3/2": 0.08}.get(level, number(level) / 100.0)

    def least_s(self, *, held: bool = False) -> float:
        """Length of the shortest episodes: mostly such as the readings can show, but now and then not."""
        every = self.interval_s or 2.5
        return max(25.0, 0.9 * self.averaging_s, 2.5 * self.edge_s, (3.5 if held else 2.5) * every)

    def mean_s(self, *, held: bool = False) -> float:
        """Mean length of episodes."""
        return max(90.0, 2.2 * self.least_s(held=held))


def number(level: str) -> float:
    """Return the number a level begins with, 0 where there is none."""
    word = level.split(" ")[0]
    return float(word) if word.isdigit() else 0.0


def settled(levels: Levels) -> Levels:
    """Change what cannot be together: long intervals and averages need long sessions, shares must add up."""
    out = dict(levels)
    interval, averaging = number(out["interval"]), number(out["averaging"])
    needed = "12 h" if interval >= 300 else "2 h" if max(interval, averaging) >= 60 else "5 min"
    if LENGTHS_S[out["length"]] < LENGTHS_S[needed]:
        out["length"] = needed
    if out["cadence"] == "not recorded":
        out["locked"] = "0 %"
    for factor in ("ratio", "doubled", "locked", "frozen", "dropout"):
        if sum(number(out[f]) for f in ("halved", "locked", "frozen", "dropout")) / 100 <= MOST_FAILING:
            break
        out[factor] = "none" if factor == "ratio" else "0 %"
    return out


def singles() -> list[tuple[str, str, Levels]]:
    """One factor at another level than the base; slow devices also average longer."""
    out = []
    for factor, levels in FACTORS.items():
        for level in levels[1:]:
            changed = {factor: level}
            if factor == "interval" and number(level) >= 60:
                changed["averaging"] = {"60 s": "30 s", "300 s": "60 s", "600 s": "300 s"}[level]
            out.append((f"{factor}-{level}", "single", changed))
    return out


def crossing(number_of_it: int) -> Levels:
    """Levels of one design of the random crossing, fixed by its number: base with weight 0.45, else any other."""
    rng = np.random.Generator(np.random.PCG64([20_310_505, number_of_it]))
    out = {}
    for factor, levels in FACTORS.items():
        at_base = rng.random() < BASE_WEIGHT
        out[factor] = levels[0] if at_base else str(levels[int(rng.integers(1, len(levels)))])
    if rng.random() < 0.2:
        out |= CLEAN | {"doubled": "0 %", "ratio": "none", "spikes": "0 %"}
    if out["length"] == "12 h" and rng.random() < 0.7:
        out["length"] = "2 h"
    return out


def words(levels: Levels) -> str:
    """Name levels in a file name."""
    plain = "-".join(f"{name}-{level}" for name, level in levels.items())
    return "".join(c if c.isalnum() or c == "-" else "_" for c in plain.replace("%", "pc"))


def designs() -> list[Design]:
    """Return all designs, the generators by turns."""
    named = [("base", "base", {}), *singles()]
    named += [(words(levels), "together", dict(levels)) for levels in TOGETHER]
    named += [(f"clean-{words(levels)}".rstrip("-"), "clean", CLEAN | levels) for levels in CLEAN_ONES]
    named += [(f"crossed-{i:02d}", "crossed", crossing(i)) for i in range(1, CROSSED + 1)]
    return [
        Design(
            name=f"{generator}-{words({name: ''}).rstrip('-')}",
            generator=generator,
            kind=kind,
            levels=settled(BASE | changed),
        )
        for name, kind, changed in named
        for generator in GENERATORS
    ]
