"""Reading the small CSV tables that people keep: RFC 4180, header row, any order of columns, lines remembered."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from pathlib import Path

from pipeline.campaign.stamps import BadStamp, parse_stamp
from pipeline.campaign.toml_reading import did_you_mean
from pipeline.problems import Problem

MAX_BYTES = 64_000_000


@dataclass(frozen=True, slots=True)
class Row:
    """One record: its line in the file and its cells by column name, trimmed."""

    line: int
    cells: dict[str, str]


@dataclass(slots=True)
class CsvTable:
    """The records of one file, and the problems found in reading it and its cells."""

    file: str
    rows: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    readable: bool = True

    def report(self, line: int | None, what: str, *, fatal: bool = True) -> None:
        """Note a problem at a line."""
        self.problems.append(Problem(self.file, what, line, fatal))

    def number(self, row: Row, column: str, low: float, high: float) -> float | None:
        """The cell as a number in `low`..`high`; None where it is none (reported)."""
        text = row.cells[column]
        try:
            value = float(text) if "_" not in text else math.nan
        except ValueError:
            value = math.nan
        if math.isfinite(value) and low <= value <= high:
            return value
        if not text:
            why = "is missing"
        elif math.isfinite(value):
            why = f"is {text[:40]}, but must be from {low:g} to {high:g}"
        else:
            why = f"is {text[:40]!r}, which is no number (decimals with a point)"
        self.report(row.line, f"{column} {why}.")
        return None

    def time(self, row: Row, column: str, zone: tzinfo) -> datetime | None:
        """The cell as naive UTC; None where it is no time (reported)."""
        text = row.cells[column]
        try:
            return parse_stamp(text, zone)
        except BadStamp as e:
            self.report(row.line, f"{column} {text[:40]!r} {e}." if text else f"{column} is missing.")
            return None


def read_csv_table(path: Path, required: Sequence[str], optional: Sequence[str] = ()) -> CsvTable:
    """Records of `path` with the cells of `required` and `optional` columns ("" where a cell or column is missing).

    Column names are matched without regard to case; further columns are ignored; blank rows are skipped. A file that
    cannot be read, is no text, or lacks a required column comes back with `readable` False and the sentence why.
    """
    table = CsvTable(path.name)
    text = _text_of(path, table)
    if text is None:
        table.readable = False
        return table
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    line = 1
    columns: dict[str, int] | None = None
    width = 0
    try:
        for record in reader:
            at, line = line, reader.line_num + 1
            if not any(cell.strip() for cell in record):
                continue
            if columns is None:
                columns, width = _columns(record, [*required, *optional], table), len(record)
                if not _header_complete(record, columns, required, at, table):
                    break
                continue
            if any(cell.strip() for cell in record[width:]):
                table.report(
                    at, "has more cells than the header: a text with a comma in it stands in quotes.", fatal=False
                )
            cells = {name: record[i].strip() if i < len(record) else "" for name, i in columns.items()}
            table.rows.append(Row(at, {name: cells.get(name, "") for name in (*required, *optional)}))
    except csv.Error as e:
        table.readable = False
        table.report(line, f"cannot be read as CSV from here on ({e}): look for a quotation mark without its partner.")
    if columns is None and table.readable:
        table.readable = False
        table.report(None, f"is empty: it needs the header {','.join(required)}.")
    return table


def _text_of(path: Path, table: CsvTable) -> str | None:
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= MAX_BYTES else b""
    except OSError as e:
        table.report(None, f"cannot be read ({e.strerror or e}).")
        return None
    if size > MAX_BYTES:
        table.report(
            None, f"is {size / 1e6:.0f} MB large, which no table kept by hand is: check that it is the right file."
        )
        return None
    if b"\0" in data or (data and sum(b < 9 or 13 < b < 32 for b in data[:4096]) > len(data[:4096]) // 20):
        table.report(None, "is not text but binary data: save it as CSV in UTF-8.")
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = data.count(b"\n", 0, e.start) + 1
        table.report(line, "is not UTF-8 and was read as Windows-1252 text: save it as UTF-8.", fatal=False)
        return data.decode("cp1252", errors="replace")


def _columns(header: list[str], names: Sequence[str], table: CsvTable) -> dict[str, int]:
    by_fold = {name.casefold(): name for name in names}
    columns: dict[str, int] = {}
    for i, cell in enumerate(header):
        name = by_fold.get(cell.strip().casefold())
        if name in columns:
            table.report(1, f"names the column '{name}' twice; the first is used.", fatal=False)
        elif name is not None:
            columns[name] = i
    return columns


def _header_complete(
    header: list[str], columns: dict[str, int], required: Sequence[str], line: int, table: CsvTable
) -> bool:
    missing = [name for name in required if name not in columns]
    if not missing:
        return True
    table.readable = False
    joined = ",".join(header)
    for separator, word in ((";", "semicolons"), ("\t", "tabs")):
        if joined.count(separator) >= max(1, len(required) - 1) and len(header) < len(required):
            table.report(line, f"seems to have {word} between its columns; this file is read with commas: save it so.")
            return False
    hint = did_you_mean(missing[0], [h.strip() for h in header if h.strip()])
    found = ", ".join(h.strip()[:30] for h in header[:12])
    table.report(
        line,
        f"has no header with {', '.join(missing)} (the first row reads: {found[:200]}); it needs the header "
        f"{','.join(required)}.{hint}",
    )
    return False
