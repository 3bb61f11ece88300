from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime

import pytest

from pipeline.campaign.settings import Boat
from pipeline.reporting.context import NUMBER_LANGUAGE, numbers_of
from pipeline.reporting.numbers import (
    LANGUAGES,
    MISSING,
    Numbers,
    brief,
    moment,
    numbers_for,
    plural,
    reader,
    written_for,
)

NUM = Numbers()


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_missing_is_an_em_dash_and_never_zero(value: float | None) -> None:
    assert NUM.plain(value) == NUM.signed(value) == NUM.percent(value) == NUM.duration(value) == MISSING == "—"
    assert moment(None) == MISSING


def test_numbers_are_rounded_signed_and_grouped() -> None:
    assert NUM.plain(1234567.25, 1) == "1\u202f234\u202f567.2"
    assert NUM.plain(-0.04, 1) == "0.0"
    assert NUM.signed(2.0) == "+2.0"
    assert NUM.signed(-2.0) == "−2.0"
    assert NUM.signed(0.01) == "0.0"


def test_decimal_mark_of_the_reader() -> None:
    assert Numbers(decimal_mark=",", thousands_mark=".").plain(12345.67, 1) == "12.345,7"


def test_open_sides_are_said() -> None:
    assert NUM.span(1.0, 2.0) == "1.0 to 2.0"
    assert NUM.span(None, 2.0) == "open to 2.0"
    assert NUM.span(1.0, None) == "1.0 to open"
    assert NUM.span(None, None) == MISSING


def test_durations() -> None:
    assert NUM.duration(0.0) == "0 min"
    assert NUM.duration(0.75) == "0.8 min"
    assert NUM.duration(59.6) == "1 h 00 min"
    assert NUM.duration(125.0) == "2 h 05 min"


def test_moment_and_plural() -> None:
    assert moment(datetime(2027, 6, 12, 9, 5)) == "2027-06-12 09:05"
    assert plural(1, "window") == "1 window"
    assert plural(0, "window") == "0 windows"


def test_a_language_is_known_by_its_tag_or_its_first_part() -> None:
    assert numbers_for("de") == numbers_for("DE_at") == LANGUAGES["de"]
    assert numbers_for("de-CH") == LANGUAGES["de-CH"] != LANGUAGES["de"]
    assert numbers_for("xx") is None and numbers_for(7) is None
    assert LANGUAGES["de"].plain(-1234.5, 1) == "−1.234,5"
    assert LANGUAGES["fr"].plain(1234.5, 1) == "1\u202f234,5"


def test_an_unknown_language_is_said_and_english_stands_in(boat: Boat) -> None:
    assert numbers_of(replace(boat, extra={NUMBER_LANGUAGE: "sv"})) == (LANGUAGES["sv"], ())
    numbers, problems = numbers_of(replace(boat, extra={NUMBER_LANGUAGE: "klingon"}))
    assert numbers == Numbers() and len(problems) == 1 and not problems[0].fatal
    assert "klingon" in str(problems[0]) and "de" in str(problems[0])
    assert numbers_of(boat) == (Numbers(), ())


def test_figures_ask_how_their_reader_writes_numbers_only_while_pages_are_written() -> None:
    with written_for(LANGUAGES["de"]):
        assert brief(-2.5) == "−2,5" and reader() == LANGUAGES["de"]
    assert brief(-2.5) == "−2.5" and reader() == Numbers()
