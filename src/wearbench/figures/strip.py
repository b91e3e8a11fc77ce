"""Session strip: the reference as a grey ribbon, the tested device as ink on it, states beneath, bouts above."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.figures.palette import fill_of, legend
from wearbench.figures.scales import Scale, clock_ticks, nice_range, tick_words, ticks
from wearbench.figures.svg import Drawing, fmt, path_of
from wearbench.figures.thinning import column_extremes, thin
from wearbench.wording import NOT_JUDGED, STATE_LABEL, duration, share

__all__ = ["draw_strip"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
_COLUMN: Final = 2.0
_AWAY: Final = ("not_worn", "not_expected")
_LONG_S: Final = 20.0
_PLAIN: Final = ("faithful", "judged", "unjudged")


def _usual_steps(t: F64) -> F64:
    """For each step between instants the middle one of the five about it: a device may change its rhythm."""
    steps = np.diff(t)
    if steps.size < 3:
        return np.full(steps.size, float(np.median(steps)) if steps.size else 1.0)
    about: F64 = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(steps, 2, mode="reflect"), 5), axis=1)
    return about


class _Strip:
    """A strip being drawn: the table's parts, the scales and the drawing."""

    def __init__(self, table: pl.DataFrame, title: str, uid: str, width: float, tolerance: float) -> None:
        self.parts = {str(k[0]): v for k, v in table.partition_by("what", as_dict=True).items()}
        self.tolerance = tolerance
        whole = self.parts.get("session", table)
        first: datetime = whole["start"].min()  # type: ignore[assignment]
        last: datetime = whole["end"].max()  # type: ignore[assignment]
        self.first, self.last = first, last
        self.length = max(1.0, (last - first).total_seconds())
        self.left, self.right, self.top, self.high = 46.0, 8.0, 30.0, 150.0
        self.below = 20.0 if "rhythm" in self.parts else 0.0
        self.across = Scale(low=0.0, high=self.length, start=self.left, stop=width - self.right)
        values = [self.values(what) for what in ("reference", "tested")]
        air = np.array([tolerance, -tolerance])
        reference = values[0][np.isfinite(values[0])]
        ends = [reference.max() + air, reference.min() + air] if reference.size else []
        low, high = nice_range(np.concatenate([*values, *ends]))
        self.up = Scale(low=max(0.0, low), high=high, start=self.top + self.high, stop=self.top)
        self.drawing = Drawing(
            width=width,
            height=self.top + self.high + 90 + self.below,
            title=title,
            description=self.describe(),
            uid=uid,
        )

    def values(self, what: str) -> F64:
        part = self.parts.get(what)
        return np.array([]) if part is None else part["value"].to_numpy().astype(float)

    def seconds(self, what: str, column: str = "start") -> F64:
        part = self.parts[what]
        return np.asarray((part[column] - self.first).dt.total_microseconds().to_numpy() / 1e6, dtype=float)

    def line(self, what: str) -> tuple[F64, F64, I64, pl.DataFrame]:
        """Places, values and piece numbers of one trace, gaps and NaN cut out."""
        part = self.parts[what]
        t, v = 0.5 * (self.seconds(what) + self.seconds(what, "end")), self.values(what)
        order = np.argsort(t, kind="stable")
        good = order[np.isfinite(v[order])]
        t, v = t[good], v[good]
        # a slow rate gives a beat every two seconds: a gap is longer than that and than three steps usual about there
        apart = np.diff(t) > np.maximum(3.0 * _usual_steps(t), 4.0)
        piece = np.concatenate([[0], np.cumsum(apart)]).astype(np.int64)[: t.size]
        return self.across.all(t), v, piece, part[good]

    def describe(self) -> str:
        part = self.parts.get("state")
        if part is None:
            return "No readings of the tested device in this session."
        lengths = part.select("label", s=(pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6)
        seconds = dict(lengths.group_by("label").agg(pl.col("s").sum()).iter_rows())
        judged = sum(s for state, s in seconds.items() if state not in NOT_JUDGED) + seconds.get("missing", 0.0)
        if judged <= 0:
            return f"{duration(self.length)} of session; nothing could be judged."
        if "judged" in seconds:
            return (
                f"{duration(self.length)} of session, {duration(seconds['judged'])} of it compared with the reference."
            )
        wrong = [f"“{STATE_LABEL.get(k, k)}” {duration(s)}" for k, s in seconds.items() if k not in _PLAIN]
        words = (
            f"{duration(self.length)} of session, right for {share(seconds.get('faithful', 0.0) / judged)} of the time."
        )
        return words + (f" Otherwise: {', '.join(sorted(wrong))}." if wrong else "")

    def axes(self, unit: str, zone: tzinfo, zone_name: str) -> None:
        d, bottom = self.drawing, self.top + self.high
        for value, words in tick_words(ticks(self.up.low, self.up.high, most=4)):
            y = self.up.at(value)
            d.line(self.left, y, self.across.stop, y, cls="grid")
            d.text(self.left - 8, y + 4, words, cls="xs soft num", anchor="end")
        d.text(0, self.top - 10, unit, cls="xs soft")
        for at, words in clock_ticks(self.first, self.last, zone=zone, most=8 if self.across.stop > 500 else 4):
            x = self.across.at((at - self.first).total_seconds())
            d.line(x, bottom + 24 + self.below, x, bottom + 28 + self.below, cls="axis")
            if self.left + 14 < x < self.across.stop - 24 - d.text_width(zone_name, 11):
                d.text(x, bottom + 40 + self.below, words, cls="xs soft num", anchor="middle")
        d.text(self.across.stop, bottom + 40 + self.below, zone_name, cls="xs soft", anchor="end")

    def bouts(self) -> None:
        if "bout" not in self.parts:
            return
        starts, ends = self.seconds("bout"), self.seconds("bout", "end")
        for words, a, b in zip(self.parts["bout"]["label"].to_list(), starts, ends, strict=True):
            x1, x2 = self.across.at(a), self.across.at(b)
            self.drawing.line(x1, self.top - 18, x1, self.top + self.high, cls="axis")
            fitted = self.drawing.fitted(words, x2 - x1 - 8, 11)
            if len(fitted) > 3 or fitted == words:
                self.drawing.text(x1 + 5, self.top - 9, fitted, cls="xs soft")

    def reference(self) -> None:
        if "reference" not in self.parts:
            self.drawing.text(self.left + 8, self.top + 18, "no reference in this session", cls="sm soft")
            return
        x, v, piece, rows = self.line("reference")
        if not x.size:
            return
        middle, low, high, number = column_extremes(x, v, column=_COLUMN, piece=piece)
        data = []
        for k in np.unique(number):
            mine = number == k
            xs = np.concatenate([middle[mine], middle[mine][::-1]])
            ys = np.concatenate([high[mine] + self.tolerance, (low[mine] - self.tolerance)[::-1]])
            data.append(path_of(xs, self.up.all(ys)) + "z")
        self.drawing.path("".join(data), cls="ribbon", fill="var(--ribbon)")
        doubtful = rows["doubtful"].fill_null(value=False).to_numpy()
        edges = np.flatnonzero(np.diff(np.concatenate([[False], doubtful, [False]]).astype(int)))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            x1, x2 = x[a], max(x[b - 1], x[a] + 2)
            self.drawing.rect(x1, self.top, x2 - x1, self.high, cls="doubt", fill=fill_of(self.drawing, "doubtful"))

    def cadence(self) -> None:
        if "cadence" not in self.parts:
            return
        x, v, piece, _ = self.line("cadence")
        inside = (v >= self.up.low) & (v <= self.up.high)
        x, v, piece = x[inside], v[inside], piece[inside]
        if x.size:
            keep = thin(x, v, column=4.0, piece=piece)
            self.pieces(x[keep], v[keep], piece[keep], "cadence")

    def tested(self) -> None:
        if "tested" not in self.parts:
            return
        x, v, piece, rows = self.line("tested")
        if not x.size:
            return
        states = rows["label"].to_numpy()
        fresh = np.concatenate([[True], (states[1:] != states[:-1]) | (np.diff(piece) != 0)])
        run = np.cumsum(fresh)
        keep = thin(x, v, column=_COLUMN, piece=run)
        x, v, piece, states, run = x[keep], v[keep], piece[keep], states[keep], run[keep]
        starts = np.flatnonzero(np.concatenate([[True], np.diff(run) != 0]))
        stops = np.append(starts[1:], x.size)
        data: dict[str, list[str]] = {}
        plain = np.isin(states, _PLAIN)
        for a, b in zip(starts, stops, strict=True):
            # the step between two runs has the colour of the failing one, else of the first
            first = a - 1 if a > 0 and piece[a - 1] == piece[a] and plain[a - 1] and not plain[a] else a
            joined = b < x.size and piece[b] == piece[a] and not (plain[a] and not plain[b])
            last = b + 1 if joined else b
            data.setdefault(str(states[a]), []).append(path_of(x[first:last], self.up.all(v[first:last])))
        for state in sorted(data, key=lambda s: s != "faithful"):
            fat = "" if state in _PLAIN else " fat"
            self.drawing.path("".join(data[state]), cls=f"trace t-{state}{fat}")
        self.windows(rows)

    def windows(self, rows: pl.DataFrame) -> None:
        """Readings that stand for long, each drawn as long as that."""
        first, last = ((rows[c] - self.first).dt.total_microseconds().to_numpy() / 1e6 for c in ("start", "end"))
        long = np.flatnonzero(last - first >= _LONG_S)
        if not long.size or self.across.at(float((last - first)[long].min())) - self.left < 3.0:
            return
        low, high = (np.clip(self.across.all(ends[long]), self.left, self.across.stop) for ends in (first, last))
        y, states = self.up.all(rows["value"].to_numpy().astype(float)[long]), rows["label"].to_list()
        data: dict[str, list[str]] = {}
        for k, a, b, at in zip(long, low, high, y, strict=True):
            data.setdefault(str(states[int(k)]), []).append(f"M{fmt(a)} {fmt(at)}H{fmt(b)}")
        for state in sorted(data, key=lambda s: s != "faithful"):
            self.drawing.path("".join(data[state]), cls=f"trace window t-{state}")

    def pieces(self, x: F64, v: F64, piece: I64, cls: str) -> None:
        breaks = (np.flatnonzero(np.diff(piece)) + 1).tolist()
        self.drawing.lines(x, self.up.all(v), breaks, cls=cls)

    def states(self) -> set[str]:
        y = self.top + self.high + 8
        if "state" not in self.parts:
            return set()
        d = self.drawing
        starts, ends = self.across.all(self.seconds("state")), self.across.all(self.seconds("state", "end"))
        data: dict[str, list[str]] = {}
        labels = self.parts["state"]["label"].to_list()
        for state, a, b in zip(labels, starts, ends, strict=True):
            data.setdefault(state, []).append(f"M{fmt(a)} {fmt(y)}H{fmt(max(b, a + 0.7))}v13H{fmt(a)}z")
            if state in _AWAY:
                d.rect(a, self.top, b - a, self.high, cls="away", fill=fill_of(d, state))
        for state in sorted(data, key=lambda s: s != "faithful"):
            d.path("".join(data[state]), cls=f"cell o-{state}", fill=fill_of(d, state))
        return set(labels)

    def rhythms(self) -> None:
        """A bracket under the states for each stretch of one rhythm."""
        if "rhythm" not in self.parts:
            return
        d, y = self.drawing, self.top + self.high + 27
        starts, ends = self.across.all(self.seconds("rhythm")), self.across.all(self.seconds("rhythm", "end"))
        for words, a, b in zip(self.parts["rhythm"]["label"].to_list(), starts, ends, strict=True):
            d.path(f"M{fmt(a)} {fmt(y - 3)}v3H{fmt(max(b, a + 1))}v-3", cls="bracket")
            fitted = d.fitted(words, b - a - 4, 11)
            if len(fitted) > 8 or fitted == words:
                d.text(a + 2, y + 13, fitted, cls="xs soft")


def draw_strip(
    table: pl.DataFrame,
    *,
    title: str,
    scope: str,
    unit: str,
    uid: str,
    tolerance: float = 0.0,
    zone: tzinfo = UTC,
    zone_name: str = "UTC",
    width: float = 920.0,
    with_legend: bool = True,
) -> str:
    """Draw one session of one tested device.

    Parameters
    ----------
    table : polars.DataFrame
        From :func:`strip_tables`.
    title, scope, unit, uid : str
    tolerance : float
        Half the width of the reference's ribbon, in the quantity's unit.
    zone : tzinfo
        Of the clock times across.
    zone_name : str
        As it is written beside them.
    width : float
        In pixels.
    with_legend : bool
        Off where the page has shown the same legend before.
    """
    strip = _Strip(table, title, uid, width, tolerance)
    strip.axes(unit, zone, zone_name)
    strip.bouts()
    strip.reference()
    states = strip.states()
    strip.cadence()
    strip.tested()
    strip.rhythms()
    drawing, y = strip.drawing, strip.top + strip.high + 56 + strip.below
    used = legend(drawing, states, x=0, y=y, width=width) if with_legend else 0.0
    words = scope
    if tolerance:
        words += f" · grey ribbon: reference ±{tolerance:g} {unit}"
    if strip.parts.get("cadence") is not None:
        words += " · thin dashes: cadence"
    drawing.height = y + used + 4 + drawing.paragraph(0, y + used + 10, words, room=width)
    return drawing.render()
