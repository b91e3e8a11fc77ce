"""What moved between two runs of a study."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from wearbench.study.beforehand import statistic_words
from wearbench.study.declaration import TRACKING
from wearbench.study.results import plain
from wearbench.wording import STATE_LABEL, duration, finite, join_words, plural

__all__ = ["Change", "change_lines", "changes_between"]

HEADLINE: Final = (TRACKING, "mae", "bias", "mape")
LABEL: Final = {
    TRACKING: "tracking share",
    "mae": "mean absolute error",
    "bias": "bias",
    "mape": "mean absolute percentage error",
}
SAME: Final = 1e-9
BOUT_MOVED_S: Final = 3.0
"""A bout that lies no further from where it was has not moved for a person; clocks are fitted to about a second."""
WRITTEN_S: Final = 0.002
"""Times of bouts.csv are the same if what is left without the clock's part differs by less: results keep 1 ms."""
MOST_LISTED: Final = 12
MOST_BOUTS: Final = 3
_OVERALL: Final = (None, "", "all", "overall")


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """One thing that moved.

    Attributes
    ----------
    kind : str
        tool, session_added, session_removed, input_added, input_removed, input_changed, setting, decision, declaration,
        bout_moved, bout_added, bout_removed,
        headline, episode_appeared, episode_vanished, episode_relabelled, finding_added, finding_removed, direction.
    about : str
        The session, file, setting, episode, finding, or device and quantity.
    before, after : any JSON value
        None where there was, or is, none.
    said : str
        In words.
    shows : bool
        False for a number that moved by less than is shown.
    """

    kind: str
    about: str
    before: Any = None
    after: Any = None
    said: str
    shows: bool = True


def changes_between(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[Change, ...]:
    """Compare two documents of results.

    Parameters
    ----------
    before, after : mapping
        ``Results.document`` of two runs, or as read from their files.

    Returns
    -------
    tuple of Change
        In the order in which they are read: what went in, then what came out.

    Notes
    -----
    An episode is the same one if it overlaps in time: of several, the one it shares most time with. Episodes of
    sessions that came or went are not listed one by one.
    """
    old, new = plain(before), plain(after)
    return tuple(
        change
        for part in (
            _tool,
            _sessions,
            _inputs,
            _settings,
            _decisions,
            _declaration,
            _bouts,
            _headline,
            _episodes,
            _findings,
        )
        for change in part(old, new)
    )


def _tool(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = ((d.get("tool") or {}).get("version") for d in (old, new))
    if was != is_now:
        yield Change(kind="tool", about="wearbench", before=was, after=is_now, said=f"wearbench {was} -> {is_now}")


def _names(document: Mapping[str, Any]) -> list[str]:
    return [str(row["session"]) for row in document.get("sessions") or []]


def _sessions(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = _names(old), _names(new)
    for name in is_now:
        if name not in was:
            yield Change(kind="session_added", about=name, after=name, said=f"+{name}")
    for name in was:
        if name not in is_now:
            yield Change(kind="session_removed", about=name, before=name, said=f"-{name}")


def _inputs(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = ({row["path"]: row["sha256"] for row in d.get("inputs") or []} for d in (old, new))
    common = set(_names(old)) & set(_names(new))
    for path in dict.fromkeys((*was, *is_now)):
        before, after = was.get(path), is_now.get(path)
        session = path.split("/")[1] if path.count("/") >= 2 else ""
        if before == after or (None in (before, after) and session not in common and session != "_all"):
            continue
        word = "added" if before is None else "removed" if after is None else "changed"
        said = f"{path} {'is another file now' if word == 'changed' else 'came' if word == 'added' else 'is gone'}"
        yield Change(kind=f"input_{word}", about=path, before=before, after=after, said=said)


def _settings(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = old.get("settings") or {}, new.get("settings") or {}
    for name in dict.fromkeys((*was, *is_now)):
        before, after = was.get(name), is_now.get(name)
        if before != after and name != "workers":
            said = f"setting {name} {before} -> {after}"
            yield Change(kind="setting", about=name, before=before, after=after, said=said)


def _decisions(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = ({row["id"]: row["kind"] for row in d.get("decisions_used") or []} for d in (old, new))
    for name in dict.fromkeys((*was, *is_now)):
        before, after = was.get(name), is_now.get(name)
        if before != after:
            word = "new" if before is None else "gone" if after is None else "changed"
            said = f"decision {name} ({after or before}) {word}"
            yield Change(kind="decision", about=name, before=before, after=after, said=said)


def _declaration(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = ((d.get("declared") or {}).get("hash") for d in (old, new))
    if was != is_now:
        said = f"declaration {was or 'none'} -> {is_now or 'none'}"
        yield Change(kind="declaration", about="declaration", before=was, after=is_now, said=said)
    told = {row["said"] for row in old.get("deviations") or []}
    for row in new.get("deviations") or []:
        if row["said"] not in told:
            yield Change(
                kind="declaration", about=row["what"], after=row["said"], said=f"departs from it: {row['said']}"
            )


def _bouts(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    """Bouts that came or went, and those that lie elsewhere on the reference's clock, session by session."""
    labels = _labels(old, new)
    was = {row["session"]: _bouts_by_name(row) for row in old.get("sessions") or []}
    for session in new.get("sessions") or []:
        name = str(session["session"])
        before, after = was.get(name, {}), _bouts_by_name(session)
        if name not in was:
            continue
        came, went = ([key[0] for key in one if key not in other] for one, other in ((after, before), (before, after)))
        if came:
            yield Change(kind="bout_added", about=name, after=came, said=f"{plural(len(came), 'bout')} of {name} came")
        if went:
            yield Change(
                kind="bout_removed", about=name, before=went, said=f"{plural(len(went), 'bout')} of {name} went"
            )
        moved: dict[str, dict[str, float]] = {}
        for key in before.keys() & after.keys():
            by_s = _moved_s(before[key], after[key])
            if abs(by_s) > BOUT_MOVED_S:
                moved.setdefault(_with_what(before[key], after[key], labels), {})[key[0]] = by_s
        for what, found in sorted(moved.items()):
            least, most = (duration(f(map(abs, found.values()))) for f in (min, max))
            span = most if least == most else f"{least} to {most}"
            said = f"{plural(len(found), 'bout')} of {name} moved by {span} {what}".strip()
            yield Change(kind="bout_moved", about=name, after=dict(sorted(found.items())), said=said)


def _bouts_by_name(session: Mapping[str, Any]) -> dict[tuple[str, int], dict[str, Any]]:
    """Bouts under their name and which of that name they are."""
    found: dict[tuple[str, int], dict[str, Any]] = {}
    often: dict[str, int] = {}
    for row in session.get("bouts") or []:
        name = str(row["bout"])
        often[name] = often.get(name, 0) + 1
        found[name, often[name]] = row
    return found


def _moved_s(one: Mapping[str, Any], other: Mapping[str, Any]) -> float:
    """How far a bout's start or end moved, whichever moved further; later is positive."""
    by = [
        (datetime.fromisoformat(other[edge]) - datetime.fromisoformat(one[edge])).total_seconds()
        for edge in ("start", "end")
    ]
    return max(by, key=abs)


def _with_what(one: Mapping[str, Any], other: Mapping[str, Any], labels: Mapping[str, Any]) -> str:
    """``with the clock of Wrist band`` if the times in bouts.csv are the same in both runs."""
    if "clock" not in one:
        return ""  # results of a version that did not say
    if one.get("clock") == other.get("clock") and None not in (one.get("moved_s"), other.get("moved_s")):
        written = (_written_start_s(row) for row in (one, other))
        if abs(next(written) - next(written)) < WRITTEN_S:
            return f"with the clock of {labels.get(other['clock'], other['clock'])}"
    return "because bouts.csv changed"


def _written_start_s(row: Mapping[str, Any]) -> float:
    return datetime.fromisoformat(row["start"]).timestamp() - float(row["moved_s"])


def _statistics(document: Mapping[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    """Tracking share and agreement over everything, by device and quantity; the unit under ``unit``."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    rows = sorted(document.get("agreement") or [], key=lambda r: r.get("clock") != "declared")
    for row in rows:  # the fitted clock last, so that it stays
        if row.get("by") in _OVERALL and row.get("readings") == "all" and row.get("clock") in ("fitted", "declared"):
            cell = found.setdefault((row["device"], row["quantity"]), {})
            cell |= {**(row.get("statistics") or {}), "unit": row.get("unit") or ""}
    for row in document.get("tracking") or []:
        if row.get("by") in _OVERALL:
            found.setdefault((row["device"], row["quantity"]), {})[TRACKING] = row
    return found


def _headline(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = _statistics(old), _statistics(new)
    labels = _labels(old, new)
    primary = (new.get("declared") or {}).get("primary") or {}
    several = len({*was, *is_now}) > 1
    for device, quantity in dict.fromkeys((*was, *is_now)):
        before, after = was.get((device, quantity), {}), is_now.get((device, quantity), {})
        declared = (primary.get("device"), primary.get("quantity")) == (device, quantity)
        names = dict.fromkeys((*HEADLINE, *([primary["statistic"]] if declared else [])))
        unit = str(after.get("unit") or before.get("unit") or "")
        about = f"{labels.get(device, device)}, {quantity.replace('_', ' ')}: " if several else ""
        for name in names:
            one, other = before.get(name) or {}, after.get(name) or {}
            if all(_equal(one.get(key), other.get(key)) for key in ("value", "low", "high")):
                continue
            words = _moved(name, one, other, unit)
            yield Change(
                kind="headline",
                about=f"{device}/{quantity}/{name}",
                before=_ends(one),
                after=_ends(other),
                said=f"{about}{LABEL.get(name, name.replace('_', ' '))} {words}",
                shows=words.split(" -> ")[0] != words.split(" -> ")[1],
            )


def _labels(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """What devices are called."""
    return {row["device"]: row.get("label") or row["device"] for d in (old, new) for row in d.get("devices") or []}


def _ends(found: Mapping[str, Any]) -> dict[str, Any] | None:
    return {key: found.get(key) for key in ("value", "low", "high")} if found else None


def _equal(one: Any, other: Any) -> bool:
    if finite(one) and finite(other):
        return bool(abs(one - other) <= SAME * max(abs(one), abs(other), 1e-3))
    return (one is None) == (other is None)


def _moved(name: str, one: Mapping[str, Any], other: Mapping[str, Any], unit: str) -> str:
    """``3.1 bpm (2.2 to 4.0) -> 3.4 bpm (2.5 to 4.3)``."""
    both = []
    for found in (one, other):
        value, span = statistic_words(name, found or {"why": "none"}, unit=unit)
        both.append(f"{value} ({span})" if span else value)
    return " -> ".join(both)


def _episodes(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    common = set(_names(old)) & set(_names(new))
    groups: dict[tuple[str, str, str], tuple[list[dict[str, Any]], list[dict[str, Any]]]] = {}
    for side, document in enumerate((old, new)):
        for row in document.get("episodes") or []:
            if row["session"] in common:
                key = (row["session"], row["device"], row["quantity"])
                groups.setdefault(key, ([], []))[side].append(row)
    for was, is_now in groups.values():
        for one in was:
            partner = max(is_now, key=lambda other: _shared_s(one, other), default=None)
            if partner is None or _shared_s(one, partner) <= 0:
                yield _episode("vanished", one, None)
            elif partner["state"] != one["state"]:
                yield _episode("relabelled", one, partner)
        for other in is_now:
            if all(_shared_s(one, other) <= 0 for one in was):
                yield _episode("appeared", None, other)


def _shared_s(one: Mapping[str, Any], other: Mapping[str, Any]) -> float:
    """Seconds that two episodes have in common; negative apart."""
    starts, ends = ([datetime.fromisoformat(row[key]) for row in (one, other)] for key in ("start", "end"))
    return (min(ends) - max(starts)).total_seconds()


def _episode(word: str, one: Mapping[str, Any] | None, other: Mapping[str, Any] | None) -> Change:
    row = other or one or {}
    start, end = (datetime.fromisoformat(row[key]) for key in ("start", "end"))
    at = f"{start:%Y-%m-%d %H:%M:%S} to {end:%H:%M:%S} UTC"
    states = [STATE_LABEL.get(r["state"], r["state"]) for r in (one, other) if r is not None]
    said = f"{row['session']}, {row['device']}: {' -> '.join(states)} {word}, {at}"
    return Change(
        kind=f"episode_{word}",
        about=row["id"],
        before=None if one is None else one["state"],
        after=None if other is None else other["state"],
        said=said,
    )


def _findings(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    was, is_now = ({row["id"]: row for row in d.get("findings") or []} for d in (old, new))
    for name in dict.fromkeys((*was, *is_now)):
        one, other = was.get(name), is_now.get(name)
        if one is None or other is None:
            word = "new" if one is None else "gone"
            row = one or other or {}
            head = str(row.get("claim") or "").partition(". ")[0].removesuffix(".")
            kind = "finding_added" if one is None else "finding_removed"
            yield Change(kind=kind, about=name, said=f"finding {word}, {row.get('device')}: {head} [{name}]")
            continue
        before, after = _direction(one), _direction(other)
        if before != after and None not in (before, after):
            said = f"{other.get('device')}: {_leaning(before, after)} [{name}]"
            yield Change(kind="direction", about=name, before=before, after=after, said=said)


def _direction(finding: Mapping[str, Any]) -> int | None:
    """Which way a finding says that readings lean: +1, -1, 0 where its interval crosses zero, None without one."""
    evidence = finding.get("evidence")
    bias = (evidence.get("statistics") or {}).get("bias") if isinstance(evidence, Mapping) else None
    if not bias or not (finite(bias.get("low")) and finite(bias.get("high"))):
        return None
    return 1 if bias["low"] > 0 else -1 if bias["high"] < 0 else 0


def _leaning(before: int | None, after: int | None) -> str:
    words = {1: "too high", -1: "too low"}
    if after == 0:
        return f"read {words[before or 1]} before; its interval now crosses zero, so no direction can be claimed"
    if before == 0:
        return f"no direction could be claimed before; now it reads {words[after or 1]}"
    return f"changed direction, from {words[before or 1]} to {words[after or 1]}"


def change_lines(changes: tuple[Change, ...], *, since: str) -> list[str]:
    """The changes for a person: one sentence of all, then line by line.

    Parameters
    ----------
    changes : tuple of Change
    since : str
        What was compared with: ``run 4``, ``release first``.
    """
    if not changes:
        return [f"Since {since}: nothing moved. No finding changed direction."]
    lines = [f"Since {since}: {_summary(changes)}"]
    for kinds in (
        ("tool", "setting", "decision", "declaration", "input_added", "input_removed", "input_changed"),
        ("bout_moved", "bout_added", "bout_removed"),
        ("headline",),
        ("episode_relabelled", "episode_appeared", "episode_vanished"),
        ("direction", "finding_added", "finding_removed"),
    ):
        told = [change.said for change in changes if change.kind in kinds and change.shows]
        lines += [f"- {said}" for said in told[:MOST_LISTED]]
        if len(told) > MOST_LISTED:
            lines.append(f"- ... and {len(told) - MOST_LISTED} more of these: --json lists all")
    hidden = sum(not change.shows for change in changes)
    if hidden:
        lines.append(f"- {plural(hidden, 'number')} moved by less than is shown.")
    return lines


def _summary(changes: tuple[Change, ...]) -> str:
    """``+S14. Tracking share 83 -> 81 %. One episode in S03 relabelled. No finding changed direction.``"""
    of = {kind: [c for c in changes if c.kind == kind] for kind in dict.fromkeys(c.kind for c in changes)}
    parts = [" ".join(c.said for c in (*of.get("session_added", []), *of.get("session_removed", [])))]
    files = [c for kind in ("input_added", "input_removed", "input_changed") for c in of.get(kind, [])]
    if files:
        parts.append(f"{plural(len(files), 'recording', words=True).capitalize()} changed")
    if "setting" in of:
        parts.append("Setting changed: " + join_words([c.about for c in of["setting"]]))
    bouts = [c.said for c in of.get("bout_moved", [])]
    parts += (
        bouts if len(bouts) <= MOST_BOUTS else [f"Bouts moved in {len({c.about for c in of['bout_moved']})} sessions"]
    )
    shares = [c for c in of.get("headline", []) if c.about.endswith(f"/{TRACKING}") and c.shows]
    parts += [words for c in shares if (words := _share_moved(c))]
    for word in ("relabelled", "appeared", "vanished"):
        rows = of.get(f"episode_{word}", [])
        if rows:
            where = dict.fromkeys(c.said.partition(",")[0] for c in rows)
            place = f" in {join_words(list(where))}" if len(where) <= 3 else f" in {len(where)} sessions"
            parts.append(f"{plural(len(rows), 'episode', words=True).capitalize()}{place} {word}")
    turned = len(of.get("direction", []))
    if turned:
        parts.append(f"{plural(turned, 'finding', words=True).capitalize()} changed direction or crossed zero")
    else:
        parts.append("No finding changed direction")
    return ". ".join(part for part in parts if part) + "."


def _share_moved(change: Change) -> str:
    """``Tracking share 83 -> 81 %``, with the device where there are several; nothing where only its interval moved."""
    head = "" if change.said.startswith(LABEL[TRACKING]) else change.said.partition(": ")[0]
    before, after = (statistic_words(TRACKING, found, unit="")[0] for found in (change.before, change.after))
    if before == after:
        return ""
    short = before.removesuffix(" %") if after.endswith(" %") else before
    return f"Tracking share{f' ({head})' if head else ''} {short} -> {after}"
