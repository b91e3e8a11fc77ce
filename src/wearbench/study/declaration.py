"""What a study says beforehand: question, primary number, criteria, rules, plan, and what it will call systematic."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from wearbench.study.checked import Checked, read_toml
from wearbench.study.config import StudyConfig
from wearbench.study.problem import listed

if TYPE_CHECKING:
    from wearbench.study.study import Session

__all__ = [
    "DECLARATION_FILE",
    "QUESTIONS",
    "TRACKING",
    "Declaration",
    "Primary",
    "Rules",
    "Systematic",
    "as_declaration",
    "canonical_text",
    "current_settings",
    "of_text",
    "primary_statistics",
    "read_declaration",
    "rules_from",
    "sha256_of",
    "short_hash",
]

DECLARATION_FILE: Final = "declaration.toml"
SCHEMA: Final = 1
TRACKING: Final = "tracking_share"
_NOT_OF_THE_NUMBERS: Final = ("workers", "cache_mb", "max_readings", "choices")
QUESTIONS: Final = (
    *("activity", "intensity", "reference_band", "own_third", "activity_and_reference_band", "activity_and_intensity"),
    *("reference_change", "first_minutes", "cadence", "cadence_near", "firmware", "wear_site"),
)
"""Conditions under which failures are looked for; columns of tables beside them, such as ``sessions.temperature``."""
_TABLES: Final = ("sessions.", "bouts.", "participants.")
_NO_ANSWER: Final = ("n_pairs", "mean_reference", "mean_tested")


@dataclass(frozen=True, kw_only=True, slots=True)
class Primary:
    """The one number the study is about: a statistic over all readings, or ``tracking_share``."""

    statistic: str
    device: str
    quantity: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Rules:
    """What is left out before any result is seen; no rule can look at a tested value.

    Attributes
    ----------
    leave_out_sessions : dict
        Column of sessions.csv (or ``session``) -> values; a session with one of them is left out.
    leave_out_activities, leave_out_intensities : tuples
    first_s, last_s : float
        So much of each session, from the time when both devices were expected to give values, and up to its end.
    min_covered : float or None
        Smallest share of a window with trustworthy reference, where more is asked than the settings do.
    """

    leave_out_sessions: dict[str, tuple[str, ...]] = field(default_factory=dict)
    leave_out_activities: tuple[str, ...] = ()
    leave_out_intensities: tuple[str, ...] = ()
    first_s: float = 0.0
    last_s: float = 0.0
    min_covered: float | None = None

    def any(self) -> bool:
        """Whether there is a rule at all."""
        return self != Rules()

    def leaves_out(self, session: Session) -> bool:
        """Whether a whole session is left out."""
        firmware = {f"firmware.{device}": version for device, version in session.firmware_by.items()}
        sites = {f"wear_site.{device}": site for device, site in session.wear_site_by.items()}
        known = {
            **session.columns,
            **firmware,
            **sites,
            "session": session.name,
            "participant": session.participant,
            "activity": session.activity,
            "firmware": session.firmware,
        }
        return any(known.get(column) in values for column, values in self.leave_out_sessions.items())


@dataclass(frozen=True, kw_only=True, slots=True)
class Systematic:
    """A failure is called systematic if it shows in this share of sessions, for so many seconds each."""

    share_of_sessions: float = 0.5
    least_seconds: float = 60.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Declaration:
    """What is declared.

    Attributes
    ----------
    question : str
    primary : Primary
    sessions_planned : int
    stopping : str
        When recording ends.
    rules : Rules
    systematic : Systematic
    criteria : dict
        Name -> terms, those of study.toml when it was declared.
    settings : dict
        The settings of study.toml that were not the defaults.
    questions : tuple of str
        Under which conditions failures are looked for: ``activity``, or one of its values: ``activity=rowing``. Any
        other condition is looked at as well, and called exploratory.
    """

    question: str
    primary: Primary
    sessions_planned: int
    stopping: str
    rules: Rules = field(default_factory=Rules)
    systematic: Systematic = field(default_factory=Systematic)
    criteria: dict[str, dict[str, Any]] = field(default_factory=dict)
    settings: dict[str, float | int] = field(default_factory=dict)
    questions: tuple[str, ...] = ()


def read_declaration(path: Path, config: StudyConfig, *, file: str = DECLARATION_FILE) -> Declaration:
    """Read declaration.toml.

    Parameters
    ----------
    path : Path
    config : StudyConfig
        Criteria and settings are taken from it; a file that states others is refused.
    file : str
        The name that messages use.

    Raises
    ------
    StudyError
        Naming file, line, key, what was expected and what came.
    """
    return _declaration(read_toml(path, file=file), config)


def as_declaration(table: dict[str, Any], config: StudyConfig, *, file: str = "declare") -> Declaration:
    """The same from a table that is already read, such as one put together from options.

    Raises
    ------
    StudyError
        As :func:`read_declaration`.
    """
    return _declaration(Checked(table, file=file, at="", lines={}), config)


def _declaration(top: Checked, config: StudyConfig) -> Declaration:
    top.need("schema", str(SCHEMA))
    if top.table["schema"] != SCHEMA or isinstance(top.table["schema"], bool):
        raise top.expected("schema", f"{SCHEMA}, the only version this wearbench reads")
    top.need("question", "what the study asks, in a sentence")
    question = top.text("question", default="")
    primary = top.sub("primary")
    sessions = top.sub("sessions")
    primary.need("statistic", 'such as "mape"')
    sessions.need("planned", "how many sessions will be recorded")
    sessions.need("stopping", "when recording ends")
    made = Declaration(
        question=question,
        primary=_primary(primary, config),
        sessions_planned=sessions.whole("planned", low=1, high=100_000) or 0,
        stopping=sessions.text("stopping", default=""),
        rules=_rules(top.sub("rules"), config),
        systematic=_systematic(top.sub("systematic")),
        criteria={criterion.name: criterion.terms() for criterion in config.criteria},
        settings=current_settings(config),
        questions=_questions(top),
    )
    sessions.done()
    for part, is_so in (("criteria", made.criteria), ("settings", made.settings)):
        if top.has(part) and top.table[part] != is_so:
            said = f"expected the {part} of study.toml, which are the ones that count, got others. State them there"
            raise top.fail(part, said, slug="declared-elsewhere")
    top.done()
    return made


def _questions(top: Checked) -> tuple[str, ...]:
    found = tuple(sorted(set(top.texts("questions"))))
    for text in found:
        name = text.partition("=")[0]
        if name not in QUESTIONS and not (name.startswith(_TABLES) and name.partition(".")[2]):
            known = f"{listed(QUESTIONS)}, or a column such as sessions.temperature, with =value or without"
            raise top.fail("questions", f"expected {known}, got {text!r}", slug="unknown-question")
    return found


def primary_statistics() -> tuple[str, ...]:
    """Names of what can be a primary number: tracking share, and what agreement says of the device."""
    from wearbench.core.agreement import STATISTIC_NAMES

    return (TRACKING, *(name for name in STATISTIC_NAMES if name not in _NO_ANSWER))


def _primary(table: Checked, config: StudyConfig) -> Primary:
    statistic = table.one_of("statistic", primary_statistics(), what="a statistic", slug="unknown-statistic") or ""
    tested = [device.name for device in config.with_role("tested")]
    if len(tested) != 1:
        table.need("device", f"one of {listed(tested)}")
    device = table.one_of("device", tested, what="a tested device of this study", slug="unknown-device")
    quantity = table.one_of("quantity", config.all_quantities, what="a quantity", slug="unknown-quantity")
    table.done()
    return Primary(statistic=statistic, device=device or tested[0], quantity=quantity or "heart_rate")


def _rules(table: Checked, config: StudyConfig) -> Rules:
    outer = table.sub("leave_out_sessions")
    sessions = {column: tuple(sorted(outer.texts(column))) for column in outer.table}
    rules = Rules(
        leave_out_sessions=sessions,
        leave_out_activities=tuple(sorted(table.texts("leave_out_activities"))),
        leave_out_intensities=tuple(sorted(table.texts("leave_out_intensities"))),
        first_s=table.number("first_s", low=0.0, high=86_400.0, unit="s") or 0.0,
        last_s=table.number("last_s", low=0.0, high=86_400.0, unit="s") or 0.0,
        min_covered=table.number("min_covered", low=0.0, high=1.0),
    )
    least = config.settings.min_covered
    if rules.min_covered is not None and rules.min_covered < least:
        said = f"expected at least the {least:g} of the settings, got {rules.min_covered:g}. Lower that one first"
        raise table.fail("min_covered", said, slug="wrong-value")
    table.done()
    return rules


def _systematic(table: Checked) -> Systematic:
    default = Systematic()
    share = table.number("share_of_sessions", low=0.0, high=1.0)
    seconds = table.number("least_seconds", low=0.0, high=86_400.0, unit="s")
    table.done()
    return Systematic(
        share_of_sessions=default.share_of_sessions if share is None else share,
        least_seconds=default.least_seconds if seconds is None else seconds,
    )


def current_settings(config: StudyConfig) -> dict[str, float | int]:
    """The settings of study.toml that numbers depend on and that are not the defaults."""
    return {
        f.name: value
        for f in dataclasses.fields(config.settings)
        if f.name not in _NOT_OF_THE_NUMBERS and (value := getattr(config.settings, f.name)) != f.default
    }


def canonical_text(declaration: Declaration) -> str:
    """The declaration as the one TOML text its hash is taken of: fixed order, every value, nothing empty.

    The same declaration gives the same bytes, whoever typed it and in which order.
    """
    primary, rules, systematic = declaration.primary, declaration.rules, declaration.systematic
    top = {"schema": SCHEMA, "question": declaration.question}
    if declaration.questions:
        top |= {"questions": list(declaration.questions)}
    parts: list[tuple[str, Mapping[str, Any]]] = [
        ("primary", dataclasses.asdict(primary)),
        ("sessions", {"planned": declaration.sessions_planned, "stopping": declaration.stopping}),
        (
            "rules",
            {
                key: value
                for key, value in (
                    ("first_s", rules.first_s),
                    ("last_s", rules.last_s),
                    ("min_covered", rules.min_covered),
                    ("leave_out_activities", rules.leave_out_activities),
                    ("leave_out_intensities", rules.leave_out_intensities),
                )
                if value
            },
        ),
        ("rules.leave_out_sessions", dict(sorted(rules.leave_out_sessions.items()))),
        ("systematic", dataclasses.asdict(systematic)),
        *((f"criteria.{name}", dict(sorted(terms.items()))) for name, terms in sorted(declaration.criteria.items())),
        ("settings", dict(sorted(declaration.settings.items()))),
    ]
    blocks = [_lines(top)]
    blocks += [f"[{name}]\n{_lines(table)}" for name, table in parts if table]
    return "\n".join(blocks)


def _lines(table: Mapping[str, Any]) -> str:
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in table.items())


def _key(key: str) -> str:
    bare = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if bare else _value(key)


def _value(value: Any) -> str:
    """A value as TOML writes it; JSON's strings are TOML's basic strings, but for the one sign it leaves bare."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        value = int(value)
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def sha256_of(declaration: Declaration) -> str:
    """SHA-256 of the canonical text (UTF-8), in hexadecimal."""
    return hashlib.sha256(canonical_text(declaration).encode()).hexdigest()


def short_hash(sha256: str) -> str:
    """The first ten characters in pairs, to be shown or read aloud: ``3f-a9-1c-04-d2``."""
    return "-".join(sha256[k : k + 2] for k in range(0, 10, 2))


def rules_from(table: Mapping[str, Any]) -> Rules:
    """Rules from a table that was checked when it was made: of a canonical text, or of results."""
    return Rules(
        leave_out_sessions={k: tuple(v) for k, v in table.get("leave_out_sessions", {}).items()},
        leave_out_activities=tuple(table.get("leave_out_activities", ())),
        leave_out_intensities=tuple(table.get("leave_out_intensities", ())),
        first_s=float(table.get("first_s", 0.0)),
        last_s=float(table.get("last_s", 0.0)),
        min_covered=table.get("min_covered"),
    )


def of_text(text: str) -> Declaration:
    """A declaration from its canonical text, as it was checked when it was made.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the text is no such text.
    """
    table = tomllib.loads(text)
    systematic = table["systematic"]
    return Declaration(
        question=table["question"],
        primary=Primary(**table["primary"]),
        sessions_planned=table["sessions"]["planned"],
        stopping=table["sessions"]["stopping"],
        rules=rules_from(table.get("rules", {})),
        systematic=Systematic(
            share_of_sessions=float(systematic["share_of_sessions"]), least_seconds=float(systematic["least_seconds"])
        ),
        criteria=table.get("criteria", {}),
        settings=table.get("settings", {}),
        questions=tuple(table.get("questions", ())),
    )
