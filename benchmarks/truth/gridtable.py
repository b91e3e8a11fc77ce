"""The grid's figures as Markdown: the main table against the goals, a table by factor level, and the worst sessions."""

from __future__ import annotations

from typing import Any, Final

from benchmarks.truth.design import FACTORS, designs
from benchmarks.truth.gridscore import SCORED
from benchmarks.truth.gridsums import bound_of
from benchmarks.truth.score import BOUND_S, CENTRE_S
from benchmarks.truth.table import figure, grid

Row = dict[str, Any]

GOAL_CENTRE, GOAL_COVER, GOAL_F1, GOAL_ALARM, GOAL_EDGES = 0.99, (0.93, 0.97), 0.97, 0.002, 0.95
MARKS: Final = ("<!-- grid -->", "<!-- end of grid -->")
STATE_WORDS: Final = {"cadence_locked": "cadence-locked"}


def held(value: float | None, text: str, *, least: float | None = None, most: float | None = None) -> str:
    """Mark a figure that falls short."""
    short = value is not None and ((least is not None and value < least) or (most is not None and value > most))
    return f"**{text}** short" if short else text


def covering(share: float | None, text: str) -> str:
    """Mark a coverage below its band as short, above it as wide: intervals longer than they need be."""
    if share is not None and share > GOAL_COVER[1]:
        return f"**{text}** wide"
    return held(share, text, least=GOAL_COVER[0])


def percent(value: float | None, *, digits: int = 1) -> str:
    """Write a share."""
    return "-" if value is None else f"{100 * value:.{digits}f} %"


def goal_rows(one: Row) -> list[tuple[str, str, str]]:
    """Return what is asked, the goal, and the figure with its mark, line by line."""
    clock, states, doubt, windows = one["clock"], one["states"], one["doubt"], one["windows"]
    within, cover = clock["share_sharp_within"], clock["share_blunt_covered"]
    rows = [
        (
            "clock, bound at most 0.3 s: window centre within 1 s, share of sessions",
            "at least 99 %",
            held(within, f"{percent(within)} ({clock['n_sharp_within']} of {clock['n_sharp']})", least=GOAL_CENTRE),
        ),
        ("of these, refused", "", str(clock["n_sharp_refused"])),
        (
            "clock, larger bound: the 95 % interval covers, share of those answered",
            "93 to 97 %",
            covering(cover, f"{percent(cover)} (n = {clock['n_blunt_answered']} of {clock['n_blunt']})"),
        ),
        (
            "of these, refused; answered without an interval",
            "",
            f"{clock['n_blunt_refused']}; {clock['n_blunt_open']}",
        ),
        (
            "clock, larger bound, neither shared nor marked: trust called good",
            "none",
            held(
                clock["n_blunt_good"],
                f"{clock['n_blunt_good']} of {clock['n_blunt_unaided']} ({clock['n_blunt_good_within']} of them "
                "within 1 s)",
                most=0,
            ),
        ),
        (
            "clock called good but more than 5 s off",
            "none",
            held(clock["n_wrong_and_good"], str(clock["n_wrong_and_good"]), most=0),
        ),
    ]
    for state in SCORED:
        found = states["states"][state]
        text = f"{figure(found['f1'])} (precision {figure(found['precision'])}, recall {figure(found['recall'])})"
        rows.append(
            (f"{STATE_WORDS.get(state, state)}: F1 by seconds", "at least 0.97", held(found["f1"], text, least=GOAL_F1))
        )
    alike = ", ".join(f"{STATE_WORDS.get(s, s)} {figure(states['alike'][s])}" for s in SCORED)
    given = ", ".join(f"{STATE_WORDS.get(s, s)} {figure(states['states'][s]['f1_given'])}" for s in SCORED)
    rows += [
        ("the same with each session counting alike", "", alike),
        ("the same over readings that were given a state (no refusal, no dispute)", "", given),
        (
            "true right time called a failure",
            "at most 0.2 %",
            held(states["alarm_share"], percent(states["alarm_share"], digits=2), most=GOAL_ALARM),
        ),
        (
            f"the same on devices that never fail ({states['n_clean']} sessions)",
            "at most 0.2 %",
            held(states["alarm_share_clean"], percent(states["alarm_share_clean"], digits=2), most=GOAL_ALARM),
        ),
        (
            "edges of called episodes within the greater of 5 s and two readings",
            "at least 95 %",
            held(states["edges_within"], f"{percent(states['edges_within'])} of {states['edges']}", least=GOAL_EDGES),
        ),
        ("called episodes that share no reading with a true one", "", f"{states['without']} of {states['called']}"),
    ]
    for kind, found in doubt["kinds"].items():
        rows.append(
            (
                f"reference, {kind.replace('_', ' ')}: share of its seconds doubted",
                "stated",
                percent(found["sensitivity"]),
            )
        )
    rows += [
        ("right reference doubted", "stated", percent(doubt["false_share"], digits=2)),
        (
            "seconds called doubled while the reference counted every second beat",
            "none",
            held(
                doubt["called_doubled_there_s"],
                f"{doubt['called_doubled_there_s']:.0f} of {doubt['reference_halved_s']:.0f}",
                most=0,
            ),
        ),
    ]
    for name in ("averaging", "delay"):
        found = windows[name]
        rows.append(
            (
                f"{name} within the greater of 1 s and 10 %, clock shared or marked",
                "stated",
                f"{found['n_near']} of {windows['n']} studies (median error {figure(found['median_error_s'])} "
                f"s, interval covers {percent(found['share_covered'])})",
            )
        )
    return rows


def main_table(table: Row) -> str:
    """Lay out all sessions and each generator against the goals."""
    columns = {"all": table["all"], **table["generators"]}
    each = {name: {a: c for a, _, c in goal_rows(one)} for name, one in columns.items()}
    rows = [
        [asked, goal, *(found.get(asked, "-") for found in each.values())] for asked, goal, _ in goal_rows(table["all"])
    ]
    # Counts of clean sessions stand in the words, and differ by generator.
    for row in rows:
        if row[0].startswith("the same on devices"):
            row[2:] = [
                next(c for a, _, c in goal_rows(one) if a.startswith("the same on devices")) for one in columns.values()
            ]
    return grid(["", "goal", *columns], rows)


def part_of(one: Row) -> str:
    """Say how much of the grid was run."""
    n, whole = one["n_studies"], len(designs())  # those on which the program failed are not among them
    return f"all {whole} studies of the grid" if n == whole else f"{n} of the {whole} studies of the grid"


def with_table(document: str, table: Row) -> str:
    """Put the main table between the marks of a page of the documentation."""
    head, mark, rest = document.partition(MARKS[0])
    _, end, tail = rest.partition(MARKS[1])
    if not mark or not end:
        message = f"expected a page with the marks {MARKS[0]} and {MARKS[1]}, got one without"
        raise ValueError(message)
    one = table["all"]
    said = f"{one['n_sessions']} sessions in {part_of(one)}.\n"
    return f"{head}{mark}\n\n{said}\n{main_table(table)}\n{failures(table)}\n{end}{tail}"


def failures(table: Row) -> str:
    """Name the studies over which the program failed."""
    if not table["failed"]:
        return "The program ran over every study.\n"
    each = "".join(f"- `{name}`: {why}\n" for name, why in table["failed"].items())
    return f"The program failed on {len(table['failed'])} studies, which are in no figure:\n\n{each}"


def short_row(name: str, one: Row) -> list[str]:
    """Lay out some sessions in one line."""
    clock, states = one["clock"], one["states"]
    within, cover = clock["share_sharp_within"], clock["share_blunt_covered"]
    cells = [
        name,
        str(one["n_sessions"]),
        held(within, f"{percent(within, digits=0)} of {clock['n_sharp']}", least=GOAL_CENTRE)
        if clock["n_sharp"]
        else "-",
        covering(cover, f"{percent(cover, digits=0)} of {clock['n_blunt_answered']}")
        if clock["n_blunt_answered"]
        else "-",
        f"{clock['n_blunt_good']} of {clock['n_blunt_unaided']}",
    ]
    for state in SCORED:
        f1 = states["states"][state]["f1"]
        cells.append(held(f1, figure(f1), least=GOAL_F1))
    cells.append(held(states["alarm_share"], percent(states["alarm_share"], digits=2), most=GOAL_ALARM))
    cells.append(held(states["edges_within"], percent(states["edges_within"], digits=0), least=GOAL_EDGES))
    return cells


SHORT_HEADING: Final = [
    "level",
    "sessions",
    "centre within 1 s, bound small",
    "interval covers, bound larger",
    "called good there",
    *(f"F1 {STATE_WORDS.get(s, s)}" for s in SCORED),
    "false alarms",
    "edges",
]


def factor_tables(table: Row) -> str:
    """Lay out each factor's levels; designs of the random crossing are in every level they have."""
    parts = []
    for factor in FACTORS:
        rows = [short_row(level, one) for level, one in table["factors"][factor].items() if one["n_sessions"]]
        parts.append(f"### {factor}\n\n" + grid(SHORT_HEADING, rows))
    return "\n".join(parts)


def confusion_table(table: Row) -> str:
    """Lay out what was taken for what, in seconds."""
    cells = {(a, b): s for a, b, s in table["all"]["states"]["confusion"]}
    down = sorted({a for a, _ in cells})
    across = sorted({b for _, b in cells})
    return grid(["true, down", *across], [[a, *(f"{cells.get((a, b), 0.0):.0f}" for b in across)] for a in down])


def page(table: Row) -> str:
    """Return the page of figures."""
    one = table["all"]
    left = ", ".join(f"{why} {seconds:.0f} s" for why, seconds in one["states"]["left_out_s"].items())
    return "\n".join(
        (
            "# Grid of the truth bench\n",
            f"{one['n_sessions']} sessions of invented devices in {part_of(one)}, by two generators; made by "
            "`python -m benchmarks.truth.grid`. What falls short of its goal is bold and says so.\n",
            main_table(table),
            failures(table),
            f"Judged {one['states']['judged_s']:.0f} s; left out: {left}; without a state "
            f"{one['states']['unsaid_s']:.0f} s.\n",
            "## Kinds of design\n",
            grid(SHORT_HEADING, [short_row(k, s) for k, s in table["kinds"].items()]),
            "## True state and called state, seconds\n",
            confusion_table(table),
            "## By level of each factor\n",
            "First the base level. Designs of the random crossing count in each level they have, so that a level's "
            "line is not that level's doing alone.\n",
            factor_tables(table),
        )
    )


def mostly(row: Row) -> str:
    """Say what was mostly taken for what."""
    wrong = sorted(((s, a, b) for a, b, s in row["confusion"] if a != b), reverse=True)[:2]
    return "; ".join(f"{a} called {b} {s:.0f} s" for s, a, b in wrong)


def worst(rows: list[Row], *, most: int = 20) -> str:
    """Return the sessions furthest from the goals, with the command that makes and runs each one's study."""

    def line(row: Row) -> list[str]:
        unusual = {f: v for f, v in row["levels"].items() if v != FACTORS[f][0]}
        return [
            row["design"],
            row["session"],
            figure(row["bound_s"], digits=2),
            figure(row["error_s"], digits=2),
            figure(row["interval_s"], digits=1),
            str(row["trust"]),
            figure(row["wrong_s"], digits=0),
            mostly(row),
            ", ".join(f"{f} {v}" for f, v in unusual.items()),
        ]

    heading = ["design", "session", "bound s", "centre error s", "interval s", "trust", "wrong s", "mostly", "not base"]

    def missed(row: Row) -> float:
        if bound_of(row) <= BOUND_S:
            return 1e6 if row["abs_error_s"] is None else row["abs_error_s"] if row["abs_error_s"] > CENTRE_S else 0.0
        return row["abs_error_s"] if row["covers"] is False else 0.0

    clocks = sorted((r for r in rows if missed(r) > 0), key=missed, reverse=True)
    states = sorted(rows, key=lambda r: r["wrong_s"], reverse=True)
    shares = sorted((r for r in rows if r["judged_s"] > 300), key=lambda r: r["wrong_s"] / r["judged_s"], reverse=True)
    alarms = sorted((r for r in rows if r["alarm_s"] > 0), key=lambda r: r["alarm_s"], reverse=True)
    good = [r for r in clocks if r["trust"] == "good"]
    parts = [
        "To make one of these studies, run it and see its line (a folder for the studies, one for the tables):\n",
        "    python -m benchmarks.truth.grid --keep FOLDER --out FOLDER --only design=NAME\n",
        "then look at it as a person would: `wearbench run FOLDER/NAME`, its truth in `FOLDER/NAME/truth/`.\n",
        f"## Clocks: bound <= 0.3 s and off by more than 1 s or refused; or interval does not cover ({len(clocks)}, "
        f"{len(good)} of them called good)\n",
        grid(heading, [line(r) for r in clocks[:most]]),
        "## of them called good\n",
        grid(heading, [line(r) for r in good[:most]]),
        "## States: most seconds wrong (true between and short episodes left out)\n",
        grid(heading, [line(r) for r in states[:most]]),
        "## States: largest share wrong\n",
        grid(heading, [line(r) for r in shares[:most]]),
        "## False alarms: most seconds\n",
        grid(heading, [line(r) for r in alarms[:most]]),
    ]
    return "\n".join(parts)
