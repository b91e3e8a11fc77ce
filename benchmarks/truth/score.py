"""Score results against truth: clocks by their window centres, states by seconds.

    python -m benchmarks.truth.score STUDY      prints the table, writes STUDY/truth/score.md and score.json

``STUDY`` holds ``truth/readings.parquet`` and ``truth/sessions.parquet`` (see ``README.md`` beside this file) and
``results/pairs.parquet`` and ``results/results.json`` as the folder contract has them.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any, Final

import polars as pl

STATES: Final = (
    "faithful",
    "halved",
    "doubled",
    "off_ratio",
    "cadence_locked",
    "between",
    "frozen",
    "astray",
)
FALSE_ALARMS: Final = tuple(s for s in STATES if s not in ("faithful", "between"))
NOT_JUDGED_REASONS: Final = ("no_reference", "reference_doubtful", "covered_too_little")
NO_STATE: Final = "none"
REFUSED: Final = "refused"
BOUND_S: Final = 0.3
CENTRE_S: Final = 1.0
LONGEST_INTERVALS: Final = 1.5
ROWS_AGREE: Final = 0.9
SAID: Final = ("start", "end", "state", "used", "reason", "also", "cadence", "reference", "ratio")
KEY: Final = ["session", "device"]


def with_seconds(readings: pl.DataFrame) -> pl.DataFrame:
    """Add ``seconds``: time to the session's next reading, at most 1.5 of its usual (median) intervals.

    The last reading of a session counts for one usual interval. Rows come back in order of time.
    """
    ordered = readings.sort([*KEY, "time", "source_row"])
    gap = ((pl.col("time").shift(-1) - pl.col("time")).dt.total_microseconds() / 1e6).over(KEY)
    usual = pl.col("gap").median().over(KEY).fill_null(0.0)
    seconds = pl.min_horizontal(pl.col("gap").fill_null(usual), LONGEST_INTERVALS * usual)
    return ordered.with_columns(gap=gap).with_columns(seconds=seconds).drop("gap")


def lined_up(truth: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Bring ``source_row`` of the pairs to the truth's count.

    Rows of a file may be counted with or without its heading lines. The constant between the two counts is taken from
    the stamps, for each session and device.

    Raises
    ------
    ValueError
        If no constant makes nine in ten of the stamps of a session agree within a second: something else is wrong.
    """
    known = truth.select(*KEY, pl.col("source_row").cast(pl.Int64).alias("true_row"), "time").sort("time")
    stamped = pairs.with_columns(pl.col("source_row").cast(pl.Int64)).sort("time")
    near = stamped.join_asof(known, on="time", by=KEY, strategy="nearest", tolerance="1s", check_sortedness=False)
    shift = near.group_by(KEY).agg(shift=(pl.col("source_row") - pl.col("true_row")).drop_nulls().mode().min())
    moved = stamped.join(shift, on=KEY, how="left", maintain_order="left").with_columns(
        source_row=pl.col("source_row") - pl.col("shift").fill_null(0)
    )
    both = moved.join(
        known.rename({"true_row": "source_row", "time": "true_time"}), on=[*KEY, "source_row"], how="left"
    )
    agree = (pl.col("time") - pl.col("true_time")).abs() <= pl.duration(seconds=1)
    for session, device, part in both.group_by(KEY).agg(agree.fill_null(value=False).mean()).sort(KEY).iter_rows():
        if part < ROWS_AGREE:
            message = f"{session} {device}: expected rows of truth and results to bear the same stamps, {part:.0%} do"
            raise ValueError(message)
    return moved.drop("shift")


def joined(truth: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Put each reading's truth beside what was said of it; readings without a pair stay, with nothing said."""
    said = (
        lined_up(truth, pairs)
        .select(
            *KEY,
            "source_row",
            *(pl.col(name).alias(f"said_{name}") for name in SAID if name in pairs.columns),
        )
        .unique([*KEY, "source_row"], keep="first", maintain_order=True)
    )
    kept = with_seconds(truth.with_columns(pl.col("source_row").cast(pl.Int64)))
    found = kept.join(said, on=[*KEY, "source_row"], how="left", maintain_order="left")
    excluded = (
        pl.when(pl.col("sentinel"))
        .then(pl.lit("sentinel"))
        .when(pl.col("said_reason").is_in(NOT_JUDGED_REASONS))
        .then(pl.col("said_reason"))
    )
    return found.with_columns(excluded=excluded, said_state=pl.col("said_state").fill_null(NO_STATE))


def centre_errors(rows: pl.DataFrame) -> pl.DataFrame:
    """Return, for each session, the error of the window centres in seconds (said minus true).

    Columns ``error_s`` (median), ``abs_error_s`` (median of absolute errors; null when no window was given).
    """
    centre = [pl.col(f"{p}start").cast(pl.Int64) / 2 + pl.col(f"{p}end").cast(pl.Int64) / 2 for p in ("said_", "")]
    error = (centre[0] - centre[1]) / 1e6
    placed = rows.filter(~pl.col("sentinel"))
    return placed.group_by(KEY, maintain_order=True).agg(
        error_s=error.median(), abs_error_s=error.abs().median(), n_placed=error.is_not_null().sum(), n=pl.len()
    )


def clock_rows(rows: pl.DataFrame, sessions: pl.DataFrame, clocks: list[dict[str, Any]]) -> pl.DataFrame:
    """Return one row a session and device: bound, centre error, whether the clock's interval covers the truth.

    The interval is judged where it can be judged whatever was declared or estimated of delay and averaging: shifted to
    the window centre. It covers when the centre's error, taken off the offset, leads inside [low, high].
    """
    said = pl.DataFrame(
        [
            {
                "session": clock["session"],
                "device": clock["device"],
                "below_s": number(clock.get("offset_s")) - number(clock.get("low_s")),
                "above_s": number(clock.get("high_s")) - number(clock.get("offset_s")),
                "trust": clock.get("trust"),
            }
            for clock in clocks
        ],
        schema={
            "session": pl.String,
            "device": pl.String,
            "below_s": pl.Float64,
            "above_s": pl.Float64,
            "trust": pl.String,
        },
    ).unique(KEY, keep="first", maintain_order=True)
    table = sessions.select(*KEY, "bound_s").join(centre_errors(rows), on=KEY, how="left", maintain_order="left")
    table = table.join(said, on=KEY, how="left", maintain_order="left")
    refused = pl.col("trust").eq_missing(pl.lit(REFUSED))  # windows of a refused clock are nobody's claim
    table = table.with_columns(pl.when(~refused).then(pl.col(name)).alias(name) for name in ("error_s", "abs_error_s"))
    need = -pl.col("error_s")
    known = pl.col("error_s").is_not_null() & pl.col("below_s").is_finite() & pl.col("above_s").is_finite()
    return table.with_columns(
        covers=pl.when(known).then((need >= -pl.col("below_s")) & (need <= pl.col("above_s"))),
        interval_s=pl.col("below_s") + pl.col("above_s"),
    )


def number(value: object) -> float:
    """Return a JSON number as float, anything else as NaN."""
    return float(value) if isinstance(value, int | float) else math.nan


def share(part: float, whole: float) -> float | None:
    """Divide, or say that there is nothing to divide."""
    return part / whole if whole > 0 else None


def clock_score(table: pl.DataFrame) -> dict[str, Any]:
    """Sum up clocks: within a second where the bound allows it, covered by the interval elsewhere."""
    sharp = table.filter(pl.col("bound_s") <= BOUND_S)
    blunt = table.filter(pl.col("bound_s") > BOUND_S)
    within = int((sharp["abs_error_s"] <= CENTRE_S).sum())
    covered = table.filter(pl.col("covers").is_not_null())
    return {
        "n_sharp": sharp.height,
        "n_sharp_within_1_s": within,
        "n_sharp_without_answer": sharp["abs_error_s"].null_count(),
        "share_sharp_within_1_s": share(within, sharp.height),
        "median_abs_error_sharp_s": sharp["abs_error_s"].median(),
        "n_blunt": blunt.height,
        "n_blunt_without_answer": int(blunt["covers"].is_null().sum()),
        "n_blunt_covered": int(blunt["covers"].fill_null(value=False).sum()),
        "share_blunt_covered": share(
            int(blunt["covers"].fill_null(value=False).sum()), int(blunt["covers"].is_not_null().sum())
        ),
        "share_all_covered": share(int(covered["covers"].sum()), covered.height),
        "median_interval_s": covered["interval_s"].median(),
    }


def state_score(rows: pl.DataFrame) -> dict[str, Any]:
    """Sum up states by seconds: confusion, precision, recall and F1 of each, false alarms.

    Sentinels, and readings whose reference the results call missing or doubtful, are left out and counted. Readings to
    which no state was given (a refused clock) are misses; ``f1_given`` is F1 without them.
    """
    judged = rows.filter(pl.col("excluded").is_null())
    left_out = rows.filter(pl.col("excluded").is_not_null()).group_by("excluded").agg(pl.col("seconds").sum())
    sums = judged.group_by("state", "said_state").agg(pl.col("seconds").sum())
    confusion: dict[str, dict[str, float]] = {state: {} for state in STATES}
    for state, said, seconds in sums.iter_rows():
        confusion.setdefault(state, {})[said] = seconds
    per_state = {}
    for state in STATES:
        true_s = sum(confusion[state].values())
        said_s = sum(row.get(state, 0.0) for row in confusion.values())
        hit_s = confusion[state].get(state, 0.0)
        per_state[state] = {
            "true_s": true_s,
            "said_s": said_s,
            "precision": share(hit_s, said_s),
            "recall": share(hit_s, true_s),
            "f1": share(2 * hit_s, true_s + said_s),
            "f1_given": share(2 * hit_s, true_s - confusion[state].get(NO_STATE, 0.0) + said_s),
        }
    faithful_s = per_state["faithful"]["true_s"] or 0.0
    alarms_s = sum(confusion["faithful"].get(state, 0.0) for state in FALSE_ALARMS)
    return {
        "judged_s": float(judged["seconds"].sum()),
        "left_out_s": dict(sorted(left_out.iter_rows())),
        "without_state_s": sum(row.get(NO_STATE, 0.0) for row in confusion.values()),
        "per_state": per_state,
        "false_alarm_share": share(alarms_s, faithful_s),
        "confusion_s": confusion,
    }


def worst_sessions(rows: pl.DataFrame, clocks: pl.DataFrame, *, most: int = 8) -> list[dict[str, Any]]:
    """Return the sessions with the most seconds called wrongly, with what they were mostly taken for."""
    judged = rows.filter(pl.col("excluded").is_null())
    wrong = judged.filter(pl.col("state") != pl.col("said_state"))
    kinds = wrong.group_by([*KEY, "state", "said_state"]).agg(pl.col("seconds").sum())
    kinds = kinds.sort("seconds", "state", "said_state", descending=[True, False, False])
    main = kinds.group_by(KEY, maintain_order=True).agg(
        mostly=pl.format("{} called {}", "state", "said_state").first(), mostly_s=pl.col("seconds").first()
    )
    table = judged.group_by(KEY).agg(judged_s=pl.col("seconds").sum())
    table = table.join(wrong.group_by(KEY).agg(wrong_s=pl.col("seconds").sum()), on=KEY, how="left")
    table = table.join(main, on=KEY, how="left").join(
        clocks.select(*KEY, "bound_s", "abs_error_s", "covers", "trust"), on=KEY, how="left"
    )
    return table.sort("wrong_s", *KEY, descending=[True, False, False], nulls_last=True).head(most).to_dicts()


def score(
    truth: pl.DataFrame, sessions: pl.DataFrame, pairs: pl.DataFrame, clocks: list[dict[str, Any]]
) -> dict[str, Any]:
    """Score one study.

    Parameters
    ----------
    truth, sessions : DataFrame
        ``truth/readings.parquet`` and ``truth/sessions.parquet``.
    pairs : DataFrame
        ``results/pairs.parquet``.
    clocks : list of dict
        ``clock`` of ``results/results.json``.

    Returns
    -------
    dict
        ``clock``, ``states``, ``sessions`` (every clock) and ``worst``; ready for JSON.
    """
    heart = pairs.filter(pl.col("quantity") == "heart_rate") if "quantity" in pairs.columns else pairs
    rows = joined(truth, heart)
    clock_table = clock_rows(rows, sessions, clocks)
    return {
        "clock": clock_score(clock_table),
        "states": state_score(rows),
        "sessions": clock_table.to_dicts(),
        "worst": worst_sessions(rows, clock_table),
    }


def score_folder(study: Path) -> dict[str, Any]:
    """Score a study folder that has been run."""
    results = json.loads((study / "results" / "results.json").read_text(encoding="utf-8"))
    return score(
        pl.read_parquet(study / "truth" / "readings.parquet"),
        pl.read_parquet(study / "truth" / "sessions.parquet"),
        pl.read_parquet(study / "results" / "pairs.parquet"),
        results["clock"],
    )


def plain(value: Any) -> Any:
    """Make a score fit for JSON: no NaN or infinity."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


if __name__ == "__main__":
    from benchmarks.truth.table import markdown

    folder = Path(sys.argv[1])
    result = score_folder(folder)
    text = markdown({folder.name: result})
    print(text)
    (folder / "truth" / "score.md").write_text(text, encoding="utf-8")
    (folder / "truth" / "score.json").write_text(json.dumps(plain(result), indent=1), encoding="utf-8")
