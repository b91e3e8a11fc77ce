"""The declaration as one page of text, for a registry or to print: Markdown and HTML."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC
from typing import Final

from markupsafe import Markup, escape

from wearbench.report.tables import label_of
from wearbench.study import Declared, StudyConfig
from wearbench.study.declaration import TRACKING, Declaration, Rules, canonical_text, short_hash
from wearbench.study.declared import terms_words
from wearbench.wording import duration, join_words, plural, share

__all__ = ["Registration", "as_html", "as_markdown", "registration_of", "rule_words"]

CARE: Final = (
    "For research and consumer testing: analytical validation at most, no diagnosis, no advice about anyone's health. "
    "This text replaces neither the approval of an ethics board nor the screening and stop rules of the protocol."
)
COLUMNS_SAID: Final = (
    "Results are always given three ways: over everything, with these rules, and with decisions made by hand later on."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Registration:
    """What stands on the page."""

    title: str
    invented: bool
    made: str
    hash: str
    sha256: str
    before: str
    rows: tuple[tuple[str, str], ...]
    text: str


def registration_of(config: StudyConfig, declared: Declared) -> Registration:
    """Gather the page.

    Parameters
    ----------
    config : StudyConfig
        Title, and labels of the devices.
    declared : Declared
    """
    seen = declared.looks_before
    made = declared.decision.made.astimezone(UTC)
    return Registration(
        title=config.title,
        invented="invented" in config.title.lower(),
        made=f"{made.day} {made:%B %Y, %H:%M} UTC",
        hash=short_hash(declared.sha256),
        sha256=declared.sha256,
        before=(
            f"Results had been seen before it was made: {plural(seen, 'run')}."
            if seen
            else "No result of this study had been seen before it was made."
        ),
        rows=tuple(_rows(config, declared.declaration)),
        text=canonical_text(declared.declaration),
    )


def _rows(config: StudyConfig, declaration: Declaration) -> list[tuple[str, str]]:
    primary, systematic = declaration.primary, declaration.systematic
    label = config.devices[primary.device].label if primary.device in config.devices else primary.device
    quantity = primary.quantity.replace("_", " ")
    number = (
        f"tracking share of {label} ({quantity}): time right over judged and missing time"
        if primary.statistic == TRACKING
        else f"{label_of(primary.statistic)} ({primary.statistic}) of {label}, {quantity}, over all readings"
    )
    tested, reference = (join_words([d.label for d in config.with_role(r)]) or "none" for r in ("tested", "reference"))
    criteria = [f"{name}: {terms_words(terms)}" for name, terms in declaration.criteria.items()]
    settings = [f"{name} = {value:g}" for name, value in declaration.settings.items()]
    return [
        ("Question", declaration.question),
        ("Tested against", f"{tested} against {reference}"),
        ("Primary number", number),
        ("Left out", "; ".join(rule_words(declaration.rules)) or "nothing"),
        ("Criteria", "; ".join(criteria) or "none"),
        (
            "Called systematic",
            f"a failure that shows in at least {share(systematic.share_of_sessions)} of sessions, for at least "
            f"{duration(systematic.least_seconds)} in each",
        ),
        *([("Failures looked for by", "; ".join(declaration.questions))] if declaration.questions else []),
        ("Sessions planned", str(declaration.sessions_planned)),
        ("Recording ends", declaration.stopping),
        ("Settings not at their defaults", ", ".join(settings) or "none"),
    ]


def rule_words(rules: Rules) -> list[str]:
    """Each rule in words."""
    found = [
        f"sessions whose {column} is {join_words([str(v) for v in values])}"
        for column, values in rules.leave_out_sessions.items()
    ]
    if rules.leave_out_activities:
        found.append(f"while the activity is {join_words(list(rules.leave_out_activities))}")
    if rules.leave_out_intensities:
        found.append(f"while the intensity is {join_words(list(rules.leave_out_intensities))}")
    if rules.first_s:
        found.append(f"the first {duration(rules.first_s)} of each session")
    if rules.last_s:
        found.append(f"the last {duration(rules.last_s)} of each session")
    if rules.min_covered is not None:
        found.append(f"readings with trustworthy reference in less than {share(rules.min_covered)} of their window")
    return found


def _hash_said(page: Registration) -> str:
    return (
        f"SHA-256 {page.sha256}, of the text below (UTF-8, its last line ended); the short one is its first ten "
        "characters. A short hash is for reading aloud; hand in the long one."
    )


def as_markdown(page: Registration) -> str:
    """The page as Markdown."""
    rows = [f"| {name} | {_cell(value)} |" for name, value in page.rows]
    parts = [
        f"# {page.title}: declared beforehand",
        *(["**Invented data**: people, devices and readings are made up."] if page.invented else []),
        f"Declared on {page.made}. {page.before}",
        f"Hash: **{page.hash}**",
        "\n".join(["| | |", "|---|---|", *rows]),
        COLUMNS_SAID,
        CARE,
        _hash_said(page),
        f"{_fence(page.text)}toml\n{page.text}{_fence(page.text)}",
    ]
    return "\n\n".join(parts) + "\n"


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def _fence(text: str) -> str:
    """A fence longer than any run of backticks in the text."""
    longest = max((len(run) for run in "".join(c if c == "`" else " " for c in text).split()), default=0)
    return "`" * max(3, longest + 1)


def as_html(page: Registration) -> str:
    """The page as HTML: it loads nothing, and prints on a sheet."""
    rows = Markup("\n").join(Markup("<tr><th scope=row>{}</th><td>{}</td></tr>").format(*row) for row in page.rows)
    note = Markup("<p class=note><strong>Invented data.</strong> People, devices and readings are made up.</p>\n")
    return str(
        Markup(_HTML).format(
            title=page.title,
            css=Markup(_CSS),
            invented=note if page.invented else "",
            made=page.made,
            before=page.before,
            hash=page.hash,
            rows=rows,
            columns=COLUMNS_SAID,
            care=CARE,
            said=_hash_said(page),
            text=escape(page.text),
        )
    )


_CSS: Final = """\
:root { color-scheme: light dark; }
body { font: 15px/1.45 system-ui, sans-serif; max-width: 46rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.4rem; line-height: 1.2; }
.hash { font: 600 2rem/1.3 ui-monospace, monospace; letter-spacing: .04em; margin: .4em 0; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .3em .6em .3em 0; border-top: 1px solid #8886; }
th { width: 11rem; font-weight: 600; }
td { overflow-wrap: anywhere; }
.small, pre { font-size: .8rem; }
.small { overflow-wrap: anywhere; }
pre { white-space: pre-wrap; overflow-wrap: anywhere; border: 1px solid #8886; padding: .6em; }
@page { margin: 15mm; }
@media print { body { margin: 0; max-width: none; font-size: 10.5pt; } pre, .small { font-size: 8pt; } }
@media (max-width: 30rem) { th, td { display: block; width: auto; } td { border: 0; padding-top: 0; } }
"""
_HTML: Final = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}: declared beforehand</title>
<style>{css}</style>
</head>
<body>
<h1>{title}: declared beforehand</h1>
{invented}<p>Declared on {made}. {before}</p>
<p class="hash">{hash}</p>
<table><tbody>
{rows}
</tbody></table>
<p class="small">{columns} {care}</p>
<p class="small">{said}</p>
<pre>{text}</pre>
</body>
</html>
"""
