"""Every input of a campaign looked at, the logs decoded into a store that is thrown away: for `peelpoint check`."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.campaign.campaign import campaign_for_logs, check_campaign
from pipeline.ingest.season import ingest_logs
from pipeline.ingest.store import Store, sql_text
from pipeline.problems import Problem, UnusableInput

MOST_REMARKS_A_LOG = 12


@dataclass(frozen=True, slots=True)
class Checked:
    """Every problem of a campaign, and lines that say what is in its logs."""

    problems: tuple[Problem, ...]
    found: tuple[str, ...]


def check_everything(folder: Path, progress: Callable[[str], None] | None = None) -> Checked:
    """Every problem of the campaign in `folder`, of what people wrote and of the logs; nothing is changed.

    The logs are decoded wherever `boat.toml` can be used, whatever else is wrong.
    """
    problems = check_campaign(folder)
    campaign = campaign_for_logs(folder)
    if campaign is None or not campaign.log_files:
        return Checked(tuple(problems), ())
    found: list[str] = []
    with tempfile.TemporaryDirectory() as place, Store.open(Path(place) / "check.duckdb") as store:
        try:
            ingest_logs(store, campaign, progress)
        except UnusableInput as error:
            problems += [p for p in error.problems if p not in problems]
        else:
            found = _logs_in_words(store)
    return Checked(tuple(problems), tuple(found))


def _logs_in_words(store: Store) -> list[str]:
    """A line a log, and below it what was noticed in it."""
    lines = []
    remarks = store.query(sql_text("ingest/remarks"))
    for log in store.read_table("files").sort("file").iter_rows(named=True):
        lines.append(f"{log['file']}: {log['lines']:,} lines, {log['rejected']:,} rejected")
        mine = remarks.filter(remarks["file_id"] == log["file_id"])
        lines += [f"    {reason}: {count:,}" for reason, count in mine.select("reason", "count").iter_rows()][
            :MOST_REMARKS_A_LOG
        ]
    return lines
