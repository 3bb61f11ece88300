"""The DuckDB file of a season: samples, what became of every line, the tables of all stages; one transaction a run."""

from __future__ import annotations

import errno
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import polars as pl

from pipeline import __version__, threads
from pipeline.channels import BY_NAME, CHANNELS
from pipeline.ingest.shared_time import read_samples
from pipeline.problems import Problem, UnusableInput
from pipeline.shipped import shipped
from pipeline.tables import TABLES

SCHEMA_VERSION = 2
MEMORY_LIMIT = "1GB"
VACUUM_TASKS = 100
# DuckDB names itself in bytes 8 to 11 of its files; checked first, so that no other engine's file is ever tried.
_MAGIC = b"DUCK"
_SCHEMA = ("meta", "fingerprints", "files", "sample_rows", "rejected", "file_flags", "seen_files")
_SAMPLE_KEYS = ("time", "file_id", "fresh")
# Tables that are the store's own business, or hold a row a sample.
INTERNAL = frozenset(
    {"meta", "fingerprints", "file_flags", "seen_files", "samples", "sample_rows", "wind"}
    | {"log_runs", "shared_sessions", "sessions", "pieces"}
)
DISK_FULL = (errno.ENOSPC, errno.EDQUOT)
# What is committed goes straight into the file: by way of the log beside it, a day more would be written twice.
AT_COMMIT = {"checkpoint_threshold": "1KB"}
NO_EXTENSIONS = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}


@cache
def sql_text(name: str) -> str:
    """The SQL named such as "ingest/flags", from the checkout or the installed package."""
    return (shipped("sql") / f"{name}.sql").read_text(encoding="utf-8")


def quoted(name: str) -> str:
    """`name` as an SQL identifier, whatever it holds."""
    return '"' + name.replace('"', '""') + '"'


class Store:
    """An open store. Use as a context; what was not committed when the context ends is as if it never was.

    A store that was new and is left without a commit is removed. Errors of the disk, a lock held by another process, a
    file that is none of ours: `UnusableInput` with a sentence.
    """

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection, *, is_new: bool, read_only: bool) -> None:
        """Use `Store.open`."""
        self.path = path
        self.connection = connection
        self.read_only = read_only
        self._is_new = is_new
        self._is_thinned = False
        self._sample_columns: dict[str, None] | None = None
        self._names: set[str] | None = None

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False) -> Self:
        """Open the store at `path`, created where there is none (unless `read_only`), and begin a transaction."""
        path = Path(path)
        is_new = not _holds_store(path)
        if is_new and read_only:
            raise UnusableInput([Problem(str(path), "is not there yet: run `peelpoint run` on the campaign first")])
        with _in_words(path):
            if is_new:
                path.parent.mkdir(parents=True, exist_ok=True)
                path.unlink(missing_ok=True)
                path.with_name(path.name + ".wal").unlink(missing_ok=True)
            config = {**NO_EXTENSIONS, **AT_COMMIT, "memory_limit": MEMORY_LIMIT, "threads": str(threads.allowed())}
            store = cls(path, duckdb.connect(str(path), read_only, config), is_new=is_new, read_only=read_only)
        try:
            with _in_words(path):
                store._begin()
        except BaseException:
            store._close()
            raise
        return store

    def _begin(self) -> None:
        # A long query would draw one among the lines of the command.
        self.connection.execute("SET enable_progress_bar = false")
        self.connection.execute("BEGIN")
        tables = set(self.table_names())
        if tables and "meta" not in tables:
            raise UnusableInput(
                [Problem(str(self.path), "is a database, but not a season of peelpoint's: move it away")]
            )
        if tables:
            version = dict(self.connection.sql("SELECT name, value FROM meta").fetchall()).get("schema_version")
            if version != str(SCHEMA_VERSION):
                raise UnusableInput(
                    [
                        Problem(
                            str(self.path),
                            f"was written with layout {version} of the store, this peelpoint writes {SCHEMA_VERSION}: "
                            "remove the file (it is made again from the logs) or give another OUT",
                        )
                    ]
                )
        elif self.read_only:
            raise UnusableInput([Problem(str(self.path), "holds nothing yet: run `peelpoint run` on the campaign")])
        else:
            for name in _SCHEMA:
                self.execute(sql_text(f"schema/{name}"))
            self.show_samples()
            about = {"schema_version": str(SCHEMA_VERSION), "code_version": __version__}
            self.connection.executemany("INSERT INTO meta VALUES (?, ?)", [list(pair) for pair in about.items()])

    def __enter__(self) -> Self:
        """The store itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Undo what was not committed and close; an error of the database on the way out becomes a sentence."""
        self._close()
        of_ours = isinstance(error, duckdb.Error) or getattr(error, "errno", None) in DISK_FULL
        if error is not None and of_ours and (words := _words(self.path, error)) is not None:
            raise words from error

    def _close(self) -> None:
        # It fails where nothing is open any more, or the disk is gone: closing rolls back as well.
        with suppress(duckdb.Error):
            self.connection.execute("ROLLBACK")
        self.connection.close()
        if self._is_new:
            self.path.unlink(missing_ok=True)
            self.path.with_name(self.path.name + ".wal").unlink(missing_ok=True)

    def commit(self) -> None:
        """Make everything since the last commit permanent, as a whole, and begin anew."""
        with _in_words(self.path):
            # Part-filled row groups are put together only where rows were taken out: it takes memory and time.
            self.connection.execute(f"SET max_vacuum_tasks = {VACUUM_TASKS if self._is_thinned else 0}")
            self.connection.execute("COMMIT")
            self._is_new = False
            self.connection.execute("BEGIN")

    # --- tables -----------------------------------------------------------------------------------------------------

    def table_names(self) -> list[str]:
        """Names of all tables and views in the store, sorted."""
        return sorted(self._table_names())

    def _table_names(self) -> set[str]:
        """The same, looked up again only after a statement that may have made or dropped one."""
        if self._names is not None:
            return self._names
        query = """
            SELECT table_name AS name FROM duckdb_tables() WHERE NOT temporary AND NOT internal
            UNION ALL SELECT view_name FROM duckdb_views() WHERE NOT temporary AND NOT internal
        """
        self._names = {name for (name,) in self.connection.sql(query).fetchall()}
        return self._names

    def has_table(self, name: str) -> bool:
        """Whether a table of that name was written."""
        return name in self._table_names()

    def write_table(self, name: str, frame: pl.DataFrame) -> None:
        """Replace a table; its columns are those of the catalogue, where it is in the catalogue, and any others behind.

        NaN becomes missing. Lists of text are kept as text, separated by spaces.
        """
        frame = TABLES[name].conform(frame) if name in TABLES else frame
        frame = plain(frame)
        with _in_words(self.path), self._registered("incoming", frame):
            self.connection.execute(f"CREATE OR REPLACE TABLE {quoted(name)} AS SELECT * FROM incoming")
        self._table_names().add(name)

    def read_table(self, name: str) -> pl.DataFrame:
        """A table as it was written; one of the catalogue that was never written is empty, its columns typed."""
        if not self.has_table(name):
            if name in TABLES:
                return TABLES[name].empty()
            raise KeyError(f"the store has no table {name!r}")
        return self.query(f"SELECT * FROM {quoted(name)}")

    def read_span(self, name: str, start: datetime, stop: datetime) -> pl.DataFrame:
        """Rows of a table with a column `time` in [start, stop), in order; of `samples`, all logs on one time line."""
        if name == "samples":
            return self.read_samples(start, stop)
        query = f"SELECT * FROM {quoted(name)} WHERE time >= $start AND time < $stop ORDER BY time"
        return self.query(query, start=start, stop=stop)

    def query(self, query: str, **parameters: Any) -> pl.DataFrame:
        """The result of a query, parameters by name."""
        with _in_words(self.path):
            return self.connection.sql(query, params=parameters or None).pl()

    def execute(self, statement: str, **parameters: Any) -> None:
        """Run a statement that changes something, parameters by name."""
        if not statement.lstrip().upper().startswith(("DELETE", "INSERT", "SET ")):
            self._names = None
        with _in_words(self.path):
            self.connection.execute(statement, parameters or None)

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Add rows to a table, by the names of their columns; what the frame does not have is missing."""
        if frame.height:
            # Found by its name as a local variable: what is registered would be kept until the transaction ends.
            incoming = frame.to_arrow()  # noqa: F841
            with _in_words(self.path):
                self.connection.execute(f"INSERT INTO {quoted(name)} BY NAME SELECT * FROM incoming")

    @contextmanager
    def _registered(self, name: str, frame: pl.DataFrame) -> Iterator[None]:
        self.connection.register(name, frame.to_arrow())
        try:
            yield
        finally:
            self.connection.unregister(name)

    # --- fingerprints -----------------------------------------------------------------------------------------------

    def fingerprint(self, stage: str) -> str | None:
        """Hash of what the stage's tables were made from; None where it was never run."""
        rows = self.connection.sql("SELECT value FROM fingerprints WHERE stage = $stage", params={"stage": stage})
        return next((str(value) for (value,) in rows.fetchall()), None)

    def set_fingerprint(self, stage: str, value: str) -> None:
        """Note what the stage's tables were made from."""
        self.execute("DELETE FROM fingerprints WHERE stage = $stage", stage=stage)
        self.execute("INSERT INTO fingerprints VALUES ($stage, $value)", stage=stage, value=value)

    # --- samples ----------------------------------------------------------------------------------------------------

    def widen_samples(self, columns: Sequence[str]) -> None:
        """Give the table of samples the columns it does not have yet."""
        missing = [c for c in columns if c not in self._held()]
        for column in missing:
            self.execute(f"ALTER TABLE sample_rows ADD COLUMN {quoted(column)} DOUBLE")
        if missing:
            self.show_samples()

    def show_samples(self) -> None:
        """Make the view `samples` anew: every channel of the catalogue, NULL where no log holds it, then the others.

        A column without a value costs DuckDB as much to load as any other, and most logs lack half of the catalogue.
        """
        held = self._sample_columns = self._columns_of("sample_rows")
        channels = [c.name if c.name in held else f"CAST(NULL AS DOUBLE) AS {c.name}" for c in CHANNELS]
        others = [quoted(c) for c in held if c not in BY_NAME and c not in _SAMPLE_KEYS]
        shown = ", ".join([*_SAMPLE_KEYS, *channels, *others])
        self.execute(f"CREATE OR REPLACE VIEW samples AS SELECT {shown} FROM sample_rows")

    def _held(self) -> dict[str, None]:
        if self._sample_columns is None:
            self._sample_columns = self._columns_of("sample_rows")
        return self._sample_columns

    def _columns_of(self, table: str) -> dict[str, None]:
        rows = self.connection.sql(f"SELECT column_name FROM (DESCRIBE {quoted(table)})").fetchall()
        return dict.fromkeys(name for (name,) in rows)

    def remove_file(self, file_id: str) -> None:
        """Take one log out of the store, with everything that came from it."""
        self._is_thinned = True
        for table in ("sample_rows", "rejected", "file_flags", "files"):
            self.execute(f"DELETE FROM {table} WHERE file_id = $file_id", file_id=file_id)

    def rename_files(self, names: pl.DataFrame) -> None:
        """Give logs their present names: `file_id`, `file` and `also_named`, one row a log."""
        with _in_words(self.path), self._registered("names", names):
            self.connection.execute(sql_text("ingest/rename_files"))
            self.connection.execute(sql_text("ingest/rename_rejected"))

    def has_samples(self) -> bool:
        """Whether any log was read."""
        return not self.query("SELECT 1 FROM samples LIMIT 1").is_empty()

    def read_samples(
        self, start: datetime | None = None, stop: datetime | None = None, columns: Iterable[str] | None = None
    ) -> pl.DataFrame:
        """Samples of all logs on one time line, one row a time, in [start, stop): see `shared_time.read_samples`.

        Of `columns`, where these are given, only those that a log holds; `time` comes first.
        """
        with _in_words(self.path):
            if columns is None:
                return read_samples(self.connection, sql_text, start, stop)
            held = self._held().keys() & set(columns)
            return read_samples(self.connection, sql_text, start, stop, ", ".join(["time", *map(quoted, sorted(held))]))


def plain(frame: pl.DataFrame) -> pl.DataFrame:
    """`frame` with NaN as missing and lists of text joined with spaces."""
    changes = []
    for name, dtype in frame.schema.items():
        if dtype.is_float():
            changes.append(pl.col(name).fill_nan(None))
        elif isinstance(dtype, pl.List):
            changes.append(pl.col(name).list.eval(pl.element().cast(pl.String)).list.join(" "))
        elif dtype == pl.Null:
            changes.append(pl.col(name).cast(pl.String))
    return frame.with_columns(changes) if changes else frame


def _holds_store(path: Path) -> bool:
    """Whether there is a DuckDB file; an empty file (left by a run killed in its first moment) counts as none."""
    with _in_words(path):
        if not path.exists():
            return False
        if path.is_dir():
            raise UnusableInput([Problem(str(path), "is a folder where the season's database should be: move it away")])
        if path.stat().st_size == 0:
            return False
        with path.open("rb") as file:
            head = file.read(12)
    if head[8:12] != _MAGIC:
        raise UnusableInput([Problem(str(path), "is not a database of peelpoint's: move it away or give another OUT")])
    return True


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    try:
        yield
    except (duckdb.Error, OSError) as error:
        words = _words(path, error)
        if words is None:
            raise
        raise words from error


def _words(path: Path, error: BaseException) -> UnusableInput | None:
    """An error of disk or database that the user can do something about, as a sentence; None for any other."""
    text = str(error)
    if isinstance(error, OSError) and error.errno in DISK_FULL:
        what = "the disk is full: make room and run again; what was there before is unchanged"
    elif isinstance(error, OSError) and error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        what = "cannot be written to: check its permissions or give another OUT"
    elif not isinstance(error, duckdb.Error):
        return None
    elif "Could not set lock" in text or "Conflicting lock" in text:
        what = f"is in use by another run of peelpoint{_holder(text)}: wait until it has ended"
    elif "No space left" in text or "disk is full" in text.lower() or "Disk quota" in text:
        what = "the disk is full: make room and run again; what was there before is unchanged"
    elif "Permission denied" in text or "Read-only file system" in text:
        what = "cannot be opened: check its permissions or give another OUT"
    elif isinstance(error, (duckdb.IOException, duckdb.SerializationException, duckdb.FatalException)):
        what = (
            f"cannot be read or written ({text.splitlines()[0][:200]}): remove the file, it is made again from the logs"
        )
    elif isinstance(error, duckdb.OutOfMemoryException):
        what = "the database ran out of memory or of room for its temporary files: make room on the disk and run again"
    else:
        return None
    return UnusableInput([Problem(str(path), what)])


def _holder(text: str) -> str:
    _, found, rest = text.partition("(PID ")
    return f" (process {rest.partition(')')[0]})" if found else ""


def run_checks(store: Store, parameters: Mapping[str, Any]) -> None:
    """Run every check of `sql/checks`. Raises `AssertionError` for rows returned: a fault of ours, not of the data."""
    for file in sorted((shipped("sql") / "checks").glob("*.sql")):
        query = sql_text(f"checks/{file.stem}")
        rows = store.query(query, **{k: v for k, v in parameters.items() if f"${k}" in query})
        if rows.height:
            raise AssertionError(f"check {file.stem} failed: {rows.head(5).to_dicts()}")
