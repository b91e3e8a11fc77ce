"""One tested device and quantity with all that the results hold about it; findings, figures and report start here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
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
    statistics beside the primary ones; ``references`` are labels, ``units`` what the sessions' column ``unit`` or
    ``unit.<device>`` names, ``activity`` the one that all sessions share, ``affected_s`` how long a failure must hold
    in a session to count.
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
    references: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    activity: str = ""
    affected_s: float = 60.0
    recurrence: list[dict[str, Any]] = field(default_factory=list)
    evidence: list[dict[str, Any]] = field(default_factory=list)
    before_after: list[dict[str, Any]] = field(default_factory=list)
    side_by_side: list[dict[str, Any]] = field(default_factory=list)
    benefit: list[dict[str, Any]] = field(default_factory=list)
    choices: list[dict[str, Any]] = field(default_factory=list)
    objections: list[dict[str, Any]] = field(default_factory=list)
    why: list[dict[str, Any]] = field(default_factory=list)
    cadence_evidence: list[dict[str, Any]] = field(default_factory=list)
    responses: list[dict[str, Any]] = field(default_factory=list)
    believed: list[dict[str, Any]] = field(default_factory=list)
    believed_summary: list[dict[str, Any]] = field(default_factory=list)
    doubt_effect: list[dict[str, Any]] = field(default_factory=list)
    disputed: list[dict[str, Any]] = field(default_factory=list)

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
        """Who, how often, where worn, which firmware, against what; what is not known is said to be so.

        ``one person, one unit, 20 sessions, left wrist, firmware 2.1, against Chest patch``
        """
        people = len(distinct(self.pairs, "participant")) or 1
        parts = ["one person" if people == 1 else f"{number_word(people)} people"]
        missing = []
        if self.units or people == 1:
            parts.append(plural(max(1, len(self.units)), "unit", words=True))
        else:
            missing.append("number of units")
        parts.append("one session" if len(self.sessions) == 1 else plural(len(self.sessions), "session"))
        sites, firmware = distinct(self.pairs, "wear_site"), distinct(self.pairs, "firmware")
        parts += [join_words(sites)] if sites else []
        parts += ["firmware " + join_words(firmware)] if firmware else []
        missing += [name for name, known in (("wear site", sites), ("firmware", firmware)) if not known]
        if self.references:
            parts.append("against " + join_words(list(self.references)))
        return ", ".join(parts) + (f" ({join_words(missing)} not told)" if missing else "")

    def scope_of(self, session: str) -> str:
        """The same of one session."""
        return replace(self, pairs=self.pairs.filter(pl.col("session") == session)).scope

    def participants(self, sessions: list[str] | None = None) -> list[str]:
        """Who wore it in judged sessions, or in some of them."""
        judged = self.pairs.filter(pl.col("used"))
        return distinct(judged if sessions is None else judged.filter(pl.col("session").is_in(sessions)), "participant")

    def sessions_word(self, count: int) -> str:
        """``sessions``, or with the activity that all of them share, ``sessions of rowing``."""
        word = "session" if count == 1 else "sessions"
        return f"{word} of {self.activity}" if self.activity else word

    def affected_by(self, state: str) -> dict[str, Any] | None:
        """The row of sessions affected by a state, from the results or, where they have none, from the episodes.

        Returns
        -------
        dict or None
            None where neither says anything of it and the state is not one of those that are looked for.
        """
        for row in self.affected:
            if row.get("state") == state:
                episodes = [e for e in self.episodes if e.get("state") == state]
                return {**_row_of(state, episodes, list(row.get("sessions") or []), least_s=0.0), **row}
        if self.affected:
            return None
        mine = [e for e in self.episodes if e.get("state") == state]
        return _row_of(state, mine, self.judged_sessions, least_s=self.affected_s)

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


def _row_of(state: str, episodes: list[dict[str, Any]], sessions: list[str], *, least_s: float) -> dict[str, Any]:
    """Sessions affected, counted from episodes."""
    held = dict.fromkeys(sessions, 0.0)
    for e in episodes:
        if e.get("session") in held:
            held[e["session"]] += float(e.get("seconds") or 0.0)
    hit = sorted(s for s, seconds in held.items() if seconds >= least_s and seconds > 0)
    brief = sorted(s for s, seconds in held.items() if 0 < seconds < least_s)
    longest = max(episodes, key=lambda e: float(e.get("seconds") or 0.0), default={})
    return {
        "state": state,
        "sessions": hit,
        "n_affected": len(hit),
        "n_sessions": len(sessions),
        "least_seconds": least_s,
        "seconds": sum(held.values()),
        "affected_seconds": sum(held[s] for s in hit),
        "n_episodes": len(episodes),
        "n_also": sum(1 for e in episodes if e.get("also")),
        "longest_seconds": float(longest.get("seconds") or 0.0),
        "longest": longest.get("id"),
        "brief_sessions": brief,
        "brief_seconds": sum(held[s] for s in brief),
        "unsure_sessions": [],
        "unsure_seconds": 0.0,
    }


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
    settings = document.get("settings") or {}
    confidence, affected_s = settings.get("confidence", 0.95), settings.get("affected_s", 60.0)

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
        mine = pairs.filter((pl.col("device") == device) & (pl.col("quantity") == quantity))
        worn = [s for s in document.get("sessions") or [] if s.get("session") in set(mine["session"])]
        unit = next((r["unit"] for r in agreement if r.get("unit")), declared.unit if declared else "")
        found.append(
            Subject(
                device=device,
                label=device_label(document, device),
                quantity=quantity,
                what=quantity_label(quantity),
                unit=unit,
                pairs=mine,
                agreement=agreement,
                states=rows("states", device, quantity),
                episodes=[e for e in rows("episodes", device, quantity) if not e.get("doubt")],
                disputed=[e for e in rows("episodes", device, quantity) if e.get("doubt")],
                clock=rows("clock", device, quantity),
                windows=rows("windows", device, quantity),
                shares=rows("tracking", device, quantity),
                affected=rows("affected", device, quantity),
                rhythms=rows("rhythms", device, quantity),
                versions=rows("versions", device, quantity),
                assumptions=rows("assumptions", device, quantity),
                reviewers=rows("reviewers", device, quantity),
                confidence=float(confidence) if finite(confidence) else 0.95,
                references=tuple(device_label(document, r) for r in distinct(mine, "reference_device")),
                units=_units(worn, device),
                activity=_shared_activity(worn),
                affected_s=float(affected_s) if finite(affected_s) else 60.0,
                recurrence=rows("recurrence", device, quantity),
                evidence=rows("evidence", device, quantity),
                before_after=rows("before_after", device, quantity),
                side_by_side=rows("side_by_side", device, quantity),
                benefit=rows("benefit", device, quantity),
                choices=rows("choices", device, quantity),
                objections=rows("objections", device, quantity),
                why=rows("why", device, quantity),
                cadence_evidence=rows("cadence_evidence", device, quantity),
                responses=rows("responses", device, quantity),
                believed=rows("believed", device, quantity),
                believed_summary=rows("believed_summary", device, quantity),
                doubt_effect=rows("doubt_effect", device, quantity),
            )
        )
    return found


def _units(sessions: list[Mapping[str, Any]], device: str) -> tuple[str, ...]:
    """Units of the device that the sessions' own columns name."""
    columns = [s.get("columns") or {} for s in sessions]
    named = [str(c.get(f"unit.{device}") or c.get("unit") or "").strip() for c in columns]
    return tuple(dict.fromkeys(name for name in named if name))


def _shared_activity(sessions: list[Mapping[str, Any]]) -> str:
    activities = {str(s.get("activity") or "").strip() for s in sessions}
    return activities.pop() if len(activities) == 1 else ""
