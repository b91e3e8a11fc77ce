"""Devices of two studies beside each other, as if both had spent their time alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from wearbench.core.clusters import Estimate
from wearbench.core.differences import newcombe
from wearbench.core.standardising import Standardised, standardised_difference
from wearbench.errors import UsageError
from wearbench.findings.subject import Subject, subjects
from wearbench.findings.within import session_bounds, within_sessions
from wearbench.study.results import Results, plain
from wearbench.wording import (
    FAILURES,
    STATE_LABEL,
    finite,
    join_words,
    number,
    plural,
    points,
    share,
    tenths,
)

__all__ = ["TwoStudies", "compare_studies", "comparison_lines"]

F64 = NDArray[np.float64]

CAVEAT: Final = (
    "Two studies differ in people, places, weather, wear and reference, and nobody drew lots between them: what is "
    "left after allowing for what was done may come of any of these."
)
_COLUMNS: Final = ("activity", "intensity")
_STATES: Final = (*FAILURES, "missing")
_NOT_TOLD: Final = "not told"


@dataclass(frozen=True, kw_only=True, slots=True)
class TwoStudies:
    """What comparing gives; ``rows`` are measures with the values of both and the difference, second less first.

    Attributes
    ----------
    first, second : dict
        Of each: study, device, label, scope, reference, n_sessions, n_participants.
    quantity, unit : str
    by : tuple of str
        What was done is told by these columns.
    cells : tuple of dict
        In common: what, weight, seconds_first, seconds_second.
    left_out : tuple of dict
        What only one did, or too seldom: what, seconds_first, seconds_second, why.
    rows : tuple of dict
    least_s : float
        Seconds of a failure from which a session counts as affected.
    confidence : float
    notes : tuple of str
        What else is different.
    """

    first: dict[str, Any]
    second: dict[str, Any]
    quantity: str
    unit: str
    by: tuple[str, ...]
    cells: tuple[dict[str, Any], ...]
    left_out: tuple[dict[str, Any], ...]
    rows: tuple[dict[str, Any], ...]
    least_s: float
    confidence: float
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Side:
    subject: Subject
    pieces: pl.DataFrame
    least_s: float


def compare_studies(
    first: Results,
    second: Results,
    *,
    names: tuple[str, str],
    devices: tuple[str | None, str | None] = (None, None),
    quantity: str = "heart_rate",
) -> TwoStudies:
    """Compare a device of one study with a device of another.

    Parameters
    ----------
    first, second : Results
        As they were last written.
    names : tuple of str
        What the studies are called.
    devices : tuple of (str or None)
        By default the one tested device, or the one of the same name.
    quantity : str

    Returns
    -------
    TwoStudies

    Raises
    ------
    UsageError
        ``compare-device`` where it is not clear which devices are meant; ``compare-nothing`` where they have nothing in
        common.
    """
    sides = tuple(
        _side(results, device)
        for results, device in zip((first, second), _chosen((first, second), names, devices, quantity), strict=True)
    )
    by = tuple(c for c in _COLUMNS if all(bool((s.pieces[c] != _NOT_TOLD).any()) for s in sides))
    cells = [
        s.pieces.select(pl.concat_str(by, separator=" / ")).to_series() if by else pl.Series(["all"] * s.pieces.height)
        for s in sides
    ]
    names_of = sorted(set(cells[0].to_list()) | set(cells[1].to_list()))
    codes = {name: i for i, name in enumerate(names_of)}
    frames = [
        s.pieces.with_columns(cell=pl.Series([codes[c] for c in cell.to_list()], dtype=pl.Int64), side=pl.lit(i == 1))
        for i, (s, cell) in enumerate(zip(sides, cells, strict=True))
    ]
    sums = pl.concat([_sums(frame) for frame in frames])
    confidence = sides[0].subject.confidence
    measured = {
        name: _standardised(sums, *_terms(name), confidence=confidence) for name in ("tracking_share", "mae", "bias")
    }
    common = measured["tracking_share"].cells
    if not common:
        said = f"expected something that was done in both studies, got {join_words(_done(sums, names_of, 0))} in the "
        said += f"first and {join_words(_done(sums, names_of, 1))} in the second"
        raise UsageError(said, slug="compare-nothing")
    spent = [_seconds(sums, side, len(names_of)) for side in (False, True)]
    least_s = max(s.least_s for s in sides)
    rows = [_row(name, None, measured[name]) for name in ("tracking_share", "mae", "bias")]
    rows += _affected(frames, common, least_s, confidence=confidence)
    return TwoStudies(
        first=_told(sides[0], names[0]),
        second=_told(sides[1], names[1]),
        quantity=quantity,
        unit=sides[0].subject.unit,
        by=by,
        cells=tuple(
            {
                "what": names_of[c],
                "weight": w,
                "seconds_first": float(spent[0][c]),
                "seconds_second": float(spent[1][c]),
            }
            for c, w in zip(common, measured["tracking_share"].weights, strict=True)
        ),
        left_out=tuple(
            {
                "what": name,
                "seconds_first": float(spent[0][c]),
                "seconds_second": float(spent[1][c]),
                "why": _why_left_out(spent[0][c], spent[1][c]),
            }
            for name, c in codes.items()
            if c not in common
        ),
        rows=tuple(rows),
        least_s=least_s,
        confidence=confidence,
        notes=tuple(_notes(first, second, sides)),
    )


def _why_left_out(first: float, second: float) -> str:
    if first > 0 and second > 0:
        return "too few sessions or people did it on a side"
    return "only in the first" if first > 0 else "only in the second"


def _chosen(
    both: tuple[Results, Results], names: tuple[str, str], devices: tuple[str | None, str | None], quantity: str
) -> tuple[Subject, Subject]:
    """The devices that are meant."""
    every = [
        {s.device: s for s in subjects(r.document, r.pairs) if s.quantity == quantity and s.pairs.height} for r in both
    ]
    shared = [name for name in every[0] if name in every[1]]
    found = []
    for there, name, device, option in zip(every, names, devices, ("--device", "--other"), strict=True):
        if device is None and len(there) == 1:
            device = next(iter(there))
        if device is None and len(shared) == 1:
            device = shared[0]
        if device not in there:
            known = join_words(sorted(there)) or f"none with {quantity}"
            asked = "no device named" if device is None else f'"{device}"'
            said = f"expected {option} to name a tested device of {name} ({known}), got {asked}"
            raise UsageError(said, slug="compare-device", value=device)
        found.append(there[device])
    return found[0], found[1]


def _side(results: Results, subject: Subject) -> _Side:
    """Judged readings and silent stretches with what was done meanwhile."""
    document = plain(results.document)
    own = (pl.col("device") == subject.device) & (pl.col("quantity") == subject.quantity)
    pairs = within_sessions(results.pairs, session_bounds(document)).filter(own)
    place = [pl.col(c).fill_null(_NOT_TOLD).alias(c) for c in _COLUMNS]
    used = pairs.filter("used").select(
        "session",
        pl.col("participant").fill_null(""),
        *place,
        "seconds",
        pl.col("state").fill_null("unjudged"),
        off=pl.col("tested") - pl.col("reference"),
        sure=(pl.col("probability").fill_null(1.0) >= _setting(document, "affected_probability", 0.8)),
        n=pl.lit(1.0),
    )
    gone = [e for e in subject.episodes if e.get("state") == "missing" and e.get("start")]
    if gone and pairs.height:
        silent = pl.DataFrame(
            {
                "session": [str(e["session"]) for e in gone],
                "at": [str(e["start"]) for e in gone],
                "seconds": [float(e["seconds"]) for e in gone],
            }
        ).with_columns(at=pl.col("at").str.to_datetime(time_zone="UTC", time_unit="us"))
        near = pairs.select("session", pl.col("participant").fill_null(""), *place, at="end").sort("at")
        silent = silent.sort("at").join_asof(near, on="at", by="session", strategy="nearest", check_sortedness=False)
        silent = silent.filter(pl.col("activity").is_not_null()).select(
            "session",
            "participant",
            *_COLUMNS,
            "seconds",
            state=pl.lit("missing"),
            off=pl.lit(None, dtype=pl.Float64),
            sure=pl.lit(True),  # noqa: FBT003 - a literal column
            n=pl.lit(0.0),
        )
        used = pl.concat([used, silent])
    return _Side(subject=subject, pieces=used, least_s=_setting(document, "affected_s", 60.0))


def _setting(document: Mapping[str, Any], name: str, default: float) -> float:
    value = (document.get("settings") or {}).get(name)
    return float(value) if finite(value) and value is not None else default


def _sums(frame: pl.DataFrame) -> pl.DataFrame:
    """Sums of each session's time in each cell; clusters are participants if there are several, else sessions."""
    several = frame["participant"].n_unique() > 1
    return (
        frame.with_columns(cluster=pl.col("participant" if several else "session"))
        .group_by("side", "cluster", "session", "cell", maintain_order=True)
        .agg(
            asked=pl.col("seconds").sum(),
            right=pl.col("seconds").filter(pl.col("state") == "faithful").sum(),
            size=pl.col("off").abs().sum(),
            off=pl.col("off").sum(),
            n=pl.col("n").sum(),
        )
        .sort("side", "cluster", "session", "cell")
    )


def _terms(measure: str) -> tuple[str, str]:
    return {"tracking_share": ("right", "asked"), "mae": ("size", "n"), "bias": ("off", "n")}[measure]


def _standardised(sums: pl.DataFrame, top: str, bottom: str, *, confidence: float) -> Standardised:
    """Over what two clusters or more did on either side; else over what was done on both at all."""
    cluster = sums["cluster"].to_list()
    code = {name: i for i, name in enumerate(sorted(set(cluster)))}
    given: dict[str, Any] = {
        "cell": sums["cell"].to_numpy(),
        "label": sums["side"].to_numpy(),
        "cluster": np.array([code[c] for c in cluster]),
        "weight": sums["asked"].to_numpy(),
        "confidence": confidence,
    }
    found = standardised_difference(sums[top].to_numpy(), sums[bottom].to_numpy(), **given)
    if found.cells:
        return found
    return standardised_difference(sums[top].to_numpy(), sums[bottom].to_numpy(), least=1, **given)


def _seconds(sums: pl.DataFrame, side: bool, count: int) -> F64:  # noqa: FBT001 - a side
    part = sums.filter(pl.col("side") == side)
    return np.bincount(part["cell"].to_numpy(), weights=part["asked"].to_numpy(), minlength=count).astype(np.float64)


def _done(sums: pl.DataFrame, names: list[str], side: int) -> list[str]:
    return [names[c] for c in sorted(set(sums.filter(pl.col("side") == bool(side))["cell"].to_list()))] or ["nothing"]


def _row(measure: str, state: str | None, found: Standardised) -> dict[str, Any]:
    return {
        "measure": measure,
        "state": state,
        "first": found.unlabelled,
        "second": found.labelled,
        "n_first": None,
        "n_second": None,
        "difference": _estimate(found.difference),
    }


def _estimate(found: Estimate) -> dict[str, Any]:
    return {
        "value": found.value,
        "low": found.low,
        "high": found.high,
        "method": found.method,
        "n": found.n,
        "why": found.why,
    }


def _affected(
    frames: list[pl.DataFrame], common: tuple[int, ...], least_s: float, *, confidence: float
) -> Iterator[dict[str, Any]]:
    """Sessions affected in the time that both studies have, for each failure that either has."""
    inside = [f.filter(pl.col("cell").is_in(list(common))) for f in frames]
    for state in _STATES:
        parts = []
        for frame in inside:
            held = pl.col("seconds").filter((pl.col("state") == state) & pl.col("sure")).sum()
            part = frame.group_by("session", "participant", maintain_order=True).agg(held=held)
            parts.append(part.with_columns(hit=pl.col("held") >= least_s - 1e-6))
        hits, counts = [int(p["hit"].sum()) for p in parts], [p.height for p in parts]
        if not sum(hits):
            continue
        if all(p["participant"].n_unique() == 1 for p in parts):
            found = newcombe(hits[1], counts[1], hits[0], counts[0], confidence=confidence)
            values = [k / n for k, n in zip(hits, counts, strict=True)]
        else:
            both = pl.concat([p.with_columns(side=pl.lit(i == 1)) for i, p in enumerate(parts)])
            one = _of_sessions(both, confidence=confidence)
            found, values = one.difference, [one.unlabelled or 0.0, one.labelled or 0.0]
        yield {
            "measure": "sessions_affected",
            "state": state,
            "first": values[0],
            "second": values[1],
            "n_first": [hits[0], counts[0]],
            "n_second": [hits[1], counts[1]],
            "difference": _estimate(found),
        }


def _of_sessions(sessions: pl.DataFrame, *, confidence: float) -> Standardised:
    several = {side: part["participant"].n_unique() > 1 for (side,), part in sessions.group_by("side")}
    cluster = [row["participant"] if several[row["side"]] else row["session"] for row in sessions.iter_rows(named=True)]
    code = {name: i for i, name in enumerate(sorted(set(cluster)))}
    hit = sessions["hit"].cast(pl.Float64).to_numpy()
    given: dict[str, Any] = {
        "cell": np.zeros(hit.size, dtype=np.int64),
        "label": sessions["side"].to_numpy(),
        "cluster": np.array([code[c] for c in cluster]),
        "confidence": confidence,
    }
    found = standardised_difference(hit, np.ones(hit.size), **given)
    return found if found.cells else standardised_difference(hit, np.ones(hit.size), least=1, **given)


def _told(side: _Side, name: str) -> dict[str, Any]:
    subject = side.subject
    return {
        "study": name,
        "device": subject.device,
        "label": subject.label,
        "scope": subject.scope,
        "n_sessions": side.pieces["session"].n_unique(),
        "n_participants": side.pieces["participant"].n_unique(),
    }


def _notes(first: Results, second: Results, sides: tuple[_Side, ...]) -> Iterator[str]:
    documents = [plain(r.document) for r in (first, second)]
    settings = [d.get("settings") or {} for d in documents]
    changed = [k for k in settings[0] if k in settings[1] and settings[0][k] != settings[1][k]]
    changed = [k for k in changed if k not in ("workers", "cache_mb", "max_readings", "seed", "resamples")]
    if changed:
        yield f"The two were analysed with different settings: {join_words(changed)}."
    tools = [str((d.get("tool") or {}).get("version")) for d in documents]
    if tools[0] != tools[1]:
        yield f"The two were analysed by different versions of wearbench: {tools[0]} and {tools[1]}."
    references = [s.subject.references for s in sides]
    if references[0] != references[1]:
        named = [join_words(list(r)) or "none named" for r in references]
        yield f"The references differ: {named[0]} and {named[1]}."


def comparison_lines(found: TwoStudies) -> Iterator[str]:
    """The comparison in lines to be read.

    Parameters
    ----------
    found : TwoStudies

    Yields
    ------
    str
    """
    for side, mark in ((found.first, "first"), (found.second, "second")):
        yield f"{mark}: {side['study']}, {side['label']}: {side['scope']}"
    what = join_words([f"{c['what']} ({share(c['weight'])})" for c in found.cells])
    if found.by:
        yield f"Compared over what both did, each weighed by the time in both: {what}."
    else:
        yield "Neither activity nor intensity is told in both: compared over everything, not standardised."
    for row in found.left_out:
        yield f"Left out: {row['what']}, {row['why']}."
    for row in found.rows:
        yield f"  {_line(row, found)}"
    yield from found.notes
    yield CAVEAT


_MEASURE: Final = {"tracking_share": "right", "mae": "off by", "bias": "bias"}


def _line(row: Mapping[str, Any], found: TwoStudies) -> str:
    difference = row["difference"]
    if row["measure"] in ("mae", "bias"):
        show = tenths if row["measure"] == "bias" else _plain
        text = f"{_MEASURE[row['measure']]} {show(row['first'])} and {show(row['second'])} {found.unit}"
        apart, unit = tenths, f" {found.unit}"
    elif row["measure"] == "tracking_share":
        text = f"right {share(row['first'])} and {share(row['second'])} of the time"
        apart, unit = points, " points"
    else:
        counts = [f"{row[k][0]} of {plural(row[k][1], 'session')}" for k in ("n_first", "n_second")]
        text = f"sessions with “{STATE_LABEL[row['state']]}”: {counts[0]} and {counts[1]}"
        apart, unit = points, " points"
    told = f"{apart(difference['value'])}{unit}"
    if finite(difference["low"]) and finite(difference["high"]):
        low, high = difference["low"], difference["high"]
        told += f", {100 * found.confidence:g} % {apart(low)} to {apart(high)}"
        told += "" if low > 0 or high < 0 else ", no difference shown"
    else:
        told += f", {difference['why']}"
    return f"{text}; second less first {told}"


def _plain(value: Any) -> str:
    return number(value, decimals=1)
