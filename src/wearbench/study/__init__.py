"""The study folder: configuration, tables, discovery of recordings, decisions, results on disk."""

from wearbench.study.beforehand import beforehand_lines
from wearbench.study.changes import Change, change_lines, changes_between
from wearbench.study.config import CriterionConfig, StudyConfig, read_config
from wearbench.study.criteria import CriterionOutcome, criteria_that_turn, judge_criteria, judge_trade_figures
from wearbench.study.criterionwords import criterion_lines
from wearbench.study.decisions import Decision, append_decisions, read_decisions, record_criteria, record_look
from wearbench.study.declaration import Declaration, Primary, Rules, Systematic, read_declaration
from wearbench.study.declared import COLUMNS, Declared, acting, declared_in, deviations, record_declaration
from wearbench.study.device import DeviceConfig, Role
from wearbench.study.discovery import FileName, RecordingFiles, StudyFile, parse_file_name
from wearbench.study.episodeids import earlier_document, with_kept_ids
from wearbench.study.marking import sync_pairs
from wearbench.study.problem import Problem
from wearbench.study.releases import Earlier, earlier_run, keep_release, release_names, remember_run
from wearbench.study.results import PAIRS, TABLES, TRACES, Results, results_schema, table_of
from wearbench.study.saving import check_writable, read_results, write_results
from wearbench.study.study import UNNAMED, Session, Study, load_study
from wearbench.study.tables import Bout, Mark, Participant, SessionRow, Version, Wear
from wearbench.study.tabletext import When

__all__ = [
    "COLUMNS",
    "PAIRS",
    "TABLES",
    "TRACES",
    "UNNAMED",
    "Bout",
    "Change",
    "CriterionConfig",
    "CriterionOutcome",
    "Decision",
    "Declaration",
    "Declared",
    "DeviceConfig",
    "Earlier",
    "FileName",
    "Mark",
    "Participant",
    "Primary",
    "Problem",
    "RecordingFiles",
    "Results",
    "Role",
    "Rules",
    "Session",
    "SessionRow",
    "Study",
    "StudyConfig",
    "StudyFile",
    "Systematic",
    "Version",
    "Wear",
    "When",
    "acting",
    "append_decisions",
    "beforehand_lines",
    "change_lines",
    "changes_between",
    "check_writable",
    "criteria_that_turn",
    "criterion_lines",
    "declared_in",
    "deviations",
    "earlier_document",
    "earlier_run",
    "judge_criteria",
    "judge_trade_figures",
    "keep_release",
    "load_study",
    "parse_file_name",
    "read_config",
    "read_decisions",
    "read_declaration",
    "read_results",
    "record_criteria",
    "record_declaration",
    "record_look",
    "release_names",
    "remember_run",
    "results_schema",
    "sync_pairs",
    "table_of",
    "with_kept_ids",
    "write_results",
]
