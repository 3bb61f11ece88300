"""What comes out of the printer."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

# Sheets of A4 that a page of the demo takes, from and to: what is folded or for the screen alone does not print. Faces
# differ between machines, so each may take one more or two less than on ours.
SHEETS = {
    "index.html": (2, 4),
    "coach.html": (7, 10),
    "sailmaker.html": (6, 9),
    "analyst.html": (11, 14),
    "calibration.html": (4, 6),
}


def sheets(pdf: bytes) -> int:
    """Pages of a PDF as Chromium writes them."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


@pytest.mark.parametrize("paper", ["A4", "A5"])
@pytest.mark.parametrize("campaign", ["demo", "minimal", "huge"])
def test_the_card_is_one_sheet(campaign: str, paper: str, opened: Callable) -> None:
    for landscape in (False, True):
        pdf = opened(campaign, "card.html").page.pdf(format=paper, landscape=landscape, prefer_css_page_size=False)
        assert sheets(pdf) == 1, (campaign, paper, landscape)


@pytest.mark.parametrize("file", SHEETS)
def test_pages_print_on_a_known_number_of_sheets(file: str, opened: Callable) -> None:
    pdf = opened("demo", file).page.pdf(format="A4", prefer_css_page_size=True)
    least, most = SHEETS[file]
    assert least <= sheets(pdf) <= most


def test_print_shows_the_drawings_and_leaves_out_what_is_for_the_screen(opened: Callable) -> None:
    page = opened("demo", "analyst.html").page
    page.emulate_media(media="print")
    for gone in (".live", ".switch", ".ask", ".tools", "nav", ".pickbar", "button.pick", "tr.opened"):
        assert page.locator(f"{gone}:visible").count() == 0, gone
    assert page.locator("figure .plain svg.wide:visible").count() > 0
    page.evaluate("document.querySelector('details.inset').open = true")
    assert page.locator("tr.opened:visible").count() == 1


def test_the_card_is_black_on_white(opened: Callable) -> None:
    page = opened("demo", "card.html").page
    page.emulate_media(media="print")
    colours = page.evaluate(
        "[...new Set([...document.querySelectorAll('table.card *')].map((e) => getComputedStyle(e).color))]"
    )
    assert colours == ["rgb(0, 0, 0)"]
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
