"""Findings: sentences a study supports, each with its scope and evidence."""

from wearbench.findings.sentences import Finding, as_rows, find, findings_of, usual_interval_s
from wearbench.findings.subject import Subject, subjects

__all__ = ["Finding", "Subject", "as_rows", "find", "findings_of", "subjects", "usual_interval_s"]
