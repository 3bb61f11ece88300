"""The pages with axe-core, by keyboard, and to those who cannot see colours."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files

import pytest

from pipeline.reporting.pages import PAGES

FILES = tuple(file for file, _ in PAGES)
FOCUS = """() => {
  const style = getComputedStyle(document.activeElement);
  return [document.activeElement.tagName, style.outlineStyle, parseFloat(style.outlineWidth)];
}"""
# What lies inside a drawing is told by its one text alternative: axe need not walk through thousands of marks.
EMPTIED = "document.querySelectorAll('svg.drawing, .live svg').forEach((s) => s.replaceChildren())"
RUN = """(contrast) => axe.run(
    document, { resultTypes: ["violations"], rules: { "color-contrast": { enabled: contrast } } },
  ).then((r) => r.violations.map((v) => [v.id, v.impact, v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160))]))"""


@pytest.fixture(scope="module")
def axe() -> str:
    pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
    return files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize("campaign", ["demo", "minimal", "huge"])
@pytest.mark.parametrize("file", FILES)
def test_axe_finds_nothing(campaign: str, file: str, axe: str, opened: Callable) -> None:
    page = opened(campaign, file, 390 if file == "coach.html" else 1280).page
    page.evaluate("document.querySelectorAll('details').forEach((d, k) => { d.open = k < 3; })")
    page.evaluate(EMPTIED)
    page.evaluate(axe)
    # Colours come from one style sheet and are looked at on the other campaigns; a huge page would take minutes.
    assert page.evaluate(RUN, campaign != "huge") == []


@pytest.mark.parametrize("file", FILES)
def test_by_keyboard_the_answer_comes_first_and_focus_is_seen(file: str, opened: Callable) -> None:
    page = opened("demo", file).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    for _ in range(4):
        page.keyboard.press("Tab")
        name, style, width = page.evaluate(FOCUS)
        assert name == "BODY" or (style != "none" and width >= 2), (name, style, width)


def test_a_stretch_is_picked_and_its_evidence_opened_by_keyboard(opened: Callable) -> None:
    page = opened("demo", "analyst.html").page
    summary = page.locator("details.inset summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("details.inset").first.evaluate("(d) => d.open")
    page.locator("button.pick").first.focus()
    page.keyboard.press("Space")
    assert page.locator(".pickbar [role=status]").inner_text()
