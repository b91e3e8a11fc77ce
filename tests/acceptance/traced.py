"""The walk from a finding's sentence to the rows it cites, and back to every number in it.

A number is explained by a value of the cited rows that is shown as it stands in the sentence, in its own kind:
durations by seconds, per cent by shares, whole numbers by counts, other numbers by values. Findings of other kinds than
those listed must lead to rows; theirs are not recomputed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

import polars as pl

from wearbench.findings import rows_behind
from wearbench.wording import duration, number, share

RECOMPUTED: Final = (
    *("tracking", "accuracy", "accuracy_faithful", "lapses", "unsure", "not_seen", "missing", "worst_activity"),
    *("clock", "rhythm", "reference_doubtful", "one_session"),
)
DURATION: Final = re.compile(
    r"(?<![\d.])(?:\d+ d(?: \d+ h)?|\d+ h \d\d min|\d+ h\b|\d+ min \d+ s|\d+ min|(?:under )?\d+ s\b)"
)
PER_CENT: Final = re.compile(r"(?:under |over )?\d+(?:\.\d+)? %|\d+(?:\.\d+)?(?= to \d+(?:\.\d+)? %)")
NUMBER: Final = re.compile(r"[+−]?\d[\d,]*(?:\.\d+)?")
SECONDS: Final = re.compile(r"seconds|_s$|^s$|bounds_s")
SHARES: Final = re.compile(r"share|value|low|high|right|left_out|^missing")


LEFT_OUT: Final = ("rule", "left_out", "not_worn")


def recomputed(kind: str) -> bool:
    return kind in RECOMPUTED or kind.startswith("state_")


def values(cell: Any, name: str = "") -> Iterator[tuple[str, float]]:
    """All numbers of a row with their names; of a list also how long it is."""
    if isinstance(cell, Mapping):
        for key, value in cell.items():
            yield from values(value, str(key))
    elif isinstance(cell, list | tuple):
        yield "n_" + name, len(cell)
        for value in cell:
            yield from values(value, name)
    elif isinstance(cell, int | float) and not isinstance(cell, bool):
        yield name, float(cell)


class Pool:
    """What the rows of a finding hold, and the sums over them that its kind speaks of."""

    def __init__(self, document: Mapping[str, Any], pairs: pl.DataFrame, finding: Mapping[str, Any]) -> None:
        self.seconds: list[float] = []
        self.shares: list[float] = []
        self.counts: set[int] = set()
        self.numbers: list[float] = []
        for cited in finding["evidence"]["made_from"]:
            rows = rows_behind(document, pairs, cited)
            assert rows, (finding["id"], cited)
            self._add(cited["table"], rows, pairs.filter(device=finding["device"]))

    def _add(self, table: str, rows: list[dict[str, Any]], all_pairs: pl.DataFrame) -> None:
        sessions = {row["session"] for row in rows if row.get("session")}
        self.counts |= {len(rows), len(sessions)}
        if table == "pairs":
            total = sum(row["seconds"] for row in rows)
            self.seconds += [total, sum(r["seconds"] for r in rows if r["reason"] not in LEFT_OUT)]
            self.shares.append(total / all_pairs["seconds"].sum())
            with_them = all_pairs.filter(pl.col("used") | pl.col("reason").eq_missing(pl.lit(rows[0]["reason"])))
            self.numbers.append((with_them["tested"] - with_them["reference"]).abs().mean() or 0.0)
            return
        for row in rows:
            for name, value in values(row):
                (self.seconds if SECONDS.search(name) else self.numbers).append(value)
                if SHARES.search(name) and 0 <= value <= 1:
                    self.shares.append(value)
                if value == int(value):
                    self.counts.add(int(value))
        if table == "tracking":
            self.seconds += [r["judged_seconds"] + r["missing_seconds"] for r in rows]
        if table == "states":
            asked = sum(r["seconds"] for r in rows if r["state"] not in ("unjudged", "not_worn", "not_expected"))
            self.shares += [r["seconds"] / asked for r in rows]
        if table == "affected":
            self.counts |= {len(row[k]) for row in rows for k in ("sessions", "brief_sessions", "unsure_sessions")}
        if table == "windows":
            self.seconds += [2 * r["usual_interval_s"] for r in rows]
        if table == "clock":
            self._clocks(rows)

    def _clocks(self, rows: list[dict[str, Any]]) -> None:
        """Least, middle and largest offset, and the middle half-width: as the sentence says how it was made."""
        fits = [r for r in rows if r["trust"] not in ("refused", "none")]
        offsets = sorted(r["offset_s"] for r in fits)
        halves = sorted((r["high_s"] - r["low_s"]) / 2 for r in fits)
        self.seconds += [abs(o) for o in offsets]
        self.numbers += [*offsets, halves[len(halves) // 2], max(halves[len(halves) // 2], 0.1)]
        self.counts |= {len(fits), len(rows) - len(fits), sum(r["trust"] == "weak" for r in rows)}

    def explains_duration(self, text: str) -> bool:
        return any(duration(s) == text for s in self.seconds)

    def explains_share(self, text: str) -> bool:
        return any(share(s).removesuffix(" %") == text.removesuffix(" %") for s in self.shares)

    def explains_number(self, text: str) -> bool:
        plain = text.lstrip("+−").replace(",", "")
        if "." not in plain and int(plain) in self.counts:
            return True
        decimals = len(plain.partition(".")[2])
        shown = {number(abs(n), decimals=decimals).replace(",", "") for n in (*self.numbers, *self.seconds)}
        return plain in shown


def without_names(claim: str, document: Mapping[str, Any], pairs: pl.DataFrame) -> str:
    """The claim without words that hold digits but are no numbers, and without what is the same in every study."""
    names = {e["id"] for e in document["episodes"]} | {s["session"] for s in document["sessions"]}
    names |= {str(v) for c in ("firmware", "participant", "activity") for v in pairs[c].drop_nulls().unique()}
    for name in sorted(names, key=len, reverse=True):
        claim = re.sub(rf"(?<![\w.]){re.escape(name)}(?![\w.]*\d)", "", claim)
    claim = re.sub(r"UTC[+-]\d\d:\d\d", "", claim)
    return re.sub(r"19 of 20|95 % interval|exact 95 %", "", claim)


def unexplained(finding: Mapping[str, Any], document: Mapping[str, Any], pairs: pl.DataFrame) -> list[str]:
    """Numbers of a sentence that its rows do not give."""
    pool, text = Pool(document, pairs, finding), without_names(finding["claim"], document, pairs)
    left: list[str] = []
    for pattern, explains in (
        (PER_CENT, pool.explains_share),
        (DURATION, lambda t: pool.explains_duration(t) or pool.explains_number(t.split()[0])),
        (NUMBER, pool.explains_number),
    ):
        left += [found for found in pattern.findall(text) if not explains(found)]
        text = pattern.sub("", text)
    return left


def walk(findings: list[dict[str, Any]], document: dict[str, Any], pairs: pl.DataFrame) -> set[str]:
    """Check all findings; return their kinds."""
    kinds = set()
    for finding in findings:
        kind = finding["evidence"]["kind"]
        kinds.add(kind)
        assert finding["scope"].strip(), finding
        for cited in finding["evidence"]["made_from"]:
            assert rows_behind(document, pairs, cited), (kind, cited)
        assert finding["evidence"]["made_from"], kind
        if recomputed(kind):
            assert unexplained(finding, document, pairs) == [], finding["claim"]
    return kinds
