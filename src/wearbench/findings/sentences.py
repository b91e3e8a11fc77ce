"""Results into sentences: each with its scope, its numbers and its method, and none stronger than its interval."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import polars as pl

from wearbench.core.resample import exact_proportion
from wearbench.findings.subject import Subject, distinct, subjects
from wearbench.wording import (
    FAILURES,
    NOT_JUDGED,
    STATE_DID,
    STATE_LABEL,
    duration,
    finite,
    half_width,
    join_words,
    number,
    plural,
    share,
    signed,
    span_words,
)

__all__ = ["Finding", "as_rows", "find", "findings_of", "usual_interval_s"]

ONE_SESSION: Final = "One session is an anecdote; more sessions, on other days, would make it more."


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """A sentence the study supports.

    ``id`` depends on device, quantity and kind alone and so stays the same from run to run. ``evidence`` holds the
    kind, the numbers unrounded, the sessions concerned and the method.
    """

    id: str
    device: str
    claim: str
    scope: str
    evidence: dict[str, Any]


Said = tuple[str, str, dict[str, Any]]


def find(document: Mapping[str, Any], pairs: pl.DataFrame) -> list[Finding]:
    """Sentences the study supports, the most important first for each device.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``; its ``findings`` are not read.
    pairs : polars.DataFrame
        Content of ``pairs.parquet``.

    Returns
    -------
    list of Finding
    """
    return findings_of(subjects(document, pairs))


def findings_of(found: list[Subject]) -> list[Finding]:
    """The same for subjects already gathered.

    Parameters
    ----------
    found : list of Subject

    Returns
    -------
    list of Finding
    """
    said = []
    for subject in found:
        scope = f"{subject.label}, {subject.what}: {subject.scope}"
        for say in _KINDS:
            for kind, claim, evidence in say(subject):
                key = hashlib.sha256(f"{subject.device}\0{subject.quantity}\0{kind}".encode()).hexdigest()
                said.append(
                    Finding(
                        id=f"F-{key[:8]}",
                        device=subject.device,
                        claim=claim,
                        scope=scope,
                        evidence={"kind": kind, "quantity": subject.quantity, **evidence},
                    )
                )
    return said


def as_rows(findings: list[Finding]) -> list[dict[str, Any]]:
    """Findings as plain dictionaries, as they stand in ``results.json``."""
    return [asdict(f) for f in findings]


def _here(subject: Subject) -> str:
    return "In this one session it" if len(subject.sessions) == 1 else "It"


def _say_tracking(subject: Subject) -> Iterator[Said]:
    track = subject.tracking()
    if track is None or track["judged_s"] <= 0:
        return
    asked = track["judged_s"] + track["missing_s"]
    sure = ""
    if len(subject.judged_sessions) > 1 and finite(track["low"]) and finite(track["high"]):
        level = f"{100 * subject.confidence:g} %"
        sure = f" ({level} interval {share(track['low'])} to {share(track['high'])})"
    claim = (
        f"{_here(subject)} was right for {share(track['share'])} of the time{sure}. That is "
        f"{duration(track['faithful_s'])} of the {duration(asked)} in which it should have given a value beside a "
        "trustworthy reference."
    )
    by_session = subject.by_session()
    if len(by_session) > 1:
        worst, best = min(by_session.values()), max(by_session.values())
        claim += f" Session by session this went from {share(worst)} to {share(best)}."
    if track["missing_s"] > 0:
        claim += (
            f" Time without a value ({duration(track['missing_s'])}) counts as wrong here; counted as right it "
            f"would be {share(track['if_missing_right'])}."
        )
    unjudged = _unjudged_s(subject.pairs)
    if unjudged > 0:
        claim += f" Another {duration(unjudged)} could not be judged."
    method = track["method"] or "seconds labelled faithful over judged plus missing seconds"
    yield "tracking", claim, {**track, "unjudged_s": unjudged, "by_session": by_session, "method": method}


def _unjudged_s(pairs: pl.DataFrame) -> float:
    """Time that could not be judged; what a rule or a decision left out is another matter."""
    left_out = pl.col("reason").is_in(("rule", "left_out", "not_worn")).fill_null(value=False)
    return float(pairs.filter(~pl.col("used") & ~left_out)["seconds"].sum() or 0.0) if pairs.height else 0.0


def _statistics(row: Mapping[str, Any] | None) -> dict[str, dict[str, Any]]:
    found = (row or {}).get("statistics") or {}
    return {name: s for name, s in found.items() if isinstance(s, dict)}


def _leaning(bias: Mapping[str, Any], unit: str) -> str:
    """What the bias allows one to say: a direction only when its interval excludes zero."""
    value, low, high = bias.get("value"), bias.get("low"), bias.get("high")
    if not finite(value) or value is None:
        return f"Which way it leans cannot be given: {bias.get('why') or 'no value'}."
    words = span_words(bias, unit=unit, with_sign=True)
    if not (finite(low) and finite(high)) or low is None or high is None:
        return f"Its mean difference was {words}; without an interval no leaning can be claimed."
    if low > 0 or high < 0:
        return f"On balance it read too {'high' if value > 0 else 'low'}: {words}."
    return f"It cannot be said to lean one way: mean difference {words}."


def _say_accuracy(subject: Subject) -> Iterator[Said]:
    row = subject.overall()
    stats = _statistics(row)
    if row is None or not stats:
        return
    unit = subject.unit
    mae, bias = stats.get("mae", {}), stats.get("bias", {})
    low, high = stats.get("limit_low", {}), stats.get("limit_high", {})
    parts = []
    if finite(mae.get("value")):
        parts.append(f"{_here(subject)} was off by {span_words(mae, unit=unit)} on average, over all readings.")
    elif mae:
        parts.append(f"How far it was off on average cannot be given: {mae.get('why') or 'no value'}.")
    if bias:
        parts.append(_leaning(bias, unit))
    if finite(low.get("value")) and finite(high.get("value")):
        wide = max((w for w in (half_width(low), half_width(high)) if w), default=None)
        parts.append(
            f"About 19 of 20 readings lie between {signed(low['value'], uncertainty=wide)} and "
            f"{signed(high['value'], uncertainty=wide)} {unit} of the reference"
            + (
                f"; the data allow {signed(low.get('low'), uncertainty=wide)} to "
                f"{signed(high.get('high'), uncertainty=wide)}."
                if wide
                else "; how sure these limits are cannot be given."
            )
        )
    elif low.get("why"):
        parts.append(f"Limits of agreement cannot be given: {low['why']}.")
    if not parts:
        return
    yield "accuracy", " ".join(parts), _from(row)


def _from(row: Mapping[str, Any]) -> dict[str, Any]:
    keep = ("reference_device", "readings", "clock", "n_pairs", "n_sessions", "n_participants", "statistics")
    return {key: row.get(key) for key in keep}


def _say_faithful(subject: Subject) -> Iterator[Said]:
    row, track = subject.overall("faithful"), subject.tracking()
    mae = _statistics(row).get("mae", {})
    if row is None or track is None or not finite(mae.get("value")):
        return
    claim = (
        f"While it was right ({share(track['share'])} of the time) it was off by {span_words(mae, unit=subject.unit)} "
        "on average. These readings were chosen for being close, so this is not comparable with published errors."
    )
    yield "accuracy_faithful", claim, {**_from(row), "tracking_share": track["share"]}


def _say_states(subject: Subject) -> Iterator[Said]:
    total = subject.judged_sessions
    if not total or not subject.states:
        return
    seconds = subject.seconds()
    absent = []
    for state in sorted(FAILURES, key=lambda s: -seconds.get(s, 0.0)):
        episodes = [e for e in subject.episodes if e.get("state") == state]
        if not episodes and seconds.get(state, 0.0) <= 0:
            if state in ("halved", "doubled", "cadence_locked", "frozen"):
                absent.append(state)
            continue
        yield _one_state(subject, state, episodes, seconds.get(state, 0.0), total)
    if absent:
        bound = exact_proportion(0, len(total), confidence=subject.confidence)[1]
        names = join_words([f"“{STATE_LABEL[s]}”" for s in absent])
        claim = f"Not seen: {names}. "
        claim += (
            "One session without it says little."
            if len(total) == 1
            else f"With {plural(len(total), 'session')} without it, something that strikes up to {share(bound)} of "
            "sessions could still have gone unseen."
        )
        yield "not_seen", claim, {"states": absent, "n_sessions": len(total), "high": bound, "method": "exact binomial"}


def _one_state(subject: Subject, state: str, episodes: list[dict[str, Any]], seconds: float, total: list[str]) -> Said:
    row = next((r for r in subject.affected if r.get("state") == state), None)
    if row is not None and row.get("n_sessions"):
        hit, asked = list(row.get("sessions") or []), int(row["n_sessions"])
        at_least = float(row.get("least_seconds") or 0.0)
    else:
        hit, asked, at_least = (
            sorted({e["session"] for e in episodes if e.get("session") in set(total)}),
            len(total),
            0.0,
        )
    low, high = exact_proportion(len(hit), asked, confidence=subject.confidence)
    did = STATE_DID[state].format(what=subject.what)
    longest = max(episodes, key=lambda e: e.get("seconds") or 0.0, default=None)
    most = ""
    if longest is not None:
        most = f", for {duration(longest.get('seconds'))} at the longest ({longest.get('id')})"
    if len(total) == 1:
        claim = f"In this one session it {did}{most}. {duration(seconds)} in all."
    else:
        level = f"{100 * subject.confidence:g} %"
        claim = (
            f"It {did} in {len(hit)} of {plural(asked, 'session')}{most}. {duration(seconds)} in all. Share of "
            f"sessions affected: {share(len(hit) / asked)} ({level} interval {share(low)} to {share(high)})"
        )
        claim += f", counting sessions with {duration(at_least)} of it or more." if at_least > 0 else "."
    both = sum(1 for e in episodes if e.get("also"))
    if both:
        other = STATE_LABEL[str(next(e["also"] for e in episodes if e.get("also")))]
        claim += (
            f" In {both} of {plural(len(episodes), 'episode')} “{other}” fits as well: the two cannot be told apart."
        )
    evidence = {
        "state": state,
        "sessions": hit,
        "n_sessions": asked,
        "least_seconds": at_least,
        "share": len(hit) / asked,
        "low": low,
        "high": high,
        "seconds": seconds,
        "episodes": len(episodes),
        "longest": None if longest is None else longest.get("id"),
        "also": both,
        "method": "exact binomial interval over sessions" if len(total) > 1 else "",
    }
    return f"state_{state}", claim, evidence


def _ranked(rows: list[dict[str, Any]]) -> list[tuple[str, dict[str, Any]]]:
    found = [(str(r.get("group")), _statistics(r).get("mae", {})) for r in rows if r.get("group") not in (None, "")]
    return sorted((f for f in found if finite(f[1].get("value"))), key=lambda f: -float(f[1]["value"]))


def _apart(worse: Mapping[str, Any], better: Mapping[str, Any]) -> bool:
    low, high = worse.get("low"), better.get("high")
    return finite(low) and finite(high) and low is not None and high is not None and low > high


def _say_activity(subject: Subject) -> Iterator[Said]:
    ranked = _ranked(subject.groups("activity"))
    if len(ranked) < 2 or len(subject.judged_sessions) < 2:
        return
    (worst, most), (best, least) = ranked[0], ranked[-1]
    claim = (
        f"The largest mean error came with {worst}: {span_words(most, unit=subject.unit)}; the smallest with {best}: "
        f"{span_words(least, unit=subject.unit)}."
    )
    if not _apart(most, least):
        claim += " The intervals overlap or are missing, so this order may be chance."
    yield "worst_activity", claim, {"mae": dict(ranked), "method": "mean absolute error by activity, all readings"}


def _say_firmware(subject: Subject) -> Iterator[Said]:
    order = distinct(subject.pairs.sort("time"), "firmware") if subject.pairs.height else []
    rows = {str(r.get("group")): r for r in subject.groups("firmware")}
    known = [v for v in order if v in rows and finite(_statistics(rows[v]).get("mae", {}).get("value"))]
    if len(known) < 2:
        return
    before, after = known[0], known[-1]
    parts: list[str] = []
    evidence: dict[str, dict[str, Any]] = {}
    for version in (before, after):
        mae, track = _statistics(rows[version])["mae"], subject.tracking("firmware", version)
        right = f", right for {share(track['share'])} of the time" if track else ""
        count = plural(int(rows[version].get("n_sessions") or 0), "session")
        parts.append(f"on {version} it was off by {span_words(mae, unit=subject.unit)}{right} ({count})")
        evidence[version] = {"mae": mae, "tracking": track, "n_sessions": rows[version].get("n_sessions")}
    old, new = evidence[before]["mae"], evidence[after]["mae"]
    if _apart(old, new) or _apart(new, old):
        verdict = (
            f"The two differ by more than their intervals ({'smaller' if _apart(old, new) else 'larger'} error on "
            f"{after}); whether the firmware did it or the sessions differed otherwise, this alone cannot say."
        )
    else:
        verdict = "The intervals overlap or are missing: no change can be claimed, and none ruled out."
    claim = f"Firmware: {parts[0]}; {parts[1]}. {verdict}"
    yield "firmware", claim, {"versions": evidence, "method": "described side by side; not a test"}


def _say_missing(subject: Subject) -> Iterator[Said]:
    seconds = subject.seconds()
    if not seconds:
        return
    missing = seconds.get("missing", 0.0)
    gaps = [e for e in subject.episodes if e.get("state") == "missing"]
    if missing <= 0:
        return
    asked = missing + sum(s for state, s in seconds.items() if state not in NOT_JUDGED)
    hit = sorted({str(e.get("session")) for e in gaps})
    claim = f"{_here(subject)} gave no value for {duration(missing)} ({share(missing / asked)} of the time)"
    if gaps:
        longest = max(gaps, key=lambda e: e.get("seconds") or 0.0)
        claim += (
            f", in {plural(len(hit), 'session')}; the longest gap was {duration(longest.get('seconds'))} "
            f"({longest.get('id')})"
        )
    evidence = {"seconds": missing, "asked_s": asked, "sessions": hit, "episodes": len(gaps)}
    yield "missing", claim + ".", {**evidence, "method": "time beyond the usual rhythm without a reading"}


def _say_clock(subject: Subject) -> Iterator[Said]:
    fits = [c for c in subject.clock if finite(c.get("offset_s"))]
    if not fits:
        refused = [c for c in subject.clock if c.get("trust") in ("refused", "none")]
        if refused:
            claim = f"Its clock could not be fitted in {plural(len(refused), 'session')}."
            yield "clock", claim, {"sessions": [c.get("session") for c in refused]}
        return
    offsets = [float(c["offset_s"]) for c in fits]
    low, middle, high = min(offsets), sorted(offsets)[len(offsets) // 2], max(offsets)
    if all(c.get("trust") == "declared" for c in fits):
        how = f"{signed(middle)} s" if high - low < 0.05 else f"{signed(low)} to {signed(high)} s"
        claim = f"Its clock was declared, not fitted ({how}). All that is said here rests on that."
        yield "clock", claim, {"offset_s": offsets, "weak": [], "method": str(fits[0].get("method") or "declared")}
        return
    halves = sorted(w for w in (_clock_half(c) for c in fits) if w is not None)
    half = halves[len(halves) // 2] if halves else None
    sure = f" (±{number(max(half, 0.1), decimals=1 if half < 10 else 0)})" if half is not None else ""
    side = "behind" if middle > 0 else "ahead"
    amount = f"{number(abs(middle), uncertainty=half)} s{sure} {side}" if abs(middle) >= 0.05 else f"right{sure}"
    claim = f"Its clock was {amount}"
    if high - low > 2 * (half or 0.0):
        claim += (
            f" in the middle session, from {signed(low, uncertainty=half)} to {signed(high, uncertainty=half)} s over "
            f"{plural(len(fits), 'session')} (plus is behind)"
        )
    elif len(fits) > 1:
        claim += f" in all {plural(len(fits), 'session')}"
    if any(c.get("offset_is") == "clock_minus_delay" for c in fits):
        claim += "; whether its clock was off or its values came late cannot be told apart"
    alike = _looks_like(fits)
    claim += f"; {alike}" if alike else ""
    weak = sorted(str(c.get("session")) for c in subject.clock if c.get("trust") in ("weak", "refused"))
    claim += "" if alike else "."
    if weak:
        claim += f" The fit is weak in {plural(len(weak), 'session')}: {join_words(weak[:6])}"
        claim += f" and {len(weak) - 6} more." if len(weak) > 6 else "."
    yield "clock", claim, {"offset_s": offsets, "weak": weak, "method": "median of the fitted offsets over sessions"}


def _looks_like(fits: Sequence[Mapping[str, Any]]) -> str:
    """What the offsets look like (a zone, an hour, a day), by how many sessions; a question."""
    said: dict[str, list[str]] = {}
    for fit in fits:
        if fit.get("looks_like"):
            # The size differs by seconds from session to session; what it looks like does not.
            why = str(fit["looks_like"]).removeprefix("its clock is ")
            said.setdefault(why, []).append(str(fit.get("session")))
    if not said:
        return ""
    why, sessions = max(said.items(), key=lambda item: (len(item[1]), item[0]))
    if len(fits) == 1:
        return why
    return f"in {plural(len(sessions), 'session')} ({join_words(sessions[:6])}) {why}"


def _clock_half(fit: Mapping[str, Any]) -> float | None:
    low, high = fit.get("low_s"), fit.get("high_s")
    return (high - low) / 2 if finite(low) and finite(high) and low is not None and high is not None else None


def _say_reference(subject: Subject) -> Iterator[Said]:
    if not subject.pairs.height:
        return
    reason = pl.col("reason") == "reference_doubtful"
    compared = pl.col("reference").is_finite() & pl.col("tested").is_finite()
    doubtful = subject.pairs.filter(reason)
    seconds = float(doubtful["seconds"].sum() or 0.0)
    whole = float(subject.pairs["seconds"].sum() or 0.0)
    if seconds <= 0 or whole <= 0:
        return
    apart = (pl.col("tested") - pl.col("reference")).abs().mean()
    without = _statistics(subject.overall()).get("mae", {}).get("value")
    kept = next((r for r in subject.agreement if r.get("by") == "doubtful_reference"), None)
    with_it = _statistics(kept).get("mae", {}).get("value")
    if with_it is None:
        with_it = subject.pairs.filter((pl.col("used") | reason) & compared).select(apart).item()
    sessions = sorted(doubtful["session"].unique().to_list())
    claim = (
        f"The reference itself was doubtful for {duration(seconds)} ({share(seconds / whole)} of its readings' time), "
        f"in {plural(len(sessions), 'session')}; that time is left out. Mean error without it "
        f"{number(without)} {subject.unit}, with it {number(with_it)} {subject.unit}."
    )
    yield (
        "reference_doubtful",
        claim,
        {
            "seconds": seconds,
            "sessions": sessions,
            "mae_without": without,
            "mae_with": with_it,
            "method": "reference judged without looking at the tested device",
        },
    )


def _say_rhythm(subject: Subject) -> Iterator[Said]:
    said = [float(w["usual_interval_s"]) for w in subject.windows if finite(w.get("usual_interval_s"))]
    rhythm = min(said, default=None) if said else usual_interval_s(subject.pairs)
    if rhythm is None:
        return
    averaging = max((float(w["averaging_s"]) for w in subject.windows if finite(w.get("averaging_s"))), default=0.0)
    shortest = max(2 * rhythm, averaging)
    every = "one value a second" if abs(rhythm - 1) < 0.05 else f"one value every {duration(rhythm)}"
    claim = f"It gave {every}"
    if averaging > 1.5 * rhythm:
        claim += f", each an average over about {duration(averaging)}"
    claim += f": nothing shorter than about {duration(shortest)} can be seen in it."
    yield "rhythm", claim, {"interval_s": rhythm, "averaging_s": averaging, "method": "median step between readings"}


def usual_interval_s(pairs: pl.DataFrame) -> float | None:
    """Median step between readings of one session, in seconds; None with fewer than two readings."""
    if pairs.height < 2:
        return None
    step = pl.col("time").diff().over("session").dt.total_milliseconds() / 1000.0
    steps = pairs.sort("session", "time").select(step.alias("step")).filter(pl.col("step") > 0)
    value = steps["step"].median()
    return float(value) if isinstance(value, float) and value > 0 else None


def _say_one_session(subject: Subject) -> Iterator[Said]:
    if len(subject.judged_sessions) == 1:
        yield "one_session", ONE_SESSION, {"sessions": subject.judged_sessions}


def _say_nothing_judged(subject: Subject) -> Iterator[Said]:
    if subject.judged_sessions:
        return
    reasons = distinct(subject.pairs, "reason")
    why = f" (reasons: {join_words([r.replace('_', ' ') for r in reasons])})" if reasons else ""
    claim = f"Nothing could be judged: no reading has a trustworthy reference beside it{why}."
    yield "nothing_judged", claim, {"reasons": reasons, "n_readings": subject.pairs.height}


_KINDS: Final[tuple[Callable[[Subject], Iterator[Said]], ...]] = (
    _say_nothing_judged,
    _say_tracking,
    _say_accuracy,
    _say_one_session,
    _say_faithful,
    _say_states,
    _say_activity,
    _say_firmware,
    _say_missing,
    _say_clock,
    _say_reference,
    _say_rhythm,
)
