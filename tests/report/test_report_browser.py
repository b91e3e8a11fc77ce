"""The report in a real browser, from disk: silent, nothing beyond the edge, no text too small or on other text."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from invented_results import invented
from wearbench.report import write_report

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
OVERLAPS = """() => {
  const found = [];
  for (const svg of document.querySelectorAll('svg.fig')) {
    if (!svg.getClientRects().length || svg.getBoundingClientRect().width === 0) continue;
    const texts = [...svg.querySelectorAll('text')].filter(t => t.textContent.trim())
      .map(t => ({ words: t.textContent, box: t.getBoundingClientRect() }));
    for (let i = 0; i < texts.length; i++) for (let j = i + 1; j < texts.length; j++) {
      const a = texts[i].box, b = texts[j].box;
      const x = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (x > 1 && y > 4)
        found.push(`${svg.querySelector('title').textContent}: ${texts[i].words} | ${texts[j].words}`);
    }
  }
  return found;
}"""
CLIPPED = """() => {
  const found = [];
  for (const svg of document.querySelectorAll('svg.fig')) {
    const s = svg.getBoundingClientRect();
    if (!s.width) continue;
    for (const t of svg.querySelectorAll('text')) {
      const b = t.getBoundingClientRect();
      if (b.left < s.left - 1 || b.right > s.right + 1 || b.bottom > s.bottom + 1 || b.top < s.top - 1)
        found.push(svg.querySelector('title').textContent + ': ' + t.textContent);
    }
  }
  return found;
}"""
SMALLEST = """() => Math.min(...[...document.querySelectorAll('svg.fig text')]
  .filter(t => t.getClientRects().length && t.ownerSVGElement.getBoundingClientRect().width)
  .map(t => parseFloat(getComputedStyle(t).fontSize) * t.ownerSVGElement.getBoundingClientRect().width
    / t.ownerSVGElement.viewBox.baseVal.width))"""


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    write_report(invented(sessions=5, minutes=20), path, title="Winter camp of a coastal rowing club")
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"]
    arguments += ["--disable-background-networking", "--disable-component-update"]
    with playwright.sync_playwright() as running:
        started = running.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield started
        started.close()


@pytest.mark.parametrize(("width", "scheme"), [(380, "light"), (380, "dark"), (820, "light"), (1280, "dark")])
def test_page_opens_from_disk_and_fits(browser: Any, report: Path, width: int, scheme: str) -> None:
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(report.as_uri())
    assert said == []
    assert asked == [report.as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(SMALLEST) >= 10.99
    assert page.evaluate(OVERLAPS) == []
    assert page.evaluate(CLIPPED) == []
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (dark == "rgb(20, 24, 27)") == (scheme == "dark")
    page.close()


def test_page_can_be_walked_by_keyboard(browser: Any, report: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(report.as_uri())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the answer"
    closed = page.query_selector("details:not([open]) > summary")
    closed.focus()
    page.keyboard.press("Enter")
    assert closed.evaluate("s => s.parentElement.open")
    page.close()
