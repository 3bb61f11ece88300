"""Pages of next to nothing, and of a season with 20 sets and hundreds of races under names that are hard to print."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.reporting.campaigns import FORMULA, HOSTILE, RACES, RIGHT_TO_LEFT, VERY_LONG, write_huge, write_minimal
from tests.reporting.test_pages import Page, all_words, assert_whole


@pytest.fixture(scope="module")
def huge(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Page]:
    folder = tmp_path_factory.mktemp("huge")
    write_huge(folder)
    return assert_whole(folder)


def test_a_huge_season_is_aggregated_and_says_so(huge: dict[str, Page]) -> None:
    words = all_words(huge["analyst.html"])
    assert f"The 60 dearest races; {RACES + 1 - 60} more stand in race_totals.csv" in words
    assert "The 6 dearest races are drawn." in words
    assert re.search(r"[\d\u202f]+ further stretches with a smaller loss stand in race_review.csv", words)
    assert "The 16 longest sessions of" in words


def test_names_stand_escaped_on_pages_and_in_drawings(huge: dict[str, Page]) -> None:
    for file in ("index.html", "analyst.html", "sailmaker.html", "coach.html"):
        page = huge[file]
        words = all_words(page)
        for name in (HOSTILE, RIGHT_TO_LEFT, VERY_LONG, FORMULA):
            assert name in words, (file, name[:20])
        assert page.tags["img"] == 0 and "<img" not in page.text
        # Wherever the name stands, its sign has been made harmless: in markup, in data, in data that becomes markup.
        assert set(re.findall(r"(\S*?)img src=x onerror", page.text)) >= {"&lt;"}
        assert not re.search(r"<[^&>]*onerror", page.text)


def test_next_to_nothing_is_said_to_be_so(tmp_path: Path) -> None:
    write_minimal(tmp_path)
    pages = assert_whole(tmp_path)
    assert "No races were given" in all_words(pages["analyst.html"])
    assert "no designed chart" in all_words(pages["sailmaker.html"])
    assert "No border is known well enough for a card" in all_words(pages["card.html"])
    assert "no calibration was estimated" in all_words(pages["analyst.html"])
    for page in pages.values():
        assert "None" not in all_words(page) and "nan" not in all_words(page).lower().split()
