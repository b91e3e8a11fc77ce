"""One tested device and quantity with all that the results hold about it; findings, figures and report start here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import polars as pl

from wearbench.findings.within import session_bounds, within_sessions
from wearbench.quantities import QUANTITIES
from wearbench.study.results import plain
from wearbench.wording import NOT_JUDGED, finite, join_words, number_word, plural

__all__ = ["Subject", "distinct", "subjects"]

_OVERALL: Final = (None, "", "all", "overall")


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """One tested device and quantity with all that the results hold about it.

    All tables are already narrowed to it, readings of an export that spans sessions to those sessions; ``shares`` are
    the tracking shares, ``affected`` the sessions affected, ``rhythms`` each rhythm where it has several, ``versions``
    before and after each change of firmware, ``assumptions`` what the limits rest on, ``reviewers`` the
    statistics beside the primary ones.
    """

    device: str
    label: str
    quantity: str
    what: str
    unit: str
    pairs: pl.DataFrame
    agreement: list[dict[str, Any]]
    states: list[dict[str, Any]]
    episodes: list[dict[str, Any]]
    clock: list[dict[str, Any]]
    windows: list[dict[str, Any]]
    shares: list[dict[str, Any]]
    affected: list[dict[str, Any]]
    rhythms: list[dict[str, Any]]
    versions: list[dict[str, Any]]
    confidence: float
    assumptions: list[dict[str, Any]] = field(default_factory=list)
    reviewers: list[dict[str, Any]] = field(default_factory=list)

    @property
    def sessions(self) -> list[str]:
        """Sessions in which the device gave a reading, in order of name."""
        return sorted(self.pairs["session"].unique().to_list()) if self.pairs.height else []

    @property
    def judged_sessions(self) -> list[str]:
        """Sessions that hold at least one judged reading."""
        judged = self.pairs.filter(pl.col("used"))
        return sorted(judged["session"].unique().to_list())

    @property
    def scope(self) -> str:
        """Who, how often, where worn, which firmware: ``six people, 20 sessions, left wrist, firmware 2.1``."""
        people = len(distinct(self.pairs, "participant")) or 1
        parts = ["one person, one unit" if people == 1 else f"{number_word(people)} people"]
        parts.append("one session" if len(self.sessions) == 1 else plural(len(self.sessions), "session"))
        sites = distinct(self.pairs, "wear_site")
        firmware = distinct(self.pairs, "firmware")
        if sites:
            parts.append(join_words(sites))
        if firmware:
            parts.append("firmware " + join_words(firmware))
        return ", ".join(parts)

    def overall(self, readings: str = "all", clock: str | None = None) -> dict[str, Any] | None:
        """The agreement entry over everything, or None; without ``clock`` the fitted one, else the declared one."""
        for wanted in (clock,) if clock else ("fitted", "declared"):
            for row in self.agreement:
                same = row.get("readings", "all") == readings and row.get("clock", "fitted") == wanted
                if same and row.get("by") in _OVERALL:
                    return row
        return None

    def groups(self, by: str, readings: str = "all") -> list[dict[str, Any]]:
        """Agreement entries by one column, in the order of the results."""
        return [
            row
            for row in self.agreement
            if row.get("by") == by
            and row.get("readings", "all") == readings
            and row.get("clock", "fitted") in ("fitted", "declared")
        ]

    def seconds(self, by: str | None = None, group: Any = None) -> dict[str, float]:
        """Seconds in each state, over everything or in one group."""
        found: dict[str, float] = {}
        for row in self.states:
            fits = row.get("by") in _OVERALL if by is None else row.get("by") == by and row.get("group") == group
            if fits and finite(row.get("seconds")):
                found[row["state"]] = found.get(row["state"], 0.0) + float(row["seconds"])
        return found

    def tracking(self, by: str | None = None, group: Any = None) -> dict[str, Any] | None:
        """Tracking share over everything or in one group, or None where nothing was asked of the device.

        Returns
        -------
        dict or None
            ``share`` counts missing time as wrong, ``if_missing_right`` as right; ``low`` and ``high`` bound the
            share (None where no interval can be given); ``faithful_s``, ``judged_s``, ``missing_s``, ``method``.
        """
        for row in self.shares:
            fits = row.get("by") in _OVERALL if by is None else row.get("by") == by and row.get("group") == group
            if fits and finite(row.get("value")):
                return {
                    "share": row["value"],
                    "low": row.get("low"),
                    "high": row.get("high"),
                    "if_missing_right": row.get("missing_all_right"),
                    "faithful_s": row.get("faithful_seconds") or 0.0,
                    "judged_s": row.get("judged_seconds") or 0.0,
                    "missing_s": row.get("missing_seconds") or 0.0,
                    "method": row.get("method"),
                }
        seconds = self.seconds(by, group)
        missing = seconds.get("missing", 0.0)
        judged = sum(s for state, s in seconds.items() if state not in NOT_JUDGED)
        if judged + missing <= 0:
            return None
        right = seconds.get("faithful", 0.0)
        return {
            "share": right / (judged + missing),
            "low": None,
            "high": None,
            "if_missing_right": (right + missing) / (judged + missing),
            "faithful_s": right,
            "judged_s": judged,
            "missing_s": missing,
            "method": None,
        }

    def by_session(self) -> dict[str, float]:
        """Tracking share of each judged session: from the results, else from pairs and missing episodes."""
        rows = (
            self.pairs.filter(pl.col("used"))
            .group_by("session")
            .agg(
                total=pl.col("seconds").sum(),
                right=pl.col("seconds").filter(pl.col("state").eq_missing("faithful")).sum(),
            )
            .sort("session")
        )
        missing: dict[str, float] = {}
        for e in self.episodes:
            if e.get("state") == "missing":
                missing[e["session"]] = missing.get(e["session"], 0.0) + float(e.get("seconds") or 0.0)
        found = {}
        for session, total, right in rows.iter_rows():
            track = self.tracking("session", session)
            if track is not None:
                found[session] = track["share"]
            elif total + missing.get(session, 0.0) > 0:
                found[session] = right / (total + missing.get(session, 0.0))
        return found


def distinct(pairs: pl.DataFrame, column: str) -> list[str]:
    """Distinct non-empty values of a column, in order of first appearance."""
    if column not in pairs.columns or not pairs.height:
        return []
    found = pairs[column].drop_nulls().unique(maintain_order=True).to_list()
    return [str(v) for v in found if str(v).strip()]


def quantity_label(quantity: str) -> str:
    """A quantity in words; one declared by a study has its own name."""
    return QUANTITIES[quantity].label if quantity in QUANTITIES else quantity.replace("_", " ")


def device_label(document: Mapping[str, Any], device: str) -> str:
    """The label the study gives a device, else its name."""
    for entry in document.get("devices") or []:
        if entry.get("device") == device and entry.get("label"):
            return str(entry["label"])
    return device


def subjects(document: Mapping[str, Any], pairs: pl.DataFrame) -> list[Subject]:
    """Every tested device and quantity the results know of, also those without a single pair.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``.
    pairs : polars.DataFrame
        Content of ``pairs.parquet``.

    Returns
    -------
    list of Subject
        Ordered by device and quantity.
    """
    document = plain(document)
    pairs = within_sessions(pairs, session_bounds(document))
    keys: set[tuple[str, str]] = set()
    if pairs.height:
        keys.update(pairs.select("device", "quantity").unique().iter_rows())
    for table in ("agreement", "states", "episodes"):
        keys.update((r["device"], r["quantity"]) for r in document.get(table) or [] if r.get("device"))
    confidence = (document.get("settings") or {}).get("confidence", 0.95)

    def rows(table: str, device: str, quantity: str) -> list[dict[str, Any]]:
        return [
            r
            for r in document.get(table) or []
            if r.get("device") == device and r.get("quantity", quantity) in (quantity, None)
        ]

    found = []
    for device, quantity in sorted(keys):
        agreement = rows("agreement", device, quantity)
        declared = QUANTITIES.get(quantity)
        unit = next((r["unit"] for r in agreement if r.get("unit")), declared.unit if declared else "")
        found.append(
            Subject(
                device=device,
                label=device_label(document, device),
                quantity=quantity,
                what=quantity_label(quantity),
                unit=unit,
                pairs=pairs.filter((pl.col("device") == device) & (pl.col("quantity") == quantity)),
                agreement=agreement,
                states=rows("states", device, quantity),
                episodes=rows("episodes", device, quantity),
                clock=rows("clock", device, quantity),
                windows=rows("windows", device, quantity),
                shares=rows("tracking", device, quantity),
                affected=rows("affected", device, quantity),
                rhythms=rows("rhythms", device, quantity),
                versions=rows("versions", device, quantity),
                assumptions=rows("assumptions", device, quantity),
                reviewers=rows("reviewers", device, quantity),
                confidence=float(confidence) if finite(confidence) else 0.95,
            )
        )
    return found
