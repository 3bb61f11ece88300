"""One log's share of a store, read wherever there is a free worker, and taken into its campaign's store afterwards.

A part is a folder of Parquet files, one a table of the store, moved into place whole. What cannot be read by itself (a
log without wind, or without a date) leaves no part: the campaign then reads it, and says what is wrong with it.
"""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

from pipeline.campaign.campaign import Campaign, read_campaign
from pipeline.digests import digest_of
from pipeline.fleet.dataset import escaped
from pipeline.ingest.season import ingest_logs
from pipeline.ingest.store import Store, quoted
from pipeline.output_folder import to_disk
from pipeline.problems import UnusableInput

# Made anew for the campaign as a whole.
NOT_OF_LOGS = frozenset({"meta", "fingerprints", "flags", "samples"})


def part_place(parts: Path, log: Path) -> Path:
    """Where the part of a log belongs."""
    return parts / digest_of(str(log))


def logs_to_read(campaign: Campaign, store_path: Path) -> list[Path]:
    """Logs of a campaign that its store has not seen as they now are."""
    if not store_path.is_file():
        return list(campaign.log_files)
    with Store.open(store_path, read_only=True) as store:
        seen = set(store.query("SELECT bytes, modified_ns, changed_ns FROM seen_files").iter_rows())
    return [f for f in campaign.log_files if _sighting(f) not in seen]


def _sighting(path: Path) -> tuple[int, int, int]:
    now = path.stat()
    return now.st_size, now.st_mtime_ns, now.st_ctime_ns


def read_part(folder: Path, log: Path, parts: Path) -> None:
    """Read one log of the campaign in `folder` into its part."""
    place = part_place(parts, log)
    parts.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        try:
            with Store.open(Path(scratch) / "part.duckdb") as store:
                ingest_logs(store, replace(read_campaign(folder), log_files=(log,)))
                written = Path(tempfile.mkdtemp(prefix=f".{place.name}-", dir=parts))
                for table in set(store.table_names()) - NOT_OF_LOGS:
                    store.connection.execute(f"COPY {quoted(table)} TO '{escaped(written / table)}.parquet'")
        except UnusableInput:
            return
    for file in written.iterdir():
        to_disk(file)
    shutil.rmtree(place, ignore_errors=True)
    try:
        written.rename(place)
    except OSError:
        # Another worker, taking this for lost, has put the same there.
        shutil.rmtree(written, ignore_errors=True)


def take_in(store: Store, parts: Path) -> None:
    """Add the logs of all parts to a store that does not know them; a content counts once."""
    known = set(store.read_table("files")["file_id"])
    for place in sorted(p for p in parts.glob("[!.]*") if p.is_dir()):
        here = set(store.query(f"SELECT file_id FROM {_rows(place / 'files.parquet')}")["file_id"])
        if known & here:
            continue
        known |= here
        for path in sorted(place.glob("*.parquet")):
            _add(store, path.stem, _rows(path))
    store.show_samples()


def _add(store: Store, table: str, rows: str) -> None:
    name = quoted(table)
    store.execute(f"CREATE TABLE IF NOT EXISTS {name} AS SELECT * FROM {rows} LIMIT 0")
    present = set(store.query(f"DESCRIBE {name}")["column_name"])
    for column, kind in store.query(f"DESCRIBE SELECT * FROM {rows}").select("column_name", "column_type").iter_rows():
        if column not in present:
            store.execute(f"ALTER TABLE {name} ADD COLUMN {quoted(column)} {kind}")
    store.execute(f"INSERT INTO {name} BY NAME SELECT * FROM {rows}")


def _rows(path: Path) -> str:
    # The folders' names would else be taken for columns.
    return f"read_parquet('{escaped(path)}', hive_partitioning = false)"
