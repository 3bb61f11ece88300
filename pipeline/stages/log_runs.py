"""When the instruments ran: for each log in the store, and for all of them together."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import polars as pl

from pipeline.digests import digest_of
from pipeline.ingest.store import Store
from pipeline.sailing.pieces import MARGIN, PIECE_GAP, joined
from pipeline.sailing.sessions import SESSION_GAP, find_sessions

# Logs nearer than this share their samples (`ingest.shared_time`), and only their samples tell when one ran.
NEAR = timedelta(minutes=2)


@dataclass(frozen=True, slots=True)
class Run:
    """One log from a sample to another without a gap of 10 minutes; `log` says which log, and how it was read."""

    start: datetime
    end: datetime
    log: str
    rate_hz: float


def runs_of_logs(store: Store) -> list[Run]:
    """Runs of every log, in order of time; looked up in the samples only for logs that are new."""
    store.execute("CREATE TABLE IF NOT EXISTS log_runs (log VARCHAR, start TIMESTAMP, stop TIMESTAMP)")
    files = store.query(
        "SELECT file_id, file_id || ' ' || settings AS log, rate_hz, first_time, last_time FROM files WHERE samples > 0"
    )
    store.execute("DELETE FROM log_runs WHERE log NOT IN (SELECT unnest($logs))", logs=files["log"].to_list())
    known = set(store.query("SELECT DISTINCT log FROM log_runs")["log"])
    found = [
        find_sessions(store.query(_TIMES, file_id=file_id, first=first, last=last)["time"]).select(
            pl.lit(log).alias("log"), "start", stop="end"
        )
        for file_id, log, _, first, last in files.iter_rows()
        if log not in known
    ]
    if found:
        store.append("log_runs", pl.concat(found))
    rates = dict(files.select("log", "rate_hz").iter_rows())
    rows = store.query("SELECT log, start, stop FROM log_runs ORDER BY start, log").iter_rows()
    return [Run(start, stop, log, rates[log] or 1.0) for log, start, stop in rows]


_TIMES = "SELECT time FROM samples WHERE file_id = $file_id AND time BETWEEN $first AND $last"


def sessions_of(store: Store, runs: list[Run]) -> pl.DataFrame:
    """Sessions of the season as `find_sessions` gives them, without its samples where no two logs run together."""
    store.execute("CREATE TABLE IF NOT EXISTS shared_sessions (logs VARCHAR, start TIMESTAMP, stop TIMESTAMP)")
    kept: dict[str, list[tuple[datetime, datetime]]] = {}
    for logs, start, stop in store.query("SELECT * FROM shared_sessions ORDER BY start").iter_rows():
        kept.setdefault(logs, []).append((start, stop))
    spans: list[tuple[datetime, datetime]] = []
    in_use: dict[str, list[tuple[datetime, datetime]]] = {}
    for lo, hi in joined([(r.start, r.end) for r in runs], PIECE_GAP):
        here = [r for r in runs if r.start <= hi and r.end >= lo]
        if not _shared(here):
            spans += joined([(r.start, r.end) for r in here], SESSION_GAP)
            continue
        logs = digest_of(*sorted(f"{r.log} {r.start} {r.end}" for r in here))
        if logs not in kept:
            times = store.read_samples(lo - MARGIN, hi + MARGIN)["time"]
            kept[logs] = list(find_sessions(times).select("start", "end").iter_rows())
        in_use[logs] = kept[logs]
        spans += kept[logs]
    rows = [(logs, start, stop) for logs, spans_of in in_use.items() for start, stop in spans_of]
    store.write_table("shared_sessions", pl.DataFrame(rows, schema=_SHARED, orient="row"))
    times = pl.DataFrame(sorted(spans), schema={"start": pl.Datetime("us"), "end": pl.Datetime("us")}, orient="row")
    return times.select(pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("session"), "start", "end")


_SHARED = {"logs": pl.String(), "start": pl.Datetime("us"), "stop": pl.Datetime("us")}


def _shared(runs: list[Run]) -> bool:
    """Whether a log begins before, or soon after, the end of another; runs in order of time."""
    return any(b.log != a.log and b.start - a.end < NEAR for a, b in pairwise(runs))
