"""The study folder: configuration, tables, discovery of recordings, decisions, results on disk."""

from wearbench.study.config import CriterionConfig, StudyConfig, read_config
from wearbench.study.criteria import CriterionOutcome, judge_criteria
from wearbench.study.decisions import Decision, append_decisions, read_decisions, record_criteria, record_look
from wearbench.study.device import DeviceConfig, Role
from wearbench.study.discovery import FileName, RecordingFiles, StudyFile, parse_file_name
from wearbench.study.problem import Problem
from wearbench.study.results import PAIRS, TABLES, TRACES, Results, results_schema, table_of
from wearbench.study.saving import check_writable, read_results, write_results
from wearbench.study.study import UNNAMED, Session, Study, load_study
from wearbench.study.tables import Bout, Mark, Participant, SessionRow, Version, Wear
from wearbench.study.tabletext import When

__all__ = [
    "PAIRS",
    "TABLES",
    "TRACES",
    "UNNAMED",
    "Bout",
    "CriterionConfig",
    "CriterionOutcome",
    "Decision",
    "DeviceConfig",
    "FileName",
    "Mark",
    "Participant",
    "Problem",
    "RecordingFiles",
    "Results",
    "Role",
    "Session",
    "SessionRow",
    "Study",
    "StudyConfig",
    "StudyFile",
    "Version",
    "Wear",
    "When",
    "append_decisions",
    "check_writable",
    "judge_criteria",
    "load_study",
    "parse_file_name",
    "read_config",
    "read_decisions",
    "read_results",
    "record_criteria",
    "record_look",
    "results_schema",
    "table_of",
    "write_results",
]
