"""``wearbench run``: the analysis of a study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from wearbench.commands.common import emit, json_option, quiet_option, study_argument, typed

if TYPE_CHECKING:
    from wearbench.recipe.reuse import Keep, Reused
    from wearbench.settings import Settings
    from wearbench.study import CriterionOutcome, Results, Study

REPORT: Final = "report.html"
MOST_REASONS: Final = 5


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What a run has to say, for a person and for a program, and its exit code."""

    lines: list[str]
    document: dict[str, Any]
    code: int


@click.command(short_help="Analyse a study, write its results and report.")
@study_argument
@click.option("--no-cache", is_flag=True, help="Do all steps anew, and keep nothing for later runs.")
@json_option
@quiet_option
def run(study: Path, *, no_cache: bool, as_json: bool, quiet: bool) -> int:
    """Analyse a study, write results/ with the report, and print what was found.

    The last results stay until the new ones are whole. What has not changed since an earlier run is not done again:
    see wearbench cache. Ends with exit code 2 if a criterion stated in study.toml is not met.

    \b
    Example: wearbench run my-study
    """  # noqa: D301
    outcome = carry_out(study, quiet=quiet, cached=not no_cache)
    emit(outcome.lines, outcome.document, as_json=as_json, wrap=True)
    return outcome.code


def carry_out(folder: Path, *, quiet: bool, cached: bool = True) -> Outcome:
    """Analyse the study in ``folder``, write its results and record that they were looked at."""
    from wearbench.analysis import run_study
    from wearbench.commands.progress import Progress
    from wearbench.study import (
        beforehand_lines,
        check_writable,
        criteria_that_turn,
        earlier_document,
        judge_criteria,
        judge_trade_figures,
        load_study,
        record_criteria,
        record_look,
        remember_run,
        with_kept_ids,
        write_results,
    )

    study = load_study(folder)
    check_writable(folder)
    _, changed = record_criteria(folder, study.config)
    with Progress(quiet=quiet) as progress:
        settings = study.config.settings
        keep = _keep(settings, cached=cached)
        results = run_study(study, settings=settings, progress=progress, workers=settings.workers, keep=keep)
        if keep.cache is not None:
            keep.cache.shrink(1_000_000 * settings.cache_mb)
        results = with_kept_ids(results, earlier_document(folder))
        results = _with_findings(results, [*changed, *criteria_that_turn(study.config, results.document)])
        outcomes = judge_criteria(study.config, results.document)
        trade = judge_trade_figures(results.document)
        results = replace(results, document={**results.document, "criteria": [*outcomes, *trade]})
        progress("writing", 0, 1)
        place = write_results(folder, results, also=lambda new: _show(results, new, title=study.config.title))
    record_look(folder, value=_look(results.document, outcomes))
    unkept = []
    try:
        remember_run(folder, results.document)
    except OSError as error:
        unkept = [f"this run could not be added to the history ({error.strerror}): wearbench changes will not know it"]
    return _outcome(
        study,
        results,
        (outcomes, trade),
        place / REPORT,
        beforehand=beforehand_lines(results.document),
        unkept=unkept,
        steps=keep.counts,
    )


def _keep(settings: Settings, *, cached: bool) -> Keep:
    """What this run keeps and uses again: nothing without a place for it."""
    from wearbench.recipe.reuse import Keep
    from wearbench.study.cache import Cache, cache_folder

    folder = cache_folder()
    if not cached or folder is None or settings.cache_mb <= 0:
        return Keep()
    return Keep(cache=Cache(folder=folder))


def _recomputed(steps: Mapping[str, Reused]) -> list[str]:
    """Say how many sessions each step was done for, where results of earlier runs were used; else nothing."""
    if not any(step.reused for step in steps.values()):
        return []
    fitted, judged = steps["reading and fitting"], steps["judging"]
    said = f"{fitted.computed} of {fitted.total} sessions read and fitted, {judged.computed} of {judged.total} judged"
    return ["", f"Recomputed: {said}; the rest is kept from earlier runs (--no-cache does all anew)."]


def _look(document: dict[str, Any], outcomes: tuple[CriterionOutcome, ...]) -> dict[str, Any]:
    """What is recorded of a run: its number, what had been declared before it, and which criteria were met."""
    declared = document.get("declared") or {}
    return {
        "number": declared.get("look"),
        "declared": declared.get("decision"),
        "hash": declared.get("hash"),
        "deviations": len(document.get("deviations") or []),
        "criteria": {
            name: all(o.outcome == "met" for o in outcomes if o.criterion == name)
            for name in dict.fromkeys(o.criterion for o in outcomes)
        },
    }


def _show(results: Results, place: Path, *, title: str) -> None:
    """Write the report, and the pictures with their tables."""
    from wearbench.figures import write_figures
    from wearbench.report import write_report

    write_report(results, place / REPORT, title=title)
    write_figures(results, place / "figures")


def _with_findings(results: Results, warnings: list[str]) -> Results:
    """The results with the sentences they support, and further warnings."""
    from wearbench.findings import as_rows, find

    document = {**results.document, "warnings": [*(results.document.get("warnings") or []), *warnings]}
    document["findings"] = as_rows(find(document, results.pairs))
    return replace(results, document=document)


def _outcome(
    study: Study,
    results: Results,
    judged: tuple[tuple[CriterionOutcome, ...], tuple[CriterionOutcome, ...]],
    report: Path,
    *,
    beforehand: list[str],
    unkept: list[str],
    steps: Mapping[str, Reused],
) -> Outcome:
    from wearbench.study import criterion_lines

    document = results.document
    outcomes, trade = judged
    warnings = [
        each if isinstance(each, str) else each.get("said", "")
        for each in document.get("warnings") or []
        if isinstance(each, str) or not each.get("costs")  # what was left out is listed below
    ] + unkept
    lines = [study.config.title]
    lines += _finding_lines(document.get("findings") or [], study)
    if not document.get("findings"):
        lines += ["", "No findings."]
    lines += [*([""] if warnings else []), *(f"! {warning}" for warning in warnings)]
    left_out = _left_out(study, document)
    if left_out:
        lines += ["", "Left out:", *(f"  {reason}" for reason in left_out[:MOST_REASONS])]
        if len(left_out) > MOST_REASONS:
            lines.append(f"  ... and {len(left_out) - MOST_REASONS} more: wearbench check {typed(study.folder)}")
    lines += criterion_lines(outcomes, trade)
    lines += ["", *beforehand] if beforehand else []
    lines += [*_recomputed(steps), "", f"Report: {report}"]
    missed = any(outcome.fails for outcome in outcomes)
    told = {
        "study": study.folder,
        "title": study.config.title,
        "findings": document.get("findings") or [],
        "warnings": warnings,
        "declared": document.get("declared"),
        "deviations": document.get("deviations") or [],
        "files_left_out": document.get("files_left_out") or [],
        "criteria": list(outcomes),
        "criteria_met": all(outcome.outcome == "met" for outcome in outcomes),
        "trade_figures": list(trade),
        "steps": steps,
        "report": report,
    }
    return Outcome(lines=lines, document=told, code=2 if missed else 0)


def _finding_lines(findings: list[dict[str, Any]], study: Study) -> list[str]:
    """What leads for each device, and how to see the rest."""
    from wearbench.findings import leading

    groups: dict[str, list[dict[str, Any]]] = {}
    for finding in findings:
        groups.setdefault(str(finding.get("scope")), []).append(finding)
    lines: list[str] = []
    more = 0
    for scope, group in groups.items():
        first = leading(group)
        more += len(group) - len(first)
        lines += ["", f"{scope}:", *(f"- {finding['claim']}" for finding in first)]
    if more:
        lines += ["", f"{more} more findings are in the report: wearbench show {typed(study.folder)} findings"]
    return lines


def _left_out(study: Study, document: dict[str, Any]) -> list[str]:
    """What was left out and why: files by the results, rows and tables by the study."""
    files = [f"{row['path']}{_line(row)}: {row['why']}" for row in document.get("files_left_out") or []]
    rows = [str(p) for p in study.problems if p.costs and not (p.file or "").startswith("raw/")]
    return [*rows, *files]


def _line(row: dict[str, Any]) -> str:
    return f":{row['line']}" if row.get("line") else ""
