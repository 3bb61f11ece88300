"""Tables copied and saved from a page, and pages as single files."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.reporting.pages import FIGURE_PAGES, PAGES
from tests.reporting.browser.conftest import Opened
from tests.reporting.campaigns import FORMULA, HOSTILE


def saved(page: object, label: str) -> list[list[str]]:
    with page.expect_download() as waiting:  # type: ignore[attr-defined]
        page.get_by_role("button", name=f"Save table as CSV: {label}", exact=True).click()  # type: ignore[attr-defined]
    text = Path(waiting.value.path()).read_bytes().decode("utf-8-sig")
    return list(csv.reader(io.StringIO(text)))


def test_a_table_is_saved_as_it_stands_with_plain_numbers(opened: Callable) -> None:
    page = opened("small", "analyst.html").page
    rows = saved(page, "Stretches of races by loss")
    shown = page.locator("[aria-label='Stretches of races by loss'] tr[data-pick]").count()
    assert len(rows) == 1 + shown and {len(r) for r in rows} == {8}
    assert rows[0][:3] == ["Stretch, UTC", "Flown", "Measured fastest"]
    totals = saved(page, "Loss by race")
    lost = totals[0].index("Lost, s")
    assert [float(r[lost]) for r in totals[1:-1]] == [80.0, 79.0, 78.0]
    ledger = saved(opened("small", "sailmaker.html").page, "Ledger of designed borders")
    shift = ledger[0].index("Shift")
    assert all("," not in r[shift] or "kn" in r[shift] or "°" in r[shift] for r in ledger[1:])


def test_a_german_decimal_becomes_a_point_where_a_cell_is_a_number(opened: Callable) -> None:
    rows = saved(opened("small", "analyst.html").page, "Cost of manoeuvres by kind")
    seconds = rows[0].index("Lost, s")
    assert any("." in r[seconds] for r in rows[1:])
    for r in rows[1:]:
        if r[seconds] != "—":
            float(r[seconds])


def test_no_cell_acts_as_a_formula(opened: Callable) -> None:
    rows = saved(opened("huge", "analyst.html").page, "Hours under each sail set")
    names = [r[0] for r in rows]
    assert HOSTILE in names and f"'{FORMULA}" in names
    assert not [c for r in rows for c in r if c[:1] in "=+@" and c]


def test_a_table_is_copied(opened: Callable) -> None:
    page = opened("small", "coach.html", permissions=["clipboard-read", "clipboard-write"]).page
    button = page.locator(".tools button").first
    button.click()
    page.wait_for_function("(b) => b.textContent === 'Copied'", arg=button.element_handle())


@pytest.mark.parametrize("file", [file for file, _ in PAGES])
def test_a_single_file_works_alone(file: str, chromium: object, folders: Callable[[str], Path], tmp_path: Path) -> None:
    shutil.copy(folders("small") / "single" / file, tmp_path / file)
    shown = Opened(chromium, tmp_path / file, 1280)
    try:
        assert [a for a in shown.asked if not a.startswith("data:")] == [(tmp_path / file).as_uri()]
        assert shown.said == []
        assert shown.page.locator(".live svg.main-svg").count() > 0 or file not in FIGURE_PAGES
        assert shown.page.locator(".tools").count() > 0 or not shown.page.locator(".scroll").count()
        assert shown.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(252, 251, 248)"
    finally:
        shown.close()
