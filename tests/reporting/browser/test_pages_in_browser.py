"""Every page of three campaigns in a real browser, wide and narrow."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pipeline.reporting.pages import FIGURE_PAGES, PAGES

CAMPAIGNS = ("demo", "minimal", "huge")
WIDTHS = (1280, 390)
MOST_BYTES = 2_000_000
FILES = tuple(file for file, _ in PAGES)

# Elements that stick out of the window and do not lie in a box that scrolls by itself.
STICKING_OUT = """() => {
  const width = document.documentElement.clientWidth;
  const out = [];
  for (const e of document.body.querySelectorAll("*")) {
    const box = e.getBoundingClientRect();
    if (box.width === 0 || box.right <= width + 1 || e.closest("svg svg, .skip, .tip")) continue;
    let held = e.parentElement;
    while (held && !["auto", "scroll", "hidden"].includes(getComputedStyle(held).overflowX)) held = held.parentElement;
    if (!held || held === document.body || held === document.documentElement) out.push(e.outerHTML.slice(0, 120));
  }
  return out;
}"""
# Drawings on screen that are empty, have no size, or hold a number that is none.
UNDRAWN = """() => [...document.querySelectorAll("svg.drawing")].filter((s) => s.checkVisibility()).filter((s) => {
  const box = s.getBoundingClientRect();
  return box.width < 20 || box.height < 8 || s.childElementCount < 2 || /NaN|Infinity|None/.test(s.innerHTML);
}).map((s) => s.getAttribute("aria-label"))"""
# Figures to explore: how many marks each holds.
EXPLORED = """() => [...document.querySelectorAll(".live")].map(
  (l) => (l.checkVisibility() ? l.querySelectorAll(".scatterlayer path, .annotation").length : -1))"""


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("campaign", CAMPAIGNS)
def test_page_is_quiet_whole_and_keeps_to_its_folder(campaign: str, file: str, width: int, opened: Callable) -> None:
    shown = opened(campaign, file, width)
    assert shown.path.stat().st_size < MOST_BYTES
    page = shown.page
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.wait_for_timeout(150)
    assert page.evaluate(UNDRAWN) == []
    marks = page.evaluate(EXPLORED)
    assert all(n > 3 for n in marks), marks
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(STICKING_OUT) == []
    assert shown.said == []
    assert shown.outside == []


def test_figures_are_there_to_be_explored(opened: Callable) -> None:
    for file, number in (("sailmaker.html", 3), ("analyst.html", 2), ("coach.html", 0)):
        page = opened("demo", file).page
        assert len(page.evaluate(EXPLORED)) == number, file
        assert bool(number) == (file in FIGURE_PAGES)


@pytest.mark.parametrize("file", FILES)
def test_without_scripts_text_tables_and_charts_stand(file: str, opened: Callable) -> None:
    shown = opened("demo", file, java_script_enabled=False)
    page = shown.page
    assert page.locator("#answer").first.is_visible()
    drawings = page.locator("svg.drawing")
    if file in ("index.html", "coach.html", "sailmaker.html", "analyst.html"):
        assert page.locator("figure .plain svg.drawing.wide").first.is_visible()
    assert page.locator(".live:visible, .ask:visible, .pickbar:visible").count() == 0
    assert drawings.count() > 0 or file == "card.html"
    assert page.locator("table").count() > 0


def test_hovering_a_figure_gives_its_numbers(opened: Callable) -> None:
    page = opened("demo", "analyst.html").page
    drag = page.locator(".live").first.locator(".nsewdrag")
    drag.scroll_into_view_if_needed()
    box = drag.bounding_box()
    texts = set()
    for share in (0.2, 0.3, 0.55, 0.65):
        page.mouse.move(box["x"] + share * box["width"], box["y"] + 0.5 * box["height"])
        page.wait_for_timeout(120)
        texts |= set(page.locator(".hoverlayer text").all_text_contents())
    assert any("kn" in t and "°" in t for t in texts), texts


def test_hovering_or_touching_a_drawing_gives_its_numbers(opened: Callable) -> None:
    page = opened("demo", "sailmaker.html").page
    page.locator("details.inset summary").first.click()
    place = page.locator("details.inset .ask-here").nth(4)
    place.scroll_into_view_if_needed()
    place.hover()
    tip = page.locator(".tip")
    assert tip.is_visible() and " kn (" in tip.inner_text() and "probability" in tip.inner_text()
    page.mouse.move(3, 3)
    assert not tip.is_visible()
    touched = opened("demo", "sailmaker.html", 390, has_touch=True).page
    touched.locator("details.inset summary").first.tap()
    touched.locator("details.inset .ask-here").first.tap()
    assert touched.locator(".tip").is_visible()


def test_a_stretch_picked_in_one_figure_shows_in_the_others(opened: Callable) -> None:
    shown = opened("demo", "analyst.html")
    page = shown.page
    row = page.locator("tr[data-pick]").first
    key = row.get_attribute("data-pick")
    button = page.locator(f"button.pick[data-key={key}]")
    button.click()
    assert button.get_attribute("aria-pressed") == "true"
    assert "picked" in row.get_attribute("class")
    marks = page.locator(f"svg [data-pick={key}].picked")
    assert marks.count() == page.locator(f"svg [data-pick={key}]").count() >= 4
    assert page.locator(".pickbar").is_visible()
    # The chart and the curves to explore: its ring is the large one, and a line stands at its angle.
    sizes = page.evaluate("document.querySelectorAll('.live')[0].data.find((t) => t.name === 'picks').marker.size")
    keys = page.evaluate("document.querySelectorAll('.live')[0].data.find((t) => t.name === 'picks').customdata")
    assert [k for k, s in zip(keys, sizes, strict=True) if s == max(sizes)] == [key]
    lines = page.evaluate("document.querySelectorAll('.live')[1].layout.shapes.map((s) => s.x0)")
    assert lines == [float(row.get_attribute("data-angle"))]
    wind = page.locator(".switch select").input_value()
    label = page.locator(f".switch option[value='{wind}']").inner_text()
    assert abs(float(label.split()[0]) - float(row.get_attribute("data-wind"))) <= 0.5
    # Another one picked in the drawing of its race; its drawer and its evidence open.
    other = page.locator("figure.race svg.wide rect.pickable").last
    other.evaluate("(e) => e.scrollIntoView({ block: 'center' })")
    other.click()
    picked = other.get_attribute("data-pick")
    assert page.locator("tr.picked").get_attribute("data-pick") == picked != key
    assert page.locator(f"svg [data-pick={key}].picked").count() == 0
    page.locator(".pickbar a").click()
    assert page.locator(f"[data-open={picked}]").evaluate("(d) => d.open")
    page.locator(".pickbar button").click()
    assert page.locator(".picked").count() == 0 and not page.locator(".pickbar").is_visible()
    assert shown.said == []


def test_the_key_hides_a_set_and_the_wind_can_be_chosen(opened: Callable) -> None:
    page = opened("demo", "sailmaker.html").page
    figure = page.locator("figure:has(#curves-data)")
    names = "() => [...new Set(document.querySelector('[data-live=curves-data]').data.map((t) => t.legendgroup))]"
    before = page.evaluate(names)
    toggle = figure.locator(f"[data-group={before[0]}] button.toggle")
    toggle.click()
    assert page.evaluate(names) == before[1:]
    toggle.click()
    select = figure.locator("select")
    select.select_option(index=0)
    assert page.evaluate(names) != before
    figure.locator(".switch button").click()
    assert figure.locator(".plain svg").first.is_visible() and not figure.locator(".live").is_visible()


def test_the_question_box_answers(opened: Callable) -> None:
    page = opened("demo", "coach.html").page
    page.locator("[name=wind]").fill("14")
    page.locator("[name=angle]").fill("75")
    assert page.locator(".ask output b").inner_text().startswith("14 kn, 75°: ")
    page.locator("[name=wind]").fill("60")
    assert "not sailed enough" in page.locator(".ask output").inner_text()
