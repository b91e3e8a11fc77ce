"""What a sceptic will say: objections answered, what stays under doubt, other analyses, time without values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from wearbench.figures.choices import main_claim
from wearbench.findings import Subject, claim_label, shown_value
from wearbench.report.pieces import Figure
from wearbench.report.tables import Cell, Table
from wearbench.wording import duration, finite, number, share

__all__ = ["Objection", "ScepticView", "sceptic_view"]

_STEPS: Final = {
    "worn": "worn together",
    "reference_trustworthy": "reference trustworthy",
    "gave_values": "device gave values",
    "left_out_by_rule": "left out by rule",
    "left_out_by_hand": "left out by hand",
    "judged": "judged",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Objection:
    """What a sceptic says, the answer, and in small print what would answer it, or answer it better."""

    question: str
    answer: str
    would: str
    answered: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class ScepticView:
    """All of it for one device; ``lead`` says in plain words what holds."""

    lead: str
    objections: tuple[Objection, ...]
    benefit: Table | None
    figures: tuple[tuple[str, Figure], ...]
    choices: Table | None
    reasons: Table | None
    silence: Table | None


def sceptic_view(document: Mapping[str, Any], subject: Subject, figures: Mapping[str, Figure]) -> ScepticView | None:
    """What the page shows a sceptic of one device.

    Parameters
    ----------
    document : mapping
        Content of ``results.json``, plain.
    subject : Subject
    figures : mapping
        Its drawn figures by name.

    Returns
    -------
    ScepticView or None
        None where the study was not judged under other choices.
    """
    if not (subject.choices or subject.objections or subject.benefit):
        return None
    drawn = (
        (f"{_capital(claim_label(main_claim(subject)))} under every choice", "choices"),
        ("How far off it was under every choice", "choices_error"),
    )
    return ScepticView(
        lead=_lead(subject),
        objections=tuple(
            Objection(
                question=str(row["question"]),
                answer=str(row["answer"]),
                would=str(row.get("would_answer") or ""),
                answered=bool(row["answered"]),
            )
            for row in subject.objections
        ),
        benefit=_benefit(subject),
        figures=tuple((title, figures[name]) for title, name in drawn if name in figures),
        choices=_choices(subject),
        reasons=_reasons(subject),
        silence=_silence(document, subject),
    )


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _lead(subject: Subject) -> str:
    """How many objections the study answers, and how many checks of other analyses its claims pass."""
    rows = [row for row in subject.choices if row["analysis"] != "as_analysed"]
    held = sum(bool(row["holds"]) for row in rows)
    answered = sum(bool(row["answered"]) for row in subject.objections)
    parts = []
    if subject.objections:
        parts.append(
            f"Of {len(subject.objections)} things a sceptic may say, this study can answer {answered} with numbers."
        )
    if rows:
        count = len({row["claim"] for row in rows})
        what = "claim was" if count == 1 else f"{count} claims were"
        parts.append(
            f"Its {what} checked under other reasonable choices, one at a time: {held} of {len(rows)} checks hold."
        )
    return " ".join(parts)


def _benefit(subject: Subject) -> Table | None:
    rows = []
    for row in subject.benefit:
        both = [row["analysed"], row["flattered"]]
        if row.get("n_affected") is not None:
            shown = [f"{row[key]} of {row['n_sessions']}" for key in ("n_affected", "n_affected_flattered")]
        elif row["what"] == "tracking":
            shown = [share(each["value"]) for each in both]
        else:
            shown = [f"{number(each['value'])} {row['unit']}" for each in both]
        moved = len(row["sessions"])
        small = f"kinder in {moved} of {row['n_sessions']} sessions" if moved else "nothing is kinder"
        cells = [Cell(text=_capital(_counted(row)), small=small)]
        cells += [Cell(text=text, small=_interval(row, each)) for text, each in zip(shown, both, strict=True)]
        rows.append(tuple(cells))
    if not rows:
        return None
    return Table(
        caption="Benefit of the doubt",
        head=("", "As analysed", "Clock, delay and averaging that flatter it most"),
        rows=tuple(rows),
        note="Chosen anew in each session and for each line, within the intervals of clock and averaging.",
    )


def _counted(row: Mapping[str, Any]) -> str:
    words = claim_label(str(row["what"]))
    return f"{words}, sessions" if row.get("n_affected") is not None else words


def _interval(row: Mapping[str, Any], statistic: Mapping[str, Any]) -> str:
    low, high = statistic.get("low"), statistic.get("high")
    if not (finite(low) and finite(high)):
        return ""
    shares = row["what"] == "tracking" or row.get("n_affected") is not None
    show = share if shares else number
    return f"{show(low)} to {show(high)}"


def _by_claim(subject: Subject) -> dict[str, list[dict[str, Any]]]:
    claims: dict[str, list[dict[str, Any]]] = {}
    for row in subject.choices:
        claims.setdefault(str(row["claim"]), []).append(row)
    return {claim: rows for claim, rows in claims.items() if len(rows) > 1}


def _choices(subject: Subject) -> Table | None:
    rows = []
    for claim, (base, *others) in _by_claim(subject).items():
        failing = [f"{row['words']} ({shown_value(row)})" for row in others if not row["holds"]]
        rows.append(
            (
                Cell(text=_capital(claim_label(claim))),
                Cell(text=shown_value(base)),
                Cell(text=f"{len(others) - len(failing)} of {len(others)}"),
                Cell(text="; ".join(failing) or "–"),
            )
        )
    if not rows:
        return None
    return Table(
        caption="In how many other reasonable analyses each claim holds",
        head=("Claim", "As analysed", "Holds in", "Not in"),
        rows=tuple(rows),
        numeric=False,
        note=(
            "A failure holds where it is still seen, and the interval of its share of sessions is still wholly above "
            "or below a half if it was; how long right and how far off hold inside the interval given; which way it "
            "leans holds where the interval says the same. Not a probability: it shows on which choice a claim hangs."
        ),
    )


def _reasons(subject: Subject) -> Table | None:
    """Every analysis that was made, and why somebody might."""
    seen = {row["analysis"]: row for row in subject.choices if row["analysis"] != "as_analysed"}
    if not seen:
        return None
    words = {name: str(row["words"]).split(" (")[0] for name, row in seen.items()}
    rows = tuple((Cell(text=words[name]), Cell(text=str(row.get("reason") or ""))) for name, row in seen.items())
    head = ("What is done otherwise", "Why somebody might")
    return Table(caption="The other analyses", head=head, rows=rows, numeric=False)


def _silence(document: Mapping[str, Any], subject: Subject) -> Table | None:
    """The way from worn to judged, and what the time without a value can make of the share of time right."""
    seconds = {
        str(row["step"]): float(row["seconds"])
        for row in document.get("flow") or []
        if (row["device"], row["quantity"]) == (subject.device, subject.quantity) and finite(row.get("seconds"))
    }
    rows = list(_bounds(subject))
    if not seconds and not rows:
        return None
    whole = seconds.get("worn", 0.0)
    shown = [
        (
            Cell(text=_capital(words)),
            Cell(text=duration(seconds[step]), small=share(seconds[step] / whole) if whole else ""),
        )
        for step, words in _STEPS.items()
        if step in seconds
    ]
    return Table(
        caption="From worn to judged, and the time without a value counted both ways",
        head=("", "Time"),
        rows=(*shown, *rows),
        note="Drawn under “What was judged”.",
    )


def _bounds(subject: Subject) -> Iterator[tuple[Cell, ...]]:
    row = next((r for r in subject.shares if r.get("by") in (None, "", "all")), None)
    if row is None or not finite(row.get("value")):
        return
    for words, key in (
        ("Right, time without a value counted all wrong (as above)", "value"),
        ("Right, that time left out", "missing_left_out"),
        ("Right, that time counted all right", "missing_all_right"),
    ):
        if finite(row.get(key)):
            yield Cell(text=words), Cell(text=share(row[key]))
