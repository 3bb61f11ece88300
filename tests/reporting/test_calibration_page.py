"""The calibration page from tables made here: what it says of change, no change, and what the data cannot say."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.campaign.settings import Boat, Instruments
from pipeline.reporting.calibration_view import calibration_view
from pipeline.reporting.figures.calibration_drawing import draw_days, draw_interval, half_scale
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.pages import write_pages
from pipeline.reporting.records.calibration import calibration_page
from pipeline.reporting.records.frames import complete
from pipeline.tables import TABLES

BOAT = Boat("Invented Dunlin", 11.0, Instruments(16.0))
KNOCKED = date(2027, 6, 20)


def row(parameter: str, in_use: float, proposed: float | None, half: float = 0.1, **more: object) -> dict[str, object]:
    held = proposed is not None and abs(proposed - in_use) <= half
    verdict = "the data cannot say" if proposed is None else "no change needed" if held else "proposed"
    plain: dict[str, object] = dict.fromkeys(TABLES["calibration"].columns)
    plain |= {"parameter": parameter, "unit": "", "in_use": in_use, "proposed": proposed, "verdict": verdict}
    plain |= {"proposed_low": None if proposed is None else proposed - half}
    plain |= {"proposed_high": None if proposed is None else proposed + half, "evidence": "12 tacks on 4 days"}
    return plain | more


def tables_of(rows: list[dict[str, object]], **others: pl.DataFrame) -> dict[str, pl.DataFrame]:
    table = TABLES["calibration"]
    return complete({"calibration": table.conform(pl.DataFrame(rows, schema=table.columns)), **others})


@pytest.fixture
def knocked() -> dict[str, pl.DataFrame]:
    night = datetime(2027, 6, 20)
    days = [date(2027, 6, 10) + timedelta(days=2 * i) for i in range(10)]
    return tables_of(
        [
            row("boat_speed_factor", 1.0, 1.031, 0.004),
            row("heading_offset_deg", 0.0, 0.05),
            row("awa_offset_deg", 0.0, 0.2, 0.4, until=night),
            row("awa_offset_deg", 0.0, 2.1, 0.4, **{"from": night}),
            row("aws_factor", 1.0, None),
            row("upwash_deg", 0.0, 1.5, 0.5, sail_set="G2<b>"),
            row("upwash_deg", 0.0, None, sail_set="J1"),
        ],
        calibration_drift=pl.DataFrame(
            [("awa_offset_deg", "step", KNOCKED, None, KNOCKED, KNOCKED, 1.9, 1.5, 2.3, 0.0001)],
            schema=TABLES["calibration_drift"].columns,
            orient="row",
        ),
        calibration_days=pl.DataFrame(
            {
                "parameter": ["awa_offset_deg"] * 10,
                "day": days,
                "estimate": [0.2 if d < KNOCKED else 2.1 for d in days],
                "sd": [0.4] * 10,
            }
        ),
        calibration_effect=pl.DataFrame(
            {"measure": ["true wind"], "unit": ["deg"], "before": [4.1], "after": [0.2], "count": [31]}
        ),
    )


def test_the_answer_says_what_changes_and_that_nothing_is_applied(knocked: dict[str, pl.DataFrame]) -> None:
    said = " ".join(calibration_view(knocked, BOAT, Numbers())["answer"])
    assert "Boat-speed factor 1.000 to 1.031" in said
    assert "AWA offset by period" in said
    assert "AWA offset stepped by +1.9° on 20 June 2027" in said
    assert "The data cannot say: AWS factor" in said
    assert "No change needed: Heading offset" in said
    assert "Nothing of this is applied" in said


def test_a_boat_that_needs_nothing_is_told_so() -> None:
    view = calibration_view(tables_of([row("awa_offset_deg", 0.0, 0.05)]), BOAT, Numbers())
    assert view["answer"][0] == "No change of the calibration is needed: every interval holds the value in use."
    assert not view["page"].proposes


def test_text_to_paste_holds_only_what_is_proposed(knocked: dict[str, pl.DataFrame]) -> None:
    page = calibration_page(knocked, BOAT)
    assert page.proposes
    assert "boat_speed_factor = 1.031" in page.text
    assert "heading_offset_deg = 0.0" in page.text
    assert "from = 2027-06-20T00:00:00Z\nawa_offset_deg = 2.1" in page.text
    assert '[calibration.sets."G2<b>"]\nupwash_deg = 1.5' in page.text


def test_shared_evidence_and_silent_sets_are_said_once(knocked: dict[str, pl.DataFrame]) -> None:
    page = calibration_page(knocked, BOAT)
    ((names, evidence),) = page.grounds
    assert evidence == "12 tacks on 4 days"
    assert "AWA offset, from 2027-06-20" in names
    assert page.silent_sets == (("Upwash", ("J1",)),)


def test_drawings_put_the_value_in_use_in_the_middle(knocked: dict[str, pl.DataFrame]) -> None:
    page = calibration_page(knocked, BOAT)
    late = page.boat_values[3]
    half = half_scale(v for v in page.boat_values if v.parameter == late.parameter)
    assert half == pytest.approx(2.5)
    markup = str(draw_interval(late, half))
    assert 'x1="66" y1="2" x2="66" y2="20"' in markup  # half of the chip's 132
    assert "Proposed 2.1, interval 1.7 to 2.5, in use 0.0" in markup
    assert draw_interval(page.boat_values[4], 1.0) is None
    (series,) = page.series
    wide = str(draw_days(series, narrow=False))
    assert wide.count("<circle") == 10
    assert "a step on 2027-06-20" in wide


def test_the_page_is_written_escaped_and_without_the_estimate_too(
    knocked: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    write_pages(knocked, BOAT, tmp_path / "full")
    html = (tmp_path / "full" / "calibration.html").read_text(encoding="utf-8")
    assert "G2&lt;b&gt;" in html
    assert "G2<b>" not in html
    assert "+4.1°" in html
    write_pages({}, BOAT, tmp_path / "empty")
    assert "was not estimated in this run" in (tmp_path / "empty" / "calibration.html").read_text(encoding="utf-8")
