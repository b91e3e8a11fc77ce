"""The score of one study of the grid, by the rules of acceptance; sums that can be added over studies.

Built on `benchmarks.truth.score`. In addition: what cannot be told apart counts either way, true ``between`` and
episodes shorter than the averaging are left out, edges of called episodes are laid beside the true ones, and the
reference's doubt is judged against what was wrong with it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from datetime import timedelta
from typing import Any, Final

import polars as pl

from benchmarks.truth.score import FALSE_ALARMS, KEY, clock_rows, joined, number

Row = dict[str, Any]

SCORED: Final = ("halved", "doubled", "cadence_locked", "frozen")
SENSOR: Final = ("halved", "doubled", "off_ratio", "cadence_locked", "astray")
LEAST_EDGE_S: Final = 5.0
EDGE_READINGS: Final = 2.0
INSEPARABLE_SHARE: Final = 0.03
INSEPARABLE_PER_MIN: Final = 1.0
SIMPLE_RATIOS: Final = (2 / 3, 3 / 2)
LOCK_MULTIPLES: Final = (1.0, 2.0)
RATES: Final = ("halved", "doubled", "cadence_locked")
DOUBT_MARGIN_S: Final = 20.0
LOWEST_BPM: Final = 25.0
HIGHEST_BPM: Final = 250.0
DOUBTED: Final = ("dry", "every_second", "double_count")


def credited(rows: pl.DataFrame) -> pl.DataFrame:
    """Let either name count where two cannot be told apart; add ``unsure``, where that is so.

    A true state with ``also = "cadence_locked"`` is a rate and a cadence at once: called one or the other, it is right.
    A true lock called ``halved`` with ``also = "cadence_locked"`` is right where the recorded cadence is half the
    recorded rate within 3 % and a beat a minute, what whole numbers on both sides can hide.
    """
    either = (pl.col("also") == "cadence_locked") & pl.col("state").is_in(["halved", "doubled"])
    named = either & (pl.col("said_state") == "cadence_locked")
    half = pl.col("said_reference") / 2
    near = (pl.col("said_cadence") - half).abs() <= INSEPARABLE_SHARE * half + INSEPARABLE_PER_MIN
    both = (pl.col("said_state") == "halved") & (pl.col("said_also") == "cadence_locked")
    hidden = (pl.col("state") == "cadence_locked") & near.fill_null(value=False)
    simple = _ratio_is_cadence()
    swapped = (pl.col("state") == "off_ratio") & (pl.col("said_state") == "cadence_locked")
    swapped = swapped | ((pl.col("state") == "cadence_locked") & (pl.col("said_state") == "off_ratio"))
    right = named | (hidden & both.fill_null(value=False)) | (swapped & simple)
    return rows.with_columns(
        said_state=pl.when(right).then(pl.col("state")).otherwise(pl.col("said_state")),
        unsure=(either | hidden | (swapped & simple)).fill_null(value=False),
    )


def _ratio_is_cadence() -> pl.Expr:
    """Whether the ratio and the multiple that are at stake are one value: of the two, what was said is known."""
    found = pl.lit(value=False)
    for ratio in SIMPLE_RATIOS:
        for multiple in LOCK_MULTIPLES:
            value = ratio * pl.col("said_reference")
            near = (multiple * pl.col("said_cadence") - value).abs() <= INSEPARABLE_SHARE * value + INSEPARABLE_PER_MIN
            lock = (pl.col("said_state") == "cadence_locked") & ((pl.col("said_ratio") - multiple).abs() < 0.01)
            other = (pl.col("said_state") == "off_ratio") & ((pl.col("said_ratio") - ratio).abs() < 0.01)
            found = found | (near & (lock | other)).fill_null(value=False)
    return found


def without_short(rows: pl.DataFrame, spells: pl.DataFrame, averaging: pl.DataFrame) -> pl.DataFrame:
    """Leave out readings whose true window touches a failure shorter than the averaging (``short_episode``).

    Failures of the output (held, missing) touch the readings made while they lasted.

    Parameters
    ----------
    rows : DataFrame
        As from `benchmarks.truth.score.joined`.
    spells : DataFrame
        ``session, device, kind, start, end`` of the device's true failures.
    averaging : DataFrame
        ``session, device, averaging_s, delay_s``.
    """
    lasts = (pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6
    short = spells.join(averaging, on=KEY).filter(lasts < pl.col("averaging_s"))
    if short.is_empty():
        return rows
    numbered = rows.with_row_index("row")
    touching: list[int] = []
    for spell in short.iter_rows(named=True):
        mine = numbered.filter((pl.col("session") == spell["session"]) & (pl.col("device") == spell["device"]))
        start, end = pl.col("start"), pl.col("end")
        if spell["kind"] not in SENSOR:
            made = pl.col("end") + timedelta(seconds=spell["delay_s"])
            start = end = made
        inside = mine.filter((start < spell["end"]) & (end > spell["start"]))
        touching += inside["row"].to_list()
    left = pl.col("row").is_in(touching) & pl.col("excluded").is_null()
    changed = pl.when(left).then(pl.lit("short_episode")).otherwise(pl.col("excluded"))
    return numbered.with_columns(excluded=changed).drop("row")


def without_between(rows: pl.DataFrame) -> pl.DataFrame:
    """Leave out readings that truly are between two states."""
    left = (pl.col("state") == "between") & pl.col("excluded").is_null()
    return rows.with_columns(excluded=pl.when(left).then(pl.lit("between")).otherwise(pl.col("excluded")))


def without_impossible(rows: pl.DataFrame) -> pl.DataFrame:
    """Leave out readings beside a reference that nobody's heart can have (``reference_impossible``).

    The program judges no window whose reference is out of the range of a heart rate: a recorder that counts double
    near 130 beats a minute prints such. That is trouble of the reference, as doubt is; there is none to judge by.
    """
    beyond = (pl.col("said_reference") < LOWEST_BPM) | (pl.col("said_reference") > HIGHEST_BPM)
    left = (pl.col("said_reason") == "out_of_range") & beyond.fill_null(value=False) & pl.col("excluded").is_null()
    changed = pl.when(left.fill_null(value=False)).then(pl.lit("reference_impossible")).otherwise(pl.col("excluded"))
    return rows.with_columns(excluded=changed)


def runs(states: list[str], wanted: str) -> list[tuple[int, int]]:
    """Return first and last index of each unbroken run of a state."""
    found: list[tuple[int, int]] = []
    for i, state in enumerate(states):
        if state != wanted:
            continue
        if found and found[-1][1] == i - 1:
            found[-1] = (found[-1][0], i)
        else:
            found.append((i, i))
    return found


def edges_of(mine: Row) -> dict[str, int]:
    """Lay called episodes of one session beside the true ones, on the true clock.

    An episode and a true run of its state belong together if they share readings; of several, the one sharing most.
    Where a reading that is left out (but as ``between``) lies at either edge or between them, the edge is not judged;
    nor where one name ends and another begins of two that cannot be told apart there.

    Parameters
    ----------
    mine : dict of lists
        Of a session's readings in order: ``state, said_state, excluded, unsure, at_s`` and, one number,
        ``interval_s``.

    Returns
    -------
    dict
        ``called`` episodes, those ``without`` a true run; ``edges`` judged, and ``edges_within`` max(5 s, two
        readings).
    """
    out = {"called": 0, "without": 0, "edges": 0, "edges_within": 0}
    at_s, n = mine["at_s"], len(mine["at_s"])
    slack_s = max(LEAST_EDGE_S, EDGE_READINGS * mine["interval_s"]) + 1e-6
    blind = [why is not None and why != "between" for why in mine["excluded"]]
    for state in SCORED:
        true = runs(mine["state"], state)
        for first, last in runs(mine["said_state"], state):
            if all(blind[first : last + 1]):
                continue
            out["called"] += 1
            shared = [(min(last, b) - max(first, a) + 1, a, b) for a, b in true]
            most = max(shared, default=(0, 0, 0))
            if most[0] <= 0:
                out["without"] += 1
                continue
            for said, truly, outer in ((first, most[1], most[1] - 1), (last, most[2], most[2] + 1)):
                low, high = min(said, truly), max(said, truly)
                if any(blind[max(low - 1, 0) : min(high + 2, n)]):
                    continue
                renamed = 0 <= outer < n and mine["state"][outer] in RATES
                if renamed and (mine["unsure"][outer] or mine["unsure"][truly]):
                    continue
                out["edges"] += 1
                out["edges_within"] += abs(at_s[said] - at_s[truly]) <= slack_s
    return out


def overlap_s(spans: list[tuple[float, float]], start: float, end: float) -> float:
    """Return how much of [start, end] disjoint spans cover."""
    return sum(max(0.0, min(b, end) - max(a, start)) for a, b in spans)


def joined_spans(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return spans in order, overlapping ones made one."""
    out: list[tuple[float, float]] = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        else:
            out.append((a, b))
    return out


def doubt_of(wrong: list[tuple[str, float, float]], said: list[tuple[float, float]], seconds: float) -> Row:
    """Judge the doubt about one session's reference, in seconds of that reference.

    Parameters
    ----------
    wrong : list of (kind, start, end)
        What was wrong with it; missing packets (``lost``) are no matter of doubt.
    said : list of (start, end)
        What was called doubtful.
    seconds : float
        Of reference.

    Returns
    -------
    dict
        ``kinds``: kind -> [true seconds, of them doubted]; ``right_s``: seconds more than 20 s from anything wrong, and
        ``false_s``: of them doubted.
    """
    said = joined_spans(said)
    kinds: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for kind, start, end in wrong:
        if kind in DOUBTED:
            kinds[kind][0] += end - start
            kinds[kind][1] += overlap_s(said, start, end)
    around = joined_spans([(a - DOUBT_MARGIN_S, b + DOUBT_MARGIN_S) for _, a, b in wrong])
    near = sum(b - a for a, b in around)
    false = sum(b - a - overlap_s(around, a, b) for a, b in said)
    return {"kinds": dict(kinds), "right_s": max(seconds - near, 0.0), "false_s": false}


def windows_of(document: Row, averaging_s: float, delay_s: float, device: str) -> Row:
    """Lay averaging and delay of a device, as found over the study, beside the truth."""
    found: Row = next((w for w in document["windows"] if w["device"] == device and w["quantity"] == "heart_rate"), {})

    def of(key: str) -> float | None:
        value = found.get(key)
        return float(value) if isinstance(value, int | float) and math.isfinite(value) else None

    return {
        "averaging_s": averaging_s,
        "said_averaging_s": of("averaging_s"),
        "averaging_low_s": of("low_s"),
        "averaging_high_s": of("high_s"),
        "delay_s": delay_s,
        "said_delay_s": of("delay_s") if found.get("delay_known") else None,
        "delay_low_s": of("delay_low_s"),
        "delay_high_s": of("delay_high_s"),
    }


def states_of(mine: pl.DataFrame) -> Row:
    """Sum up one session's states in seconds."""
    judged = mine.filter(pl.col("excluded").is_null())
    left = mine.filter(pl.col("excluded").is_not_null()).group_by("excluded").agg(pl.col("seconds").sum())
    sums = judged.group_by("state", "said_state").agg(pl.col("seconds").sum()).sort("state", "said_state")
    confusion = [[a, b, round(s, 3)] for a, b, s in sums.iter_rows()]
    return {
        "confusion": confusion,
        "left_out_s": {k: round(v, 3) for k, v in sorted(left.iter_rows())},
        "judged_s": round(float(judged["seconds"].sum()), 3),
        "faithful_s": sum(s for a, _, s in confusion if a == "faithful"),
        "alarm_s": sum(s for a, b, s in confusion if a == "faithful" and b in FALSE_ALARMS),
        "wrong_s": sum(s for a, b, s in confusion if a != b),
    }


def doubled_where_halved(mine: pl.DataFrame, wrong: pl.DataFrame) -> tuple[float, float]:
    """Return seconds of readings made while the reference counted every second beat; of them those called doubled."""
    inside = pl.lit(value=False)
    for start, end in wrong.filter(pl.col("kind") == "every_second").select("start", "end").iter_rows():
        inside = inside | ((pl.col("start") < end) & (pl.col("end") > start))
    there = mine.filter(inside & ~pl.col("sentinel") & (pl.col("state") != "doubled"))
    called = there.filter(pl.col("said_state") == "doubled")
    return float(there["seconds"].sum()), float(called["seconds"].sum())


def seconds_of(spans: pl.DataFrame) -> list[tuple[float, float]]:
    """Return spans of instants as seconds."""
    both = spans.select(pl.col("start").dt.epoch("us") / 1e6, pl.col("end").dt.epoch("us") / 1e6)
    return [(a, b) for a, b in both.iter_rows()]


def doubt_rows(document: Row, wrong: pl.DataFrame) -> dict[str, Row]:
    """Judge the reference's doubt in each session."""
    out = {}
    for row in document["references"]:
        if row["quantity"] != "heart_rate" or not row.get("chosen", True):
            continue
        mine = wrong.filter(pl.col("session") == row["session"])
        true = [(kind, a, b) for kind, (a, b) in zip(mine["kind"], seconds_of(mine), strict=True)]
        said = [(d["start"].timestamp(), d["end"].timestamp()) for d in row["doubts"]]
        out[row["session"]] = doubt_of(true, said, float(row["seconds"]))
    return out


def judged_as_said(table: pl.DataFrame, sessions: pl.DataFrame, clocks: list[Row]) -> pl.DataFrame:
    """Judge an interval that is said to be the clock's own (``offset_is = "clock"``) against the true offset.

    Where clock and delay were told apart, the interval no longer speaks of the window's centre.
    """
    own = [c for c in clocks if c.get("offset_is") == "clock" and number(c.get("low_s")) <= number(c.get("high_s"))]
    said = pl.DataFrame(
        [{"session": c["session"], "device": c["device"], "low_s": c["low_s"], "high_s": c["high_s"]} for c in own],
        schema={"session": pl.String, "device": pl.String, "low_s": pl.Float64, "high_s": pl.Float64},
    )
    both = table.join(said, on=KEY, how="left", maintain_order="left").join(
        sessions.select(*KEY, "offset_s"), on=KEY, how="left", maintain_order="left"
    )
    inside = (pl.col("offset_s") >= pl.col("low_s")) & (pl.col("offset_s") <= pl.col("high_s"))
    kept = pl.when(pl.col("low_s").is_not_null() & pl.col("covers").is_not_null()).then(inside)
    return both.with_columns(covers=kept.otherwise(pl.col("covers"))).drop("low_s", "high_s", "offset_s")


def score_study(
    readings: pl.DataFrame,
    sessions: pl.DataFrame,
    spells: pl.DataFrame,
    wrong: pl.DataFrame,
    pairs: pl.DataFrame,
    document: Row,
) -> list[Row]:
    """Score one study of the grid.

    Parameters
    ----------
    readings, sessions, spells, wrong : DataFrame
        Truth: readings, sessions (with ``bound_s``), failures of devices, and what was wrong with the reference.
    pairs : DataFrame
    document : dict
        What the program made of it.

    Returns
    -------
    list of dict
        One row a session and device, ready for JSON.
    """
    rows = joined(readings, pairs.filter(pl.col("quantity") == "heart_rate"))
    clocks = [c for c in document["clock"] if c["quantity"] == "heart_rate"]
    table = judged_as_said(clock_rows(rows, sessions, clocks), sessions, clocks)
    rows = without_impossible(credited(rows))
    rows = without_between(without_short(rows, spells, sessions.select(*KEY, "averaging_s", "delay_s")))
    doubts = doubt_rows(document, wrong)
    out = []
    for clock in table.to_dicts():
        mine = rows.filter((pl.col("session") == clock["session"]) & (pl.col("device") == clock["device"]))
        mine = mine.sort("time", "source_row")
        truth = sessions.filter((pl.col("session") == clock["session"]) & (pl.col("device") == clock["device"]))
        halved_s, doubled_s = doubled_where_halved(mine, wrong.filter(pl.col("session") == clock["session"]))
        episodes = {
            "state": mine["state"].to_list(),
            "said_state": mine["said_state"].to_list(),
            "excluded": mine["excluded"].to_list(),
            "unsure": mine["unsure"].to_list(),
            "at_s": (mine["end"].dt.epoch("us") / 1e6).to_list(),
            "interval_s": usual_interval_s(mine),
        }
        one = {
            **clock,
            **states_of(mine),
            **edges_of(episodes),
            "doubt": doubts.get(clock["session"]),
            "reference_halved_s": halved_s,
            "called_doubled_there_s": doubled_s,
            "window": windows_of(document, truth["averaging_s"].item(), truth["delay_s"].item(), clock["device"]),
        }
        out.append(one)
    return out


def usual_interval_s(mine: pl.DataFrame) -> float:
    """Return the median time between a session's readings."""
    gap = mine["time"].diff().dt.total_microseconds().median()
    return float(gap) / 1e6 if isinstance(gap, int | float) else 0.0
