"""A sail log with the tag audit's findings in it, written where a person asked for it and never over anything."""

from __future__ import annotations

from pathlib import Path

from pipeline import output_folder
from pipeline.campaign.campaign import read_campaign
from pipeline.decisions.corrected_log import suggested_log, write_suggested_log
from pipeline.ingest.store import Store
from pipeline.problems import WrongUsage


def refuse_bad_place(file: Path, folder: Path) -> None:
    """Raise `WrongUsage` where `file` exists, lies within the campaign `folder`, or has no folder to lie in."""
    if output_folder.lies_in(file, folder):
        raise WrongUsage(
            f"{file} lies inside the campaign folder {folder}, which is never written to: "
            "give another place with --suggested-log, read it, and copy what you accept"
        )
    if file.is_symlink() or file.exists():
        raise WrongUsage(f"{file} exists and is left as it is: give a new file with --suggested-log")
    if not file.resolve().parent.is_dir():
        raise WrongUsage(f"there is no folder {file.parent} for {file.name}: make it, or give another --suggested-log")


def write_suggestion(folder: Path, out: Path, file: Path) -> list[str]:
    """Write the suggested log of the finished run in `out` to `file`; returns lines that say what it holds.

    Raises `WrongUsage` where `file` must not be written, see `refuse_bad_place`.
    """
    refuse_bad_place(file, folder)
    campaign = read_campaign(folder)
    with Store.open(out / output_folder.STORE_NAME, read_only=True) as store:
        segments, audit, changes = (store.read_table(n) for n in ("segments", "tag_audit", "change_times"))
    log = suggested_log(segments, audit, changes, campaign.boat)
    write_suggested_log(log, file)
    changed = log.filter(log["note"].str.contains("by the speeds")).height
    return [
        f"{file}: a sail log to accept or not, with {changed} {'entry' if changed == 1 else 'entries'} by the speeds",
        "Nothing uses it by itself: read its notes, change it, and put it in the place of sail_log.csv.",
    ]
