"""Sums over sessions of the grid: the figures of acceptance, overall and by level of a factor."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from typing import Any, Final

import numpy as np

from benchmarks.truth.design import FACTORS, GENERATORS
from benchmarks.truth.gridscore import SCORED
from benchmarks.truth.score import BOUND_S, CENTRE_S, NO_STATE, REFUSED, share

Row = dict[str, Any]

KNOWN_CLOCKS: Final = ("shared", "marks")
NEAR_S, NEAR_SHARE = 1.0, 0.1


def clock_sums(rows: list[Row]) -> Row:
    """Centres where the bound allows them to be known, intervals and trust elsewhere."""
    sharp = [r for r in rows if bound_of(r) <= BOUND_S]
    blunt = [r for r in rows if bound_of(r) > BOUND_S]
    within = sum(r["abs_error_s"] is not None and r["abs_error_s"] <= CENTRE_S for r in sharp)
    searched = [r for r in blunt if r["levels"]["clock"] != "shared"]  # a shared clock is given, not found
    answered = [r for r in searched if r["covers"] is not None]
    unaided = [r for r in blunt if r["levels"]["clock"] not in KNOWN_CLOCKS]
    return {
        "n_sharp": len(sharp),
        "n_sharp_within": within,
        "n_sharp_refused": sum(r["abs_error_s"] is None for r in sharp),
        "share_sharp_within": share(within, len(sharp)),
        "share_sharp_covered": share(
            sum(r["covers"] is True for r in sharp), sum(r["covers"] is not None for r in sharp)
        ),
        "n_blunt": len(searched),
        "n_blunt_answered": len(answered),
        "n_blunt_refused": sum(r["abs_error_s"] is None for r in searched),
        "n_blunt_open": sum(r["abs_error_s"] is not None and r["covers"] is None for r in searched),
        "share_blunt_covered": share(sum(r["covers"] for r in answered), len(answered)),
        "n_blunt_unaided": len(unaided),
        "n_blunt_good": sum(r["trust"] == "good" for r in unaided),
        "n_blunt_good_within": sum(r["trust"] == "good" and (r["abs_error_s"] or 0.0) <= CENTRE_S for r in unaided),
        "n_wrong_and_good": sum(
            r["trust"] == "good" and r["abs_error_s"] is not None and r["abs_error_s"] > 5.0 for r in rows
        ),
    }


def bound_of(row: Row) -> float:
    """A session's bound, infinite where nothing can be known."""
    return float("inf") if row["bound_s"] is None else float(row["bound_s"])


def confusion_of(rows: list[Row], *, weigh: Callable[[Row], float]) -> dict[tuple[str, str], float]:
    """Add up confusions."""
    sums: dict[tuple[str, str], float] = defaultdict(float)
    for row in rows:
        for state, said, seconds in row["confusion"]:
            sums[state, said] += seconds * weigh(row)
    return dict(sums)


def f1_of(confusion: dict[tuple[str, str], float], state: str) -> Row:
    """Precision, recall and F1 of a state."""
    true = sum(s for (a, _), s in confusion.items() if a == state)
    said = sum(s for (_, b), s in confusion.items() if b == state)
    hit = confusion.get((state, state), 0.0)
    unsaid = confusion.get((state, NO_STATE), 0.0)
    return {
        "true_s": true,
        "said_s": said,
        "precision": share(hit, said),
        "recall": share(hit, true),
        "f1": share(2 * hit, true + said) if true > 0 else None,
        "f1_given": share(2 * hit, true - unsaid + said) if true > unsaid else None,
    }


def state_sums(rows: list[Row]) -> Row:
    """F1 of each scored state by seconds, and with each session counting the same; false alarms; edges."""
    by_seconds = confusion_of(rows, weigh=lambda _: 1.0)
    alike = confusion_of(rows, weigh=lambda r: 1.0 / r["judged_s"] if r["judged_s"] else 0.0)
    clean = [r for r in rows if r["clean"]]
    edges = sum(r["edges"] for r in rows)
    left: dict[str, float] = defaultdict(float)
    for row in rows:
        for why, seconds in row["left_out_s"].items():
            left[why] += seconds
    return {
        "judged_s": sum(r["judged_s"] for r in rows),
        "left_out_s": dict(sorted(left.items())),
        "unsaid_s": sum(s for (_, b), s in by_seconds.items() if b == NO_STATE),
        "states": {s: f1_of(by_seconds, s) for s in (*SCORED, "faithful", "off_ratio", "astray")},
        "alike": {s: f1_of(alike, s)["f1"] for s in SCORED},
        "alarm_share": share(sum(r["alarm_s"] for r in rows), sum(r["faithful_s"] for r in rows)),
        "alarm_share_clean": share(sum(r["alarm_s"] for r in clean), sum(r["faithful_s"] for r in clean)),
        "n_clean": len(clean),
        "edges": edges,
        "edges_within": share(sum(r["edges_within"] for r in rows), edges),
        "called": sum(r["called"] for r in rows),
        "without": sum(r["without"] for r in rows),
        "confusion": [[a, b, round(s, 1)] for (a, b), s in sorted(by_seconds.items())],
    }


def doubt_sums(rows: list[Row]) -> Row:
    """Sensitivity of the doubt about the reference by kind; false doubt by what the reference was like."""
    kinds: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    false: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for row in rows:
        if row["doubt"] is None:
            continue
        for kind, (true, caught) in row["doubt"]["kinds"].items():
            kinds[kind][0] += true
            kinds[kind][1] += caught
        like = row["levels"]["reference"]
        false[like][0] += row["doubt"]["right_s"]
        false[like][1] += row["doubt"]["false_s"]
    return {
        "kinds": {k: {"true_s": t, "sensitivity": share(c, t)} for k, (t, c) in sorted(kinds.items())},
        "false": {k: {"right_s": t, "share": share(f, t)} for k, (t, f) in sorted(false.items())},
        "false_share": share(sum(f for _, f in false.values()), sum(t for t, _ in false.values())),
        "reference_halved_s": sum(r["reference_halved_s"] for r in rows),
        "called_doubled_there_s": sum(r["called_doubled_there_s"] for r in rows),
    }


def window_sums(rows: list[Row]) -> Row:
    """Averaging and delay, one a study, where a shared clock or marks let them be told apart."""
    studies = {r["design"]: r for r in rows if r["levels"]["clock"] in KNOWN_CLOCKS}
    out: Row = {"n": len(studies)}
    for name, low, high in (
        ("averaging", "averaging_low_s", "averaging_high_s"),
        ("delay", "delay_low_s", "delay_high_s"),
    ):
        each = [r["window"] for r in studies.values()]
        given = [w for w in each if w[f"said_{name}_s"] is not None]
        errors = [abs(w[f"said_{name}_s"] - w[f"{name}_s"]) for w in given]
        near = sum(e <= max(NEAR_S, NEAR_SHARE * w[f"{name}_s"]) for e, w in zip(errors, given, strict=True))
        bounded = [w for w in given if w[low] is not None and w[high] is not None]
        covered = sum(w[low] - 1e-9 <= w[f"{name}_s"] <= w[high] + 1e-9 for w in bounded)
        out[name] = {
            "n_given": len(given),
            "median_error_s": float(np.median(errors)) if errors else None,
            "n_near": near,
            "share_near": share(near, len(studies)),
            "share_covered": share(covered, len(bounded)),
        }
    return out


def sums_of(rows: list[Row]) -> Row:
    """Return all figures of some sessions."""
    return {
        "n_sessions": len(rows),
        "n_studies": len({r["design"] for r in rows}),
        "clock": clock_sums(rows),
        "states": state_sums(rows),
        "doubt": doubt_sums(rows),
        "windows": window_sums(rows),
    }


def summed(rows: list[Row]) -> Row:
    """Return the whole table: overall, by generator, by level of each factor, by kind of design."""

    def brief(some: list[Row]) -> Row:
        one = sums_of(some)
        del one["states"]["confusion"]
        return one

    return {
        "all": sums_of(rows),
        "generators": {g: brief([r for r in rows if r["generator"] == g]) for g in GENERATORS},
        "kinds": {k: brief(list(one)) for k, one in grouped(rows, lambda r: r["kind"]).items()},
        "factors": {
            factor: {level: brief([r for r in rows if r["levels"][factor] == level]) for level in levels}
            for factor, levels in FACTORS.items()
        },
        "refused": {trust: sum(r["trust"] == trust for r in rows) for trust in ("good", "weak", REFUSED)},
    }


def grouped(rows: Iterable[Row], key: Callable[[Row], str]) -> dict[str, list[Row]]:
    """Group rows by a word."""
    out: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        out[key(row)].append(row)
    return dict(out)
