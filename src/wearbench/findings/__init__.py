"""Findings: sentences a study supports, each with its scope and evidence."""

from wearbench.findings.assumptions import leads_in_two_parts, primary_row
from wearbench.findings.clocks import looks_like_groups
from wearbench.findings.finding import Finding, as_rows
from wearbench.findings.firmware import unknown_words
from wearbench.findings.first import leading
from wearbench.findings.rhythm import blind_words, rhythm_words, shortest_s, usual_interval_s
from wearbench.findings.sceptic import claim_label, shown_value
from wearbench.findings.sentences import find
from wearbench.findings.subject import Subject, device_label, subjects
from wearbench.findings.tracing import rows_behind
from wearbench.findings.tracking import unjudged_s
from wearbench.findings.why import is_clear, odds_words, question_words
from wearbench.findings.within import session_bounds

__all__ = [
    "Finding",
    "Subject",
    "as_rows",
    "blind_words",
    "claim_label",
    "device_label",
    "find",
    "is_clear",
    "leading",
    "leads_in_two_parts",
    "looks_like_groups",
    "odds_words",
    "primary_row",
    "question_words",
    "rhythm_words",
    "rows_behind",
    "session_bounds",
    "shortest_s",
    "shown_value",
    "subjects",
    "unjudged_s",
    "unknown_words",
    "usual_interval_s",
]
