"""Tables of the page: rounded for reading, with the interval under each value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from wearbench.figures.palette import SHOWN
from wearbench.findings import Subject, unjudged_s
from wearbench.wording import STATE_LABEL, STATES, duration, finite, half_width, number, plural, share, signed

__all__ = [
    "PRIMARY",
    "Cell",
    "Table",
    "clock_table",
    "doubtful_table",
    "group_table",
    "rows_table",
    "statistics_table",
    "three_clocks",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """What a cell shows: the value, and in small print its interval or the reason why there is none."""

    text: str
    small: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """A table with its caption; the first column heads the rows."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numeric: bool = True
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Shown:
    label: str
    kind: str


PRIMARY: Final = ("mae", "bias", "limit_low", "limit_high", "mape", "within_greater")
"""The one primary set; everything else stands under "more for reviewers"."""

_STATISTICS: Final[dict[str, _Shown]] = {
    "mae": _Shown(label="Mean absolute error", kind="unit"),
    "bias": _Shown(label="Bias (tested − reference)", kind="signed"),
    "limit_low": _Shown(label="Lower limit of agreement", kind="signed"),
    "limit_high": _Shown(label="Upper limit of agreement", kind="signed"),
    "mape": _Shown(label="Mean absolute error, per cent", kind="percent"),
    "within_greater": _Shown(label="Within {tolerance} or {share}, whichever is more", kind="share"),
    "within_tolerance": _Shown(label="Within {tolerance}", kind="share"),
    "within_10_percent": _Shown(label="Within 10 %", kind="share"),
    "rmse": _Shown(label="Root mean square error", kind="unit"),
    "sd_of_differences": _Shown(label="SD of differences", kind="unit"),
    "sd_between": _Shown(label="SD between clusters", kind="unit"),
    "sd_within": _Shown(label="SD within clusters", kind="unit"),
    "ccc": _Shown(label="Concordance correlation", kind="plain"),
    "mean_reference": _Shown(label="Mean of the reference", kind="unit"),
    "mean_tested": _Shown(label="Mean of the tested device", kind="unit"),
    "n_pairs": _Shown(label="Pairs", kind="count"),
}


def label_of(name: str, *, tolerance: float | None = None, unit: str = "", part: float = 0.1) -> str:
    """A statistic's name in words."""
    shown = _STATISTICS.get(name)
    if shown is None:
        return name.replace("_", " ")
    near = f"{tolerance:g} {unit}" if tolerance else "the tolerance"
    return shown.label.format(tolerance=near, share=f"{100 * part:g} %")


def cell_of(name: str, statistic: Mapping[str, Any] | None, unit: str) -> Cell:
    """Value and interval of one statistic, rounded by its uncertainty; a dash with the reason where there is none."""
    if not statistic:
        return Cell(text="–")
    value, low, high = (statistic.get(k) for k in ("value", "low", "high"))
    if not finite(value):
        return Cell(text="–", small=str(statistic.get("why") or ""))
    kind = _STATISTICS[name].kind if name in _STATISTICS else "plain"
    wide = half_width(statistic)

    def shown(x: Any) -> str:
        if kind == "share":
            return share(x)
        if kind == "count":
            return f"{float(x):,.0f}"
        return signed(x, uncertainty=wide) if kind == "signed" else number(x, uncertainty=wide)

    after = {"percent": " %", "unit": f" {unit}", "signed": f" {unit}"}.get(kind, "").rstrip()
    if finite(low) and finite(high):
        return Cell(text=shown(value) + after, small=f"{shown(low)} to {shown(high)}")
    return Cell(text=shown(value) + after, small="" if kind == "count" else str(statistic.get("why") or ""))


MOST_NAMED: Final = 4
WANTED: Final = 0.90
"""An interval that says 95 % and held the truth less often than this is called too narrow."""


def covered_cell(name: str, statistic: Mapping[str, Any] | None, unit: str) -> Cell:
    """`cell_of` with how often such intervals held the truth in simulated studies, where that was measured."""
    cell = cell_of(name, statistic, unit)
    held = (statistic or {}).get("coverage")
    if not cell.small or not finite(held):
        return cell
    return Cell(text=cell.text, small=f"{cell.small}; such intervals hold in {100 * float(held or 0):.0f} %")


def coverage_note(names: Mapping[str, Mapping[str, Any] | None], *, what: str) -> str:
    """Which design the shares come from, and a warning where intervals are too narrow; empty without any.

    Parameters
    ----------
    names : mapping
        Label of each statistic to what the results say of it.
    what : str
        Which readings, in lower case.
    """
    told = {k: v for k, v in names.items() if v and finite(v.get("coverage"))}
    if not told:
        return ""
    design = str(next(iter(told.values())).get("coverage_design") or "")
    note = f"How often intervals hold ({what}) was measured in simulated studies of the nearest design: {design}."
    low = {k: float(v["coverage"]) for k, v in told.items() if float(v["coverage"]) < WANTED}
    if low:
        span = sorted(f"{100 * held:.0f}" for held in {min(low.values()), max(low.values())})
        note += (
            f" Too narrow: the intervals of {', '.join(low)} say 95 %, but held the truth in only "
            f"{' to '.join(dict.fromkeys(span))} of 100 such studies."
        )
    return note


def statistics_table(
    subject: Subject, names: Sequence[str], *, caption: str, tolerance: float | None = None, part: float = 0.1
) -> Table | None:
    """Statistics as rows; over all readings, and beside them over faithful ones with the tracking share.

    Returns
    -------
    Table or None
        None where the results hold no agreement for the device.
    """
    track = subject.tracking()
    asked = ("all", "faithful") if track else ("all",)
    there = [(readings, row) for readings in asked if (row := subject.overall(readings)) is not None]
    if not there:
        return None
    right = f"While right ({share(track['share'])} of the time)" if track else ""
    heads = {"all": "All readings", "faithful": right}
    rows = []
    for name in names:
        cells = [covered_cell(name, (row.get("statistics") or {}).get(name), subject.unit) for _, row in there]
        if any(name in (row.get("statistics") or {}) for _, row in there):
            rows.append((Cell(text=label_of(name, tolerance=tolerance, unit=subject.unit, part=part)), *cells))
    counts = [
        Cell(
            text=f"{row.get('n_pairs', 0):,}",
            small=_counted(row),
        )
        for _, row in there
    ]
    rows.append((Cell(text="Pairs"), *counts))
    chosen = any(readings == "faithful" for readings, _ in there)
    notes = [
        coverage_note(
            {
                label_of(n, tolerance=tolerance, unit=subject.unit, part=part): (row.get("statistics") or {}).get(n)
                for n in names
            },
            what={"all": "all readings", "faithful": "while right"}[readings],
        )
        for readings, row in there
    ]
    return Table(
        caption=caption,
        head=("", *(heads[readings] for readings, _ in there)),
        rows=tuple(rows),
        note=" ".join(
            [
                *(
                    ["Readings “while right” were chosen for being close: not comparable with published errors."]
                    * chosen
                ),
                *filter(None, notes),
            ]
        ),
    )


def _counted(row: Mapping[str, Any]) -> str:
    people = int(row.get("n_participants") or 0)
    return f"{plural(int(row.get('n_sessions') or 0), 'session')}, {people} {'person' if people == 1 else 'people'}"


def reviewers_table(subject: Subject, *, tolerance: float | None, part: float) -> Table | None:
    """All statistics over all readings with method and count."""
    row = subject.overall()
    if row is None:
        return None
    rows = []
    for name, statistic in (row.get("statistics") or {}).items():
        if isinstance(statistic, Mapping):
            rows.append(
                (
                    Cell(text=label_of(name, tolerance=tolerance, unit=subject.unit, part=part)),
                    covered_cell(name, statistic, subject.unit),
                    Cell(text=str(statistic.get("method") or "–")),
                    Cell(text=number(statistic.get("n"), decimals=0)),
                )
            )
    head = ("", "Value, interval", "Method", "n")
    return Table(caption="All statistics, all readings", head=head, rows=tuple(rows), numeric=False)


def group_table(
    subject: Subject, by: str, *, caption: str, first: str, meaning: Mapping[str, str] | None = None
) -> Table | None:
    """Primary error, bias, tracking share and counts for each group of one column; None where they are all one.

    ``meaning`` holds small print for groups that have one.
    """
    groups = subject.groups(by)
    if not groups or (len(groups) == 1 and groups[0].get("n_pairs") == (subject.overall() or {}).get("n_pairs")):
        return None
    rows: list[tuple[Cell, ...]] = []
    for row in groups:
        stats = row.get("statistics") or {}
        track = subject.tracking(by, row.get("group"))
        rows.append(
            (
                Cell(text=_group(row), small=(meaning or {}).get(_group(row), "")),
                Cell(text=share(track["share"]) if track else "–"),
                *(cell_of(name, stats.get(name), subject.unit) for name in ("mae", "bias", "limit_low", "limit_high")),
                Cell(text=f"{row.get('n_sessions', 0)}", small=f"{row.get('n_pairs', 0):,} pairs"),
            )
        )
    head: tuple[str, ...] = (first, "Right", "Mean error", "Bias", "Lower limit", "Upper limit", "Sessions")
    if all(row[1].text == "–" for row in rows):
        head, rows = (head[0], *head[2:]), [(row[0], *row[2:]) for row in rows]
    return Table(caption=caption, head=head, rows=tuple(rows), note=_narrow(groups))


def _narrow(groups: Sequence[Mapping[str, Any]]) -> str:
    """A warning where intervals of a group are too narrow; the shares themselves stand in the CSV."""
    low: dict[str, float] = {}
    for row in groups:
        for name in ("mae", "bias", "limit_low", "limit_high"):
            held = ((row.get("statistics") or {}).get(name) or {}).get("coverage")
            if finite(held) and float(held or 0) < WANTED:
                low[_group(row)] = min(low.get(_group(row), 1.0), float(held or 0))
    if not low:
        return ""
    named = ", ".join(low) if len(low) <= MOST_NAMED else f"{len(low)} of {len(groups)} rows"
    return (
        f"Intervals of {named} are partly too narrow: in simulated studies of the nearest design they held the truth "
        f"in as few as {100 * min(low.values()):.0f} of 100, not in 95."
    )


def _group(row: Mapping[str, Any]) -> str:
    group = row.get("group")
    return "not said" if group in (None, "") else str(group).replace("_", " ")


def doubtful_table(subject: Subject) -> Table | None:
    """The headline without and with the stretches in which the reference is doubtful; None where there are none."""
    kept = next((r for r in subject.agreement if r.get("by") == "doubtful_reference"), None)
    without = subject.overall()
    if kept is None or without is None or kept.get("n_pairs") == without.get("n_pairs"):
        return None
    rows = []
    for label, row in (("Left out, as everywhere else", without), ("Kept", kept)):
        stats = row.get("statistics") or {}
        cells = (cell_of(name, stats.get(name), subject.unit) for name in ("mae", "bias", "limit_low", "limit_high"))
        rows.append((Cell(text=label, small=f"{row.get('n_pairs', 0):,} pairs"), *cells))
    head = ("Doubtful reference", "Mean error", "Bias", "Lower limit", "Upper limit")
    return Table(caption="With and without doubtful reference", head=head, rows=tuple(rows))


_CLOCKS: Final = {
    "fitted": ("Fitted", "on the readings that are then judged; flatters a little"),
    "cross_fitted": ("Cross-fitted", "each half of a session placed by the other half"),
    "declared": ("As stamped", "the device's own stamps, unaligned"),
}


def three_clocks(subject: Subject) -> Table | None:
    """The headline under each clock side by side; None where there is one clock only."""
    rows = []
    for clock, (label, meaning) in _CLOCKS.items():
        row = subject.overall(clock=clock)
        if row is not None:
            stats = row.get("statistics") or {}
            cells = (
                cell_of(name, stats.get(name), subject.unit) for name in ("mae", "bias", "limit_low", "limit_high")
            )
            rows.append((Cell(text=label, small=meaning), *cells))
    if len(rows) < 2:
        return None
    head = ("Clock", "Mean error", "Bias", "Lower limit", "Upper limit")
    return Table(caption="The answer under each clock", head=head, rows=tuple(rows))


_TRUST: Final = {"good": "good", "strong": "good", "weak": "weak", "refused": "refused", "declared": "declared"}


def clock_table(subject: Subject) -> Table | None:
    """Clock fit of each session."""
    rows = []
    for fit in subject.clock:
        wide = half_width({"low": fit.get("low_s"), "high": fit.get("high_s")})
        low, high = (signed(fit.get(k), uncertainty=wide) for k in ("low_s", "high_s"))
        rows.append(
            (
                Cell(text=str(fit.get("session"))),
                Cell(text=signed(fit.get("offset_s"), uncertainty=wide), small=f"{low} to {high}" if wide else ""),
                Cell(text=signed(fit.get("drift_ppm"))),
                Cell(text=_TRUST.get(str(fit.get("trust")), str(fit.get("trust")))),
                Cell(text=str(fit.get("method") or "–")),
            )
        )
    head = ("Session", "Seconds to add", "Drift, ppm", "Trust", "Method")
    caption = "Clock of each session"
    return Table(caption=caption, head=head, rows=tuple(rows)) if rows else None


def states_table(subject: Subject) -> Table | None:
    """Time in each state over everything."""
    seconds = subject.seconds()
    if not seconds:
        return None
    if "unjudged" in seconds and subject.pairs.height:  # inside the sessions, without an export's margins
        seconds["unjudged"] = min(seconds["unjudged"], unjudged_s(subject.pairs))
    counts = {s: [e for e in subject.episodes if e.get("state") == s] for s in STATES}
    rows = []
    for state in SHOWN:
        if seconds.get(state, 0.0) > 0:
            longest = max((e.get("seconds") or 0.0 for e in counts.get(state, [])), default=None)
            rows.append(
                (
                    Cell(text=STATE_LABEL[state]),
                    Cell(text=duration(seconds[state])),
                    Cell(text=f"{len(counts.get(state, []))}" if state not in ("faithful", "unjudged") else ""),
                    Cell(text=duration(longest) if longest is not None else ""),
                    Cell(text=f"{len({e.get('session') for e in counts.get(state, [])})}" if counts.get(state) else ""),
                )
            )
    head = ("State", "Time", "Episodes", "Longest", "Sessions")
    return Table(caption="Time in each state", head=head, rows=tuple(rows))


def rows_table(rows: Sequence[Mapping[str, Any]], *, caption: str, most: int = 400) -> Table | None:
    """Any list of records as a table, columns in the order of first appearance."""
    if not rows:
        return None
    heads = list(dict.fromkeys(key for row in rows for key in row))
    shown = tuple(tuple(Cell(text=_plain(row.get(key))) for key in heads) for row in rows[:most])
    note = f"{len(rows) - most:,} more rows stand in the CSV beside this page." if len(rows) > most else ""
    return Table(caption=caption, head=tuple(h.replace("_", " ") for h in heads), rows=shown, numeric=False, note=note)


def _plain(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value)
    if isinstance(value, int):
        return f"{value:,}" if abs(value) >= 10_000 else str(value)
    if isinstance(value, Mapping):
        return ", ".join(f"{k}: {_plain(v)}" for k, v in value.items())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(_plain(v) for v in value) or "–"
    return str(value)
