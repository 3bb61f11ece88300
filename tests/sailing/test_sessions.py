"""Sessions end at a gap of ten minutes."""

from datetime import datetime, timedelta

import polars as pl

from pipeline.sailing.sessions import find_sessions

T0 = datetime(2027, 6, 12, 9)


def series(*seconds):
    return pl.Series([T0 + timedelta(seconds=s) for s in seconds], dtype=pl.Datetime("us"))


def test_a_gap_of_ten_minutes_ends_a_session_and_a_shorter_one_does_not():
    found = find_sessions(series(0, 1, 600.9, 1200.9, 1201))
    assert found.rows() == [
        (1, T0, T0 + timedelta(seconds=600.9)),
        (2, T0 + timedelta(seconds=1200.9), T0 + timedelta(seconds=1201)),
    ]


def test_order_repetition_and_missing_times_do_not_matter():
    times = pl.concat([series(700, 0, 0, 1400), pl.Series([None], dtype=pl.Datetime("us"))])
    assert find_sessions(times).rows() == [(i + 1, t, t) for i, t in enumerate(series(0, 700, 1400))]


def test_no_samples_no_sessions():
    found = find_sessions(series())
    assert found.is_empty()
    assert dict(found.schema) == {"session": pl.Int64, "start": pl.Datetime("us"), "end": pl.Datetime("us")}
