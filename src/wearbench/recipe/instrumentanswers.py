"""Objections to the instruments: clocks, reference, averaging, how it was worn."""

from __future__ import annotations

import math
from typing import Any, Final

from wearbench.recipe.case import Answer, Case, cannot
from wearbench.recipe.support import Support, support_of
from wearbench.wording import duration, finite, join_words, number, plural, share

__all__ = ["of_averaging", "of_clocks", "of_fit", "of_reference", "of_strap"]

_MARKS: Final = "Marks on both devices (a tap, a button) at the start and the end of each session."
_SECOND: Final = "Beat intervals (RR) or an ECG as reference, or a second reference worn at the same time."
_OF_REFERENCE: Final = ("doubtful_kept", "doubtful_strict", "unmended")
_HALVES: Final = ("averaging_halved", "averaging_doubled")


def of_clocks(case: Case) -> Answer:
    """As if each clock stood at either end of its interval, were fitted on other data, or not fitted at all."""
    rows = case.rows("clock")
    trust = [str(row["trust"]) for row in rows]
    weak, refused, declared = (trust.count(word) for word in ("weak", "refused", "declared"))
    numbers: dict[str, Any] = {"weak": weak, "refused": refused, "declared": declared, "n_sessions": len(rows)}
    words, found = case.under("clock_early", "clock_late", "delay_shorter", "delay_longer")
    if not words:
        if declared:
            why = f"the clock was declared, not fitted, in {plural(declared, 'session')}: it has no interval to move in"
        else:
            why = "no clock is known to an interval that it could be moved in"
        return cannot(why, _MARKS, **numbers)
    said = []
    halves = [0.5 * (r["high_s"] - r["low_s"]) for r in rows if finite(r["low_s"]) and finite(r["high_s"])]
    halves = sorted(half for half in halves if half > 0)
    if halves:
        middle, most = halves[len(halves) // 2], halves[-1]
        numbers |= {"half_width_s": middle, "half_width_most_s": most}
        worst = "" if len(halves) == 1 else f" in the middle session and ±{number(most)} s in the worst"
        said.append(f"The clock is known to ±{number(middle)} s{worst}.")
    said.append(f"With every clock at the early or the late end of that: {words}.")
    crossed, stamped = (case.mean_error(clock=clock) for clock in ("cross_fitted", "declared"))
    if crossed is not None:
        said.append(f"With a clock fitted on the other half of each session: mean error {number(crossed)}.")
        numbers["mae_cross_fitted"] = crossed
    if stamped is not None:
        said.append(f"With none fitted, as stamped: {number(stamped)}.")
        numbers["mae_as_stamped"] = stamped
    if weak or refused:
        kept, more = case.under("good_clocks")
        rest = f"; without these: {kept}" if kept else ""
        said.append(f"The clock is known poorly in {plural(weak, 'session')} and not at all in {refused}{rest}.")
        numbers |= {f"good_clocks_{key}": value for key, value in more.items()}
    return Answer(words=" ".join(said), would=_MARKS, numbers=numbers | found)


def of_strap(case: Case) -> Answer:
    """As if the reference were wrong where the device failed: what speaks for it there."""
    found = support_of(case.group)
    names = ("failed_s", "regular_s", "beats_s", "at_cadence_s", "second_s", "agrees_s")
    numbers: dict[str, Any] = {name: getattr(found, name) for name in names}
    words, more = case.under(*_OF_REFERENCE)
    numbers |= more
    again = f" Otherwise ({case.named(*_OF_REFERENCE)}): {words}." if words else ""
    if found.failed_s <= 0:
        if words:
            said = f"It did not fail anywhere beside a reference that is trusted.{again}"
            return Answer(words=said, would=_SECOND, numbers=numbers)
        why = "nothing failed, and the reference was never in doubt: there is nothing to set the one against the other"
        return cannot(why, _SECOND, **numbers)
    parts = _for_it(case, found)
    if not parts:
        why = "the reference gave a rate, of which no single beat can be looked at, and there was no second one"
        return cannot(why, _SECOND, **numbers)
    if found.at_cadence_s > 0:
        parts.append(
            f"in {share(found.at_cadence_s / found.failed_s)} the reference is itself near the cadence or twice the "
            "cadence, where it could be the one that went wrong"
        )
    said = f"It failed for {duration(found.failed_s)}. Of that: {'; '.join(parts)}.{again}"
    return Answer(words=said, would=None if found.second_s > 0 else _SECOND, numbers=numbers)


def _for_it(case: Case, found: Support) -> list[str]:
    parts = []
    if found.beats_s > 0:
        parts.append(
            f"in {share(found.regular_s / found.failed_s)} the reference's beats are regular, none mended and none in "
            "doubt (looked for without the tested device)"
        )
    if found.second_s > 0:
        parts.append(
            f"in {duration(found.second_s)} there was a second reference ({case.label(found.second)}), which agrees "
            f"within 5 % in {share(found.agrees_s / found.second_s)}"
        )
    return parts


def of_averaging(case: Case) -> Answer:
    """As if the averaging were at the ends of its interval, and half and double."""
    would = "Declare averaging_s for the device in study.toml, where its maker says it."
    window = next(iter(case.rows("windows")), {})
    length, low, high = (window.get(f"averaging_{key}") for key in ("s", "low_s", "high_s"))
    numbers: dict[str, Any] = {"averaging_s": length, "low_s": low, "high_s": high}
    halves = [case.one.mean_error(case.one.named(name)) for name in _HALVES]
    if not all(math.isfinite(value) for value in halves) or not finite(length):
        return cannot(
            "each value has a window of its own in the file, or is of an instant, and no other was tried", would
        )
    numbers |= {"mae_halved": halves[0], "mae_doubled": halves[1]}
    how = str(window.get("averaging_how") or window.get("method") or "")
    interval = f" ({number(low)} to {number(high)} s)" if finite(low) and finite(high) and low != high else ""
    said = f"Each value is held against the reference averaged the same way: over {number(length)} s{interval}, {how}."
    words, more = case.under("averaging_shorter", "averaging_longer")
    if words:
        said += f" At either end of its interval: {words}."
    said += f" With half and double the averaging, further than is likely: {case.errors(halves)}."
    return Answer(words=said.replace(", .", "."), would=would, numbers=numbers | more)


def of_fit(case: Case) -> Answer:
    """As if the sessions in which it was loosened did not count."""
    would = (
        "Wear it loose and tight in turn, and write down which in wear.csv (loosened) or in a column of sessions.csv."
    )
    spans = [w for w in case.study.wear if w.device == case.one.device and w.what == "loosened"]
    sites = sorted({s.wear_site for _, s in case.group if s.wear_site})
    where = f"It was worn on {join_words(sites)}. " if sites else ""
    loose = {
        r.material.name
        for r, s in case.group
        for w in spans
        if s.pairs.end_s.size
        and w.start_ms <= r.material.origin_ms + 1000.0 * float(s.pairs.end_s[-1])
        and w.end_ms >= r.material.origin_ms + 1000.0 * float(s.pairs.start_s[0])
    }
    picks = [
        a if name not in loose else None for a, name in zip(case.one.analysed.picks, case.one.sessions, strict=True)
    ]
    fault = case.fault
    if not loose or fault is None or not any(picks):
        found = cannot("how tightly it was worn was not written down", would, wear_sites=sites)
        return Answer(words=where + found.words, answered=False, would=would, numbers=found.numbers)
    state, least_s = str(fault["state"]), float(fault["least_seconds"])
    k, n = case.one.affected(picks, state, least_s=least_s)
    said = (
        f"{where}It was loosened in {plural(len(loose), 'session')}; in the others it failed as follows: "
        f"{k} of {n} (all sessions: {fault['n_affected']} of {fault['n_sessions']})."
    )
    return Answer(words=said, would=would, numbers={"loosened": sorted(loose), "n_affected": k, "n_sessions": n})


def of_reference(case: Case) -> Answer:
    """What the reference is, and how far a second one is from it."""
    found = support_of(case.group)
    references = [
        row
        for row in case.document.get("references") or []
        if row["quantity"] == case.one.quantity and row.get("chosen") and row["session"] in case.one.sessions
    ]
    names = join_words(sorted({case.label(str(row["device"])) for row in references}))
    seconds = sum(float(row["seconds"]) for row in references)
    doubtful = sum(float(row["doubtful_seconds"]) for row in references)
    numbers: dict[str, Any] = {"seconds": seconds, "doubtful_seconds": doubtful}
    trusted = share(1.0 - doubtful / seconds) if seconds > 0 else "–"
    said = f"The reference is {names}; {trusted} of what it recorded is free of doubt."
    if found.second and math.isfinite(found.apart):
        numbers |= {"second": found.second, "apart": found.apart}
        tested = number(case.one.mean_error(case.one.analysed.picks))
        said += (
            f" A second one ({case.label(found.second)}, as stamped) is {number(found.apart)} {case.one.unit} from it "
            f"on average; the tested device {tested}."
        )
        return Answer(words=said, would=None, numbers=numbers)
    missing = cannot("how far off the reference itself is was not measured", _SECOND)
    return Answer(words=f"{said} {missing.words}", answered=False, would=_SECOND, numbers=numbers)
