"""The fleet's results: for each table a Parquet data set partitioned by boat and season, and how to ask it.

    PLACE/NAME/boat=.../season=.../NAME.parquet

`place` is a folder, or the address of an object store that Arrow knows (`s3://bucket/fleet`, `gs://...`).
"""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
from pyarrow import fs

from pipeline.ingest.store import NO_EXTENSIONS, quoted


def is_address(place: str) -> bool:
    """Whether a place is an object store's, not a folder."""
    return "://" in place


def escaped(path: Path) -> str:
    """A path as SQL text holds it."""
    return str(path).replace("'", "''")


def publish(tables: Path, place: str, partition: str) -> None:
    """Copy a campaign's Parquet tables into the data set, each replacing the one before in one step."""
    files, root = fs.FileSystem.from_uri(place) if is_address(place) else (fs.LocalFileSystem(), str(Path(place)))
    local = isinstance(files, fs.LocalFileSystem)
    for table in sorted(tables.glob("*.parquet")):
        folder = f"{root}/{table.stem}/{partition}"
        files.create_dir(folder, recursive=True)
        target = f"{folder}/{table.name}"
        # An object appears whole or not at all; a file does so under another name first.
        written = f"{folder}/.{table.name}.aside" if local else target
        with table.open("rb") as source, files.open_output_stream(written) as out:
            shutil.copyfileobj(source, out, 1 << 20)
        if local:
            files.move(written, target)


def connect(place: str | Path) -> duckdb.DuckDBPyConnection:
    """A DuckDB connection with a view for every table of a data set in a folder, `boat` and `season` among its columns.

    Columns that only some boats have are missing for the others.
    """
    connection = duckdb.connect(config=NO_EXTENSIONS)
    for table in sorted(p for p in Path(place).iterdir() if p.is_dir()):
        pattern = escaped(table / "*" / "*" / "*.parquet")
        connection.execute(
            f"CREATE VIEW {quoted(table.name)} AS SELECT * FROM read_parquet('{pattern}', hive_partitioning = true, "
            "hive_types_autocast = false, union_by_name = true)"
        )
    return connection
