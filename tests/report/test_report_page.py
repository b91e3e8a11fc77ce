"""The report: one page that stands by itself, says every finding, and breaks on no awkward study."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from invented_results import invented
from wearbench.figures import stylesheet
from wearbench.findings import as_rows, find
from wearbench.report import render_report, write_report
from wearbench.study.results import PAIRS, TRACES, Results, results_schema

VOID = {"meta", "br", "hr", "img", "link", "input", "path", "rect"}


class Page(HTMLParser):
    """Reads a page strictly: every element is closed in order."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join("".join(self.text).replace("\u00a0", " ").split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.elements if name == tag]


def long_names() -> Results:
    results = invented(sessions=3, prefix="a-very-long-session-name-from-an-export-of-the-eleventh-of-")
    document = results.document
    device = "the-device-with-the-longest-name-that-anyone-would-ever-give-to-a-wrist-band"
    for entry in document["devices"]:
        entry["label"] = f"{device} {entry['label']}"
    return results


def null_statistics() -> Results:
    results = invented(sessions=3)
    nothing = {"value": None, "low": None, "high": None, "method": None, "n": 0, "why": "too few pairs"}
    for row in results.document["agreement"]:
        row["statistics"] = dict.fromkeys(row["statistics"], nothing)
    return results


def other_quantity() -> Results:
    results = invented(sessions=4, quantity="grip_force", failures=False)
    document = {**results.document, "states": [], "episodes": [], "windows": []}
    for row in document["agreement"]:
        row["unit"] = "kg"
    pairs = results.pairs.with_columns(state=pl.lit(None, dtype=pl.String), unit=pl.lit("kg"))
    return Results(document=document, pairs=pairs, traces=results.traces)


def session_without_reference() -> Results:
    results = invented(sessions=4)
    alone = pl.col("session") == "S03"
    pairs = results.pairs.with_columns(
        used=pl.when(alone).then(pl.lit(value=False)).otherwise(pl.col("used")),
        reason=pl.when(alone).then(pl.lit("no_reference")).otherwise(pl.col("reason")),
        reference=pl.when(alone).then(None).otherwise(pl.col("reference")),
        start=pl.when(alone).then(None).otherwise(pl.col("start")),
        end=pl.when(alone).then(None).otherwise(pl.col("end")),
    )
    return Results(document=results.document, pairs=pairs, traces=results.traces.filter(pl.col("session") != "S03"))


def device_without_pairs() -> Results:
    results = invented(sessions=3)
    return Results(
        document=results.document, pairs=results.pairs.filter(pl.col("device") != "band-b"), traces=results.traces
    )


def nothing() -> Results:
    return Results(document={}, pairs=pl.DataFrame(schema=PAIRS), traces=pl.DataFrame(schema=TRACES))


AWKWARD: dict[str, Callable[[], Results]] = {
    "one session": lambda: invented(sessions=1),
    "one participant": lambda: invented(sessions=5, participants=1),
    "one value a minute": lambda: invented(sessions=4, minutes=30, step=60),
    "no episodes": lambda: invented(sessions=3, failures=False),
    "device without pairs": device_without_pairs,
    "session without reference": session_without_reference,
    "null statistics": null_statistics,
    "very long names": long_names,
    "quantity without states": other_quantity,
    "nothing at all": nothing,
}


@pytest.fixture(scope="module")
def results() -> Results:
    return invented(sessions=8)


@pytest.fixture(scope="module")
def html(results: Results) -> str:
    return render_report(results, title="Winter camp of a coastal rowing club")


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_invented_results_fit_the_published_schema(results: Results) -> None:
    import jsonschema

    jsonschema.validate(results.document, results_schema())


def test_page_loads_nothing_and_runs_nothing(html: str, page: Page) -> None:
    assert re.findall(r"https?://[^\"' <)]+", html.replace("http://www.w3.org/2000/svg", "")) == []
    names = {name for name, _ in page.elements}
    assert names & {"script", "link", "iframe", "img", "object", "embed", "base", "form"} == set()
    assert not re.search(r"@import|url\((?!#)", html)
    handlers = [key for _, attrs in page.elements for key in attrs if key.startswith("on")]
    assert handlers == []
    targets = [attrs.get("href") for attrs in page.all("a")]
    assert all(target and target.startswith("#") for target in targets)


def test_links_lead_to_something_on_the_page(page: Page) -> None:
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert [name for name, count in Counter(ids).items() if count > 1] == []
    assert {str(a["href"])[1:] for a in page.all("a")} <= set(ids)
    for _, attrs in page.elements:
        for key in ("aria-labelledby",):
            assert set((attrs.get(key) or "").split()) <= set(ids)


def test_every_finding_is_on_the_page_with_scope_and_id(results: Results, page: Page) -> None:
    for finding in find(results.document, results.pairs):
        assert finding.claim in page.words
        assert finding.scope in page.words
        assert finding.id in page.words


def test_findings_of_the_results_are_shown_as_they_stand(results: Results) -> None:
    rows = [
        {**row, "claim": f"Claim number {k}. And more."}
        for k, row in enumerate(as_rows(find(results.document, results.pairs)))
    ]
    rows.append({"id": "F-study", "device": None, "claim": "About the study. As such.", "scope": "all", "evidence": {}})
    told = Results(document={**results.document, "findings": rows}, pairs=results.pairs, traces=results.traces)
    words = Page(render_report(told, title="t")).words
    assert all(row["claim"] in words for row in rows)


def test_answer_comes_first_and_in_big_words(page: Page) -> None:
    sections = [attrs["id"] for attrs in page.all("section")]
    assert sections == ["answer", "first", "looked", "kept", "when", "far", "sessions", "files", "how", "limits"]
    assert re.search(r"of the time it was right ?\d+ %", page.words)


def test_invented_is_said_at_the_top_and_on_every_picture(html: str, page: Page, results: Results) -> None:
    assert page.words.index("Invented data.") < page.words.index("It was right for")
    svgs = re.findall(r"<svg.*?</svg>", html, flags=re.S)
    assert svgs
    assert all("invented data" in re.sub(r"</text><text[^>]*>", " ", svg) for svg in svgs)
    real = Results(document={**results.document, "invented": False}, pairs=results.pairs, traces=results.traces)
    assert "nvented" not in Page(render_report(real, title="t")).words


def test_headings_do_not_skip_a_level_and_language_is_set(page: Page) -> None:
    levels = [int(name[1]) for name, _ in page.elements if re.fullmatch(r"h[1-6]", name)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert page.all("html")[0]["lang"] == "en"
    assert {name for name, _ in page.elements} >= {"header", "nav", "main", "footer"}


def test_tables_and_regions_have_names(page: Page) -> None:
    assert len(page.all("table")) == len(page.all("caption"))
    assert all(attrs.get("scope") in ("col", "row") for attrs in page.all("th"))
    regions = [attrs for name, attrs in page.elements if attrs.get("role") == "group"]
    assert regions and all(attrs.get("aria-label") and attrs.get("tabindex") == "0" for attrs in regions)
    assert all(attrs.get("role") == "img" and attrs.get("aria-labelledby") for attrs in page.all("svg"))


def test_faithful_readings_never_stand_alone(page: Page) -> None:
    heads = [w for w in page.text if w.startswith("While right")]
    assert heads and all("% of the time" in w.replace("\u00a0", " ") for w in heads)
    assert page.words.count("chosen for being close: not comparable with published errors") == len(heads)


def test_what_was_read_repaired_and_left_out_is_listed(page: Page, results: Results) -> None:
    for entry in results.document["inputs"]:
        assert entry["path"] in page.words
        assert entry["sha256"] in page.words
    assert "3 stamps out of order were sorted" in page.words
    assert "expected a time column, found: text" in page.words
    assert "No participants.csv" in page.words
    assert "smallest share of a window with trustworthy reference" in page.words


def test_care_and_limits_are_said(page: Page) -> None:
    for words in (
        "Nothing here is a diagnosis",
        "analytical validation at most",
        "stop rules",
        "What this cannot show",
    ):
        assert words in page.words


def test_same_results_give_the_same_bytes(results: Results, html: str) -> None:
    again = invented(sessions=8)
    assert render_report(again, title="Winter camp of a coastal rowing club") == html


def test_nasty_names_are_shown_not_run() -> None:
    nasty = '<script>alert("x")</script>&amp;{{7*7}}'
    results = invented(sessions=2, prefix="S<b>&'\"")
    document: dict[str, Any] = results.document
    for entry in document["devices"]:
        entry["label"] = nasty
    document["warnings"] = [nasty]
    document["repairs"][0]["said"] = nasty
    document["agreement"][2]["group"] = nasty
    pairs = results.pairs.with_columns(
        participant=pl.lit(nasty), firmware=pl.lit(nasty), wear_site=pl.lit(nasty), activity=pl.lit(nasty)
    )
    html = render_report(Results(document=document, pairs=pairs, traces=results.traces), title=nasty)
    page = Page(html)
    assert page.all("script") == []
    assert page.all("b") == []
    assert nasty in page.words
    assert "49" not in re.findall(r"&amp;amp;\{\{.*?\}\}|amp;49", html)


@pytest.mark.parametrize("case", AWKWARD)
def test_awkward_study_still_makes_a_whole_page(case: str) -> None:
    results = AWKWARD[case]()
    html = render_report(results, title=case)
    page = Page(html)
    assert case in page.words
    assert not re.search(r"\b(nan|None|inf|NaN)\b", page.words)
    svgs = page.all("svg")
    assert bool(svgs) == (case != "nothing at all")
    for svg in svgs:
        assert "nan" not in str(svg)
    assert not re.search(r'[ "MLlHhVv,]-?nan', html)


def test_one_session_is_called_an_anecdote_up_front() -> None:
    words = Page(render_report(invented(sessions=1), title="t")).words
    assert words.index("One session is an anecdote; more sessions") < words.index("From the time both were worn")


def test_session_without_anything_to_judge_is_named() -> None:
    words = Page(render_report(session_without_reference(), title="t")).words
    assert "Nothing could be judged in S03: no trustworthy reference beside a reading." in words
    assert "no reference in this session" in words


def test_hundreds_of_sessions_stay_under_three_megabytes() -> None:
    html = render_report(invented(sessions=220, minutes=3.0), title="t")
    assert len(html.encode()) < 3_000_000
    words = Page(html).words
    assert "30 sessions of 220 are drawn here, those with most failing time" in words


def test_reference_is_judged_too(results: Results) -> None:
    references = [
        {"session": f"S{k:02d}", "device": "patch", "quantity": "heart_rate", "made_from": "rr", "chosen": True}
        | {"seconds": 360.0, "mended_seconds": 7.2, "doubtful_seconds": 40.0 * (k < 3)}
        | {"doubts": [{"start": None, "end": None, "why": "dry_start"}] * (k < 3)}
        for k in (1, 2, 3)
    ]
    told = Results(document={**results.document, "references": references}, pairs=results.pairs, traces=results.traces)
    assert (
        "Chest patch, made from RR intervals: 18 min of reference, 2 % of it mended, 1 min 20 s of it doubtful in 2 "
        "sessions (dry start) and left out."
    ) in Page(render_report(told, title="t")).words


def test_three_clocks_stand_side_by_side(page: Page) -> None:
    for words in ("Fitted", "Cross-fitted", "As stamped"):
        assert words in page.words


def luminance(colour: str) -> float:
    digits = colour * 2 if len(colour) == 3 else colour
    if len(colour) == 3:
        digits = "".join(c * 2 for c in colour)
    parts = [int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_contrast_wcag_2_1_success_criterion_1_4_3() -> None:
    """Web Content Accessibility Guidelines 2.1: text at least 4.5 to 1, graphics (1.4.11) at least 3 to 1."""
    themes = re.findall(r":root,svg\.fig\{(.*?)\}", stylesheet(), flags=re.S)
    assert len(themes) == 3
    for theme in themes:
        colours = dict(re.findall(r"--([a-z-]+):#([0-9a-f]{3,6})", theme))

        def ratio(one: str, other: str, colours: dict[str, str] = colours) -> float:
            a, b = sorted((luminance(colours[one]), luminance(colours[other])), reverse=True)
            return (a + 0.05) / (b + 0.05)

        for text in ("ink", "soft"):
            assert ratio(text, "paper") >= 4.5
            assert ratio(text, "faint") >= 4.5
        for line in ("halved", "doubled", "off-ratio", "cadence-locked", "frozen", "astray", "faithful-mark"):
            assert ratio(line, "paper") >= 3


def test_write_puts_the_whole_page_in_place(tmp_path: Path, results: Results, html: str) -> None:
    path = tmp_path / "report.html"
    write_report(results, path, title="Winter camp of a coastal rowing club")
    assert path.read_text(encoding="utf-8") == html
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_failed_write_leaves_the_last_page_whole(
    tmp_path: Path, results: Results, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "report.html"
    path.write_text("the last one", encoding="utf-8")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space left on device"):
        write_report(results, path, title="t")
    assert path.read_text(encoding="utf-8") == "the last one"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
