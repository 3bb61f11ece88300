"""What people noted of sensors in `settings_log.csv`: days on which a changed one may first have sailed."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl


def sensor_changes(settings_log: pl.DataFrame | None, sessions: pl.DataFrame) -> tuple[date, ...]:
    """First days of the new state for each entry `sensor`, in order; none without a log.

    That is the day of the first session that ends after the entry; where the session was under way already, the day
    after it, too, since logs are written when there is time. Entries after the last session say nothing.
    """
    if settings_log is None or settings_log.is_empty():
        return ()
    item = pl.col("item").str.to_lowercase().str.strip_chars()
    days: set[date] = set()
    for at in settings_log.filter(item == "sensor")["time"].cast(pl.Datetime("us")).to_list():
        ahead = sessions.filter(pl.col("end") > at).sort("start").head(1)
        for start in ahead["start"].to_list():
            days |= {start.date()} | ({start.date() + timedelta(days=1)} if start < at else set())
    return tuple(sorted(days))
