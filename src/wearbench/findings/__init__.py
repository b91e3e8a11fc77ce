"""Findings: sentences a study supports, each with its scope and evidence."""

from wearbench.findings.sentences import Finding, as_rows, exact_share, find, usual_interval_s
from wearbench.findings.subject import Subject, subjects

__all__ = ["Finding", "Subject", "as_rows", "exact_share", "find", "subjects", "usual_interval_s"]
