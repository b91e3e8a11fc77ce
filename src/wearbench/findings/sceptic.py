"""What stays when every doubt is given to the device, and in how many reasonable analyses each claim holds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import STATE_DID, STATE_LABEL, duration, finite, join_words, number, share, signed

__all__ = ["CLAIMS", "claim_label", "say_benefit", "say_choices", "shown_value"]

CLAIMS: Final = {"tracking": "how long it was right", "mae": "how far off it was", "bias": "which way it leans"}
_MOST_NAMED: Final = 4


def claim_label(claim: str) -> str:
    """A claim in lay words: a failure in quotation marks, or what a number is about."""
    return CLAIMS.get(claim) or f"“{STATE_LABEL.get(claim, claim)}”"


def shown_value(row: Mapping[str, Any]) -> str:
    """What one analysis gives for its claim: sessions affected, a share of time, or a difference."""
    if row.get("n_affected") is not None:
        return f"{row['n_affected']} of {row['n_sessions']} sessions"
    if row["claim"] == "tracking":
        return share(row["value"])
    show = signed if row["claim"] == "bias" else number
    return f"{show(row['value'])} {row.get('unit') or ''}".strip()


def say_benefit(subject: Subject) -> Iterator[Said]:
    """What remains of each fault, and of the mean error, with everything set in the device's favour."""
    rows = {str(row["what"]): row for row in subject.benefit}
    if not rows or all(row["n_fixed"] == row["n_sessions"] for row in rows.values()):
        return
    faults = [row for row in rows.values() if row.get("n_affected")]
    faults.sort(key=lambda r: (r["what"] != "missing", int(r["n_affected"])), reverse=True)
    each = "" if len(subject.judged_sessions) == 1 else " in each session"
    claim = f"Even with the clock, delay and averaging that flatter it most{each}, "
    claim += f"it {_still(subject, faults[0])}. {_others(faults[1:])}" if faults else ""
    claim += _error(rows["mae"], first=not faults)
    fixed = int(next(iter(rows.values()))["n_fixed"])
    if fixed:
        claim += f" In {fixed} of them nothing could be moved." if each else ""
    evidence = {
        "n_fixed": fixed,
        "rows": [
            {
                "what": row["what"],
                "analysed": row["analysed"]["value"],
                "flattered": row["flattered"]["value"],
                "n_affected": row["n_affected"],
                "n_affected_flattered": row["n_affected_flattered"],
                "n_sessions": row["n_sessions"],
                "least_seconds": row["least_seconds"],
            }
            for row in rows.values()
        ],
        "made_from": [_cite(subject, "benefit", what=what) for what in rows],
    }
    method = "chosen anew in each session, clock and averaging together, within their intervals"
    yield "benefit", claim, {**evidence, "method": method}


def _still(subject: Subject, row: Mapping[str, Any]) -> str:
    did = STATE_DID[str(row["what"])].format(what=subject.what)
    k, kept, n = (int(row[key]) for key in ("n_affected", "n_affected_flattered", "n_sessions"))
    least = f" for {duration(row['least_seconds'])} or more" if row.get("least_seconds") else ""
    if n == 1:
        return f"{did}{least}" if kept else f"would not have {_past(did)}{least}"
    if kept == k:
        return f"{did}{least} in {kept} of {n} sessions, as many as analysed"
    return f"{did}{least} in {kept} of {n} sessions; as analysed in {k} of {n}"


def _others(faults: Sequence[Mapping[str, Any]]) -> str:
    """The other faults: those that strike fewer sessions by name, then how many strike as many."""
    fewer = [row for row in faults if row["n_affected_flattered"] < row["n_affected"]]
    said = [
        f"“{STATE_LABEL[str(row['what'])]}” is left in {row['n_affected_flattered']} of {row['n_sessions']} sessions "
        f"instead of {row['n_affected']}. "
        for row in fewer
    ]
    same = [f"“{STATE_LABEL[str(row['what'])]}”" for row in faults if row not in fewer]
    if same:
        said.append(f"{join_words(same)} {'strikes' if len(same) == 1 else 'strike'} as many sessions as analysed. ")
    return "".join(said)


def _past(did: str) -> str:
    """What did not happen: the verb as a past participle."""
    verb, _, rest = did.partition(" ")
    return " ".join(filter(None, ({"was": "been", "gave": "given"}.get(verb, verb), rest)))


def _error(row: Mapping[str, Any], *, first: bool) -> str:
    analysed, flattered = row["analysed"]["value"], row["flattered"]["value"]
    if not finite(analysed) or not finite(flattered):
        return "no mean error can be given." if first else "No mean error can be given."
    said = f"off by {number(flattered)} {row['unit']} on average; as analysed by {number(analysed)}."
    return f"it was {said}" if first else f"It was {said}"


def say_choices(subject: Subject) -> Iterator[Said]:
    """In how many of the other reasonable analyses each claim holds, those in which it does not by name."""
    claims: dict[str, list[dict[str, Any]]] = {}
    for row in subject.choices:
        if row["analysis"] != "as_analysed":
            claims.setdefault(str(row["claim"]), []).append(row)
    if not claims:
        return
    firm = {c: rows for c, rows in claims.items() if all(row["holds"] for row in rows)}
    parts = []
    if firm:
        names = join_words([f"{claim_label(c)} (all {len(rows)})" for c, rows in firm.items()])
        parts.append(f"{names} {'holds' if len(firm) == 1 else 'hold'} in every one of them")
    parts += [_shaky(claim, rows) for claim, rows in claims.items() if claim not in firm]
    claim = "Under other reasonable choices, one at a time, " + ". ".join([parts[0], *map(_capital, parts[1:])]) + "."
    evidence = {
        "claims": {
            c: {
                "held": sum(bool(row["holds"]) for row in rows),
                "analyses": len(rows),
                "not_in": [row["analysis"] for row in rows if not row["holds"]],
            }
            for c, rows in claims.items()
        },
        "rows": [
            {k: row[k] for k in ("claim", "analysis", "value", "n_affected", "n_sessions")} for row in _failing(claims)
        ],
        "made_from": [_cite(subject, "choices", claim=c) for c in claims],
    }
    yield "choices", claim, {**evidence, "method": "every reasonable analysis shown, whatever came out; no probability"}


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _shaky(claim: str, rows: Sequence[Mapping[str, Any]]) -> str:
    failing = [row for row in rows if not row["holds"]]
    named = [f"{row['words']}, {shown_value(row)}" for row in failing[:_MOST_NAMED]]
    more = f" and {len(failing) - _MOST_NAMED} more" if len(failing) > _MOST_NAMED else ""
    return f"{claim_label(claim)} holds in {len(rows) - len(failing)} of {len(rows)} (fails: {'; '.join(named)}{more})"


def _failing(claims: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[Mapping[str, Any]]:
    return [row for rows in claims.values() for row in rows if not row["holds"]]


def _cite(subject: Subject, table: str, **keys: str) -> dict[str, Any]:
    return {"table": table, "keys": {"device": subject.device, "quantity": subject.quantity, **keys}}
