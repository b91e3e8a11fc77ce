"""The printed card: one page on every paper, from empty to crowded, and all it must say."""

from __future__ import annotations

import re
import shutil
import subprocess
import zlib
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from wearbench.errors import DataError
from wearbench.planner import Card, CardDevice, blank_card, render_html, render_pdf, write_sheet
from wearbench.planner.words import sheet_words

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
PATCH = CardDevice(name="patch", label="Chest patch", role="reference", files=("raw/s08/patch.rr.csv",))
BAND = CardDevice(
    name="band",
    label="Wrist band",
    role="tested",
    wear_site="left wrist",
    firmware="2.1",
    firmware_seen="2031-01-22",
    files=("raw/s08/band.fit",),
)
FILLED = Card(
    title="Winter camp: band against patch", folder="camp", session="s08", zone="Europe/Oslo", devices=(PATCH, BAND)
)
LONG = replace(
    BAND,
    label="Wrist band of the second boat, worn by the stroke, size M",
    wear_site="left upper arm, above the elbow, outside",
    firmware="12.34.5678-beta.9",
    files=tuple(f"raw/session-1234/band.respiration_rate.{kind}" for kind in ("csv", "fit", "edf")),
)
CROWDED = replace(FILLED, title="winter camp of a coastal club " * 9, devices=(LONG,) * 6, left_out=("a pod",) * 4)
WIDE = replace(CROWDED, title="W" * 300, devices=(replace(LONG, label="W" * 99, wear_site="W" * 99),) * 6)
CARDS = {"blank": blank_card(), "filled": FILLED, "crowded": CROWDED, "wide": WIDE}
SMALLEST_PT = {"blank": 9, "filled": 9, "crowded": 6.5, "wide": 6}
SIZES = {"a4": (595, 842), "letter": (612, 792)}  # ISO 216 and ANSI Y14.1, in points


def objects(pdf: bytes) -> bytes:
    """All objects of a PDF, those in compressed object streams unpacked."""
    packed = re.finditer(rb"/Type\s*/ObjStm.*?stream\r?\n", pdf, re.DOTALL)
    return b"\n".join([pdf, *(zlib.decompressobj().decompress(pdf[match.end() :]) for match in packed)])


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", objects(pdf)))


@pytest.mark.parametrize("paper", SIZES)
@pytest.mark.parametrize("name", CARDS)
def test_pdf_is_one_page_of_the_paper(name: str, paper: str) -> None:
    pdf = render_pdf(CARDS[name], paper=paper)
    assert pages(pdf) == 1
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", objects(pdf))
    assert box is not None
    assert (round(float(box[1])), round(float(box[2]))) == SIZES[paper]


def test_pdf_is_the_same_twice_without_a_date_tagged_and_with_its_fonts() -> None:
    pdf = render_pdf(FILLED)
    assert pdf == render_pdf(FILLED)
    whole = objects(pdf)
    assert b"CreationDate" not in whole
    assert b"ModDate" not in whole
    assert re.search(rb"/Marked\s+true", whole)
    assert b"/StructTreeRoot" in whole
    fonts = len(re.findall(rb"/Type\s*/FontDescriptor", whole))
    assert fonts == len(re.findall(rb"/FontFile[23]?\b", whole)) >= 2


@pytest.mark.parametrize("name", CARDS)
def test_text_of_the_pdf_can_be_taken_out(name: str, tmp_path: Path) -> None:
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("no pdftotext on this machine")
    path = tmp_path / "card.pdf"
    write_sheet(CARDS[name], path)
    done = subprocess.run([tool, path, "-"], capture_output=True, text=True, check=True, encoding="utf-8")
    text = " ".join(done.stdout.split())
    for said in must_say(CARDS[name]):
        assert said in text


def must_say(card: Card) -> list[str]:
    """What every card says, and what this one is filled in with."""
    words = sheet_words(card)
    said = [words["title"]] if card is FILLED else []
    if card is FILLED:
        said += [
            "s08",
            "Europe/Oslo",
            "Chest patch",
            "Wrist band",
            "left wrist",
            "2.1 (2031-01-22)",
            "raw/s08/band.fit",
        ]
    said += ["Wet the strap", "Photograph the version screen", "2 min", "30 s", "Skip the brisk part if you are unwell"]
    return [*said, "Stop at once", "Ask a doctor first", "ethics board", "loose", "Air", "Bout", "Tonight: export"]


class Text(HTMLParser):
    """The words of a page, and everything in it that could load something."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.loads: list[str] = []

    def handle_data(self, data: str) -> None:
        self.words += data.split()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.loads += [f"{tag} {name}" for name, _ in attrs if name in ("src", "href", "srcset", "data", "action")]


@pytest.mark.parametrize("name", CARDS)
def test_page_says_all_and_loads_nothing(name: str) -> None:
    page = render_html(CARDS[name])
    read = Text()
    read.feed(page)
    assert read.loads == []
    assert "url(" not in page
    assert "@import" not in page
    text = " ".join(read.words)
    assert [said for said in must_say(CARDS[name]) if said not in text] == []


def test_texts_of_a_study_are_texts_and_nothing_else() -> None:
    nasty = '<script>alert(1)</script> #panic() $x$ *b* "q" \\ {{ 7*7 }}'
    card = replace(FILLED, title=nasty, session="a&b")
    assert "<script>alert" not in render_html(card)
    assert "{{ 7*7 }}" in render_html(card)
    assert pages(render_pdf(card)) == 1


def test_signs_without_a_font_do_not_stop_the_card(tmp_path: Path) -> None:
    nobody_has = chr(0x10FFFD)  # a private use code point: no general font draws it
    card = replace(FILLED, title=f"a\x07b \U0001f6a3 {nobody_has}")
    assert pages(render_pdf(card)) == 1
    assert write_sheet(replace(FILLED, title="Ærøysund, Ελλάδα, Лодка"), tmp_path / "card.pdf")


def test_both_and_all() -> None:
    heads = [sheet_words(card)["start"]["head"] for card in (FILLED, CROWDED, blank_card())]
    assert heads == ["Start both, and note when", "Start all ten, and note when", "Start all, and note when"]


def test_what_cannot_be_drawn_is_said(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        render_pdf(FILLED, paper="a5")
    assert str(caught.value) == "paper: expected a4 or letter, got a5"
    with pytest.raises(DataError) as caught:
        write_sheet(FILLED, tmp_path / "card.txt")
    assert str(caught.value) == "path: expected a name that ends in .pdf or .html, got card.txt"
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as running:
        started = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield started
        started.close()


@pytest.mark.parametrize("paper", SIZES)
@pytest.mark.parametrize("name", CARDS)
def test_page_prints_on_one_sheet_with_nothing_cut_off(browser: Any, name: str, paper: str, tmp_path: Path) -> None:
    path = tmp_path / "card.html"
    write_sheet(CARDS[name], path, paper=paper)
    page = browser.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(path.as_uri())
    page.emulate_media(media="print")
    spare = "(() => { const s = document.querySelector('.sheet'); return s.clientHeight - s.scrollHeight })()"
    assert page.evaluate(spare) >= 0
    size = page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") * 0.75
    assert size >= SMALLEST_PT[name]
    assert pages(page.pdf(prefer_css_page_size=True)) == 1
    assert said == []
    page.close()
