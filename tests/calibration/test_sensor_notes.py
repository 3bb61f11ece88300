"""Which days a noted change of a sensor points to."""

from __future__ import annotations

from datetime import date, datetime

import polars as pl

from pipeline.calibration.sensor_notes import sensor_changes

SESSIONS = pl.DataFrame(
    {
        "session": [1, 2, 3],
        "start": [datetime(2027, 6, d, 10) for d in (1, 2, 9)],
        "end": [datetime(2027, 6, d, 14) for d in (1, 2, 9)],
    }
)


def noted(*entries: tuple[datetime, str]) -> tuple[date, ...]:
    log = pl.DataFrame(
        [(t, item, "changed", None, None) for t, item in entries],
        schema={"time": pl.Datetime("us"), "item": pl.String, "value": pl.String, "unit": pl.String, "note": pl.String},
        orient="row",
    )
    return sensor_changes(log, SESSIONS)


def test_before_a_session_it_is_that_day() -> None:
    assert noted((datetime(2027, 6, 2, 8), "sensor")) == (date(2027, 6, 2),)


def test_after_a_day_s_sailing_it_is_the_next_day_sailed() -> None:
    assert noted((datetime(2027, 6, 2, 18), " Sensor ")) == (date(2027, 6, 9),)


def test_under_way_it_may_be_that_day_or_the_next() -> None:
    assert noted((datetime(2027, 6, 1, 12), "sensor")) == (date(2027, 6, 1), date(2027, 6, 2))


def test_other_items_and_late_entries_say_nothing() -> None:
    assert noted((datetime(2027, 6, 1, 8), "hull"), (datetime(2027, 7, 1), "sensor")) == ()
    assert sensor_changes(None, SESSIONS) == ()
    assert sensor_changes(pl.DataFrame(), SESSIONS) == ()
