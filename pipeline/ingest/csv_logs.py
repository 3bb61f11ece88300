"""A CSV log of any layout, decoded: whole-column work, every line accounted for."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from pipeline import angles
from pipeline.campaign.settings import CsvLayout
from pipeline.channels import BY_NAME, CHANNELS, group_of
from pipeline.ingest import csv_lines, csv_times, csv_units
from pipeline.ingest.readings import REJECTED_SCHEMA, DecodedLog

SOURCE = "csv"
TIME = "time"
TEXT_LIMIT = 200
# Tried in this order where the settings name none; the heading tells.
DELIMITERS = (",", ";", "\t", "|")
# Loggers write notes of their own above the heading; beyond this many lines there is no heading.
HEADING_WITHIN_LINES = 60
# What loggers write for a value they do not have.
NO_VALUE = frozenset({"", "nan", "-", "--", "---", "n/a", "na", "#n/a", "null", "none"})


@dataclass(frozen=True, slots=True)
class Column:
    """One wanted column: its place in a line, and factor and offset to the house unit."""

    channel: str
    place: int
    factor: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Heading:
    """Where the data of a CSV log begin and what stands where."""

    start: int  # byte of the first data line
    lines: int  # lines above it
    fields: int
    delimiter: bytes
    time: Column
    columns: tuple[Column, ...]
    repeats: tuple[str, ...]  # time cells of heading and units row, should they come again
    counts: dict[str, int]


def recognises(data: bytes, layout: CsvLayout) -> bool:
    """Whether `data` begins like a CSV log of this layout: a heading with a time and a known channel."""
    try:
        _read_heading(csv_lines.plain_text(data), layout)
    except ValueError:
        return False
    return True


def decode_csv(data: bytes, layout: CsvLayout, *, time_zone: str, first_date: date | None = None) -> DecodedLog:
    """The readings of a CSV log, in house units, times UTC.

    `data` is the whole file (UTF-8, UTF-16 with byte-order mark, or Latin-1; any line ends). Stamps without a zone are
    `time_zone`'s. A log of bare times of day is not `dated`; given `first_date` it gets its dates, one more after each
    midnight. An empty cell, `NaN`, `-` or `n/a` is missing; a line with a wrong number of fields or an unreadable
    number or time is rejected as a whole. Angles in [-360, 360] are folded to their channel's range.

    Raises `ValueError` with a sentence where no heading with a time and at least one known channel is found, or where
    the layout cannot be used (a unit, the time format or the zone); the caller knows the file's name.
    """
    text = csv_lines.plain_text(data)
    heading = _read_heading(text, layout)
    lines = text.count(b"\n") + (not text.endswith(b"\n"))
    tables, values = [], []
    line = heading.lines + 1
    places = sorted({heading.time.place, *(c.place for c in heading.columns)})
    for start, stop in csv_lines.blocks(text, heading.start):
        block = csv_lines.read_block(text, start, stop, line, heading.delimiter, heading.fields, places)
        tables.append(block.table)
        values.append(_read_values(block.cells, heading, layout))
        line += text.count(b"\n", start, stop)
    table = pl.concat(tables) if tables else _no_records()
    read = pl.concat(values) if values else _read_values(pl.DataFrame(schema=_cell_schema(places)), heading, layout)
    return _account(text, lines, heading, table, read, time_zone, first_date)


# --- the heading ----------------------------------------------------------------------------------------------------


def _read_heading(text: bytes, layout: CsvLayout) -> Heading:
    if layout.delimiter:
        return _heading_parted_by(text, layout)
    first: ValueError | None = None
    for delimiter in DELIMITERS:
        try:
            return _heading_parted_by(text, replace(layout, delimiter=delimiter))
        except ValueError as error:
            first = first or error
    assert first is not None
    raise first


def _heading_parted_by(text: bytes, layout: CsvLayout) -> Heading:
    wanted = {c.channel.lower(): c for c in layout.columns}
    time_name = wanted[TIME].column if TIME in wanted else TIME
    if not text.strip():
        raise ValueError("the file is empty")
    start, seen = 0, None
    for number in range(HEADING_WITHIN_LINES):
        if start >= len(text):
            break
        stop = text.find(b"\n", start)
        stop = len(text) if stop < 0 else stop
        cells = csv_lines.cells_of(text[start:stop], layout.delimiter)
        if cells and cells[0].startswith("#") and _place(cells, time_name) is None:
            cells = [cells[0].lstrip("# "), *cells[1:]]
        place = _place(cells, time_name)
        if place is not None:
            return _with_columns(text, layout, cells, place, stop + 1, number + 1)
        seen = seen or ([c for c in cells if c] or None)
        start = stop + 1
    shown = ", ".join(repr(c[:40]) for c in (seen or [])[:8])
    raise ValueError(
        f"no heading {time_name!r} for the time in the first {HEADING_WITHIN_LINES} lines "
        f"(the file begins with {shown}); "
        "say under [csv] in boat.toml which delimiter and columns this log has"
    )


def _place(cells: list[str], heading: str) -> int | None:
    if heading in cells:
        return cells.index(heading)
    lower = [c.lower() for c in cells]
    return lower.index(heading.lower()) if heading.lower() in lower else None


def _with_columns(text: bytes, layout: CsvLayout, cells: list[str], time_place: int, start: int, lines: int) -> Heading:
    while len(cells) > 1 and not cells[-1]:
        cells = cells[:-1]
    repeats, units = [cells[time_place]], [""] * len(cells)
    if layout.units_row:
        stop = text.find(b"\n", start)
        stop = len(text) if stop < 0 else stop
        units = (csv_lines.cells_of(text[start:stop], layout.delimiter) + units)[: len(cells)]
        repeats.append(units[time_place])
        start, lines = stop + 1, lines + 1
    places, counts = _channels(layout, cells, time_place)
    columns, problems = [], []
    for channel, (place, declared) in places.items():
        try:
            factor, offset = csv_units.conversion(channel, declared or units[place] or None)
            columns.append(Column(channel, place, factor, offset))
        except ValueError as error:
            problems.append(str(error))
    if problems:
        raise ValueError("; ".join(problems))
    if not columns:
        if layout.columns:
            raise ValueError(
                "none of the columns that [csv.columns] names for a channel is in its heading "
                f"({', '.join(cells)[:120]}); a table of columns must name every channel"
            )
        known = ", ".join(c.name for c in CHANNELS[:9])
        raise ValueError(f"no heading is a known channel ({known}, ...); name the columns under [csv.columns]")
    return Heading(
        start=start,
        lines=lines,
        fields=len(cells),
        delimiter=layout.delimiter.encode(),
        time=Column(TIME, time_place),
        columns=tuple(columns),
        repeats=tuple(r for r in repeats if r),
        counts=counts,
    )


def _channels(
    layout: CsvLayout, cells: list[str], time_place: int
) -> tuple[dict[str, tuple[int, str | None]], dict[str, int]]:
    """Place and declared unit of each channel, in the catalogue's order, further ones behind; and what to note."""
    places: dict[str, tuple[int, str | None]] = {}
    counts: Counter[str] = Counter()
    if layout.columns:
        for want in layout.columns:
            channel = want.channel.lower() if want.channel.lower() in BY_NAME else want.channel
            if channel.lower() == TIME:
                continue
            place = _place(cells, want.column)
            if place is None:
                counts[f"column {want.column!r} of {channel} is not in the file"] += 1
            else:
                places[channel] = (place, want.unit)
    else:
        for place, cell in enumerate(cells):
            if cell.lower() in BY_NAME and cell.lower() not in places:
                places[cell.lower()] = (place, None)
    taken = {time_place, *(p for p, _ in places.values())}
    for place, cell in enumerate(cells):
        if place not in taken and cell:
            counts[f"column {cell[:60]!r} passed over"] += 1
    order = [c.name for c in CHANNELS if c.name in places] + sorted(set(places) - set(BY_NAME))
    return {name: places[name] for name in order}, dict(counts)


# --- the values -----------------------------------------------------------------------------------------------------


def _cell_schema(places: list[int]) -> dict[str, pl.DataType]:
    return {f"c{i}": pl.String() for i in places}


def _no_records() -> pl.DataFrame:
    whole = pl.Int64()
    return pl.DataFrame(schema={"line": whole, "lines": whole, "start": whole, "stop": whole, "fate": pl.String()})


def _read_values(cells: pl.DataFrame, heading: Heading, layout: CsvLayout) -> pl.DataFrame:
    """Stamps, a column a channel, and `why`: null, empty for a repeated heading, or why a line is rejected."""
    time = cells[f"c{heading.time.place}"].str.strip_chars()
    time = time.set(time.str.to_lowercase().is_in(list(NO_VALUE)), None)
    frame = csv_times.read_stamps(time, layout.time_format)
    why = (
        pl.when(time.is_null())
        .then(pl.lit(csv_times.NO_TIME))
        .when(frame["us"].is_null())
        .then(pl.lit(csv_times.UNREADABLE))
    )
    channels = {}
    for column in heading.columns:
        number, bad = _numbers(cells[f"c{column.place}"], layout.decimal)
        channels[column.channel] = _house(number, column)
        if bad.any():
            why = why.when(bad).then(pl.lit(f"unreadable number for {column.channel}"))
    reason = cells.select(why.otherwise(pl.lit(None, dtype=pl.String)).alias("why")).to_series()
    reason = reason.set(time.is_in(list(heading.repeats)).fill_null(False), "")
    return frame.with_columns(reason.alias("why"), *(v.alias(f"v:{k}") for k, v in channels.items()))


def _numbers(text: pl.Series, decimal: str) -> tuple[pl.Series, pl.Series]:
    """Numbers of one column (null where there is none) and where one is unreadable."""
    plain = text
    if decimal != ".":
        # With a decimal comma a point could only group thousands: not guessed at.
        plain = text.str.replace_all(".", "?", literal=True).str.replace(decimal, ".", literal=True)
    number = plain.cast(pl.Float64, strict=False)
    unread = text.is_not_null() & ~number.is_finite().fill_null(False)
    if not unread.any():
        return number, unread
    at = unread.arg_true()
    rest = plain.gather(at).str.strip_chars()
    again = rest.cast(pl.Float64, strict=False)
    again = again.set(~again.is_finite().fill_null(False), None)
    bad = again.is_null() & ~rest.str.to_lowercase().is_in(list(NO_VALUE))
    return number.scatter(at, again), unread.scatter(at, bad)


def _house(number: pl.Series, column: Column) -> pl.Series:
    if (column.factor, column.offset) != (1.0, 0.0):
        number = number * column.factor + column.offset
    known = BY_NAME.get(column.channel)
    if known is None or known.kind == "scalar" or number.null_count() == number.len():
        return number
    low, high = (0.0, 360.0) if known.kind == "bearing" else (-180.0, 180.0)
    # Beyond a full turn it is no angle at all: left as it is, to be set aside as implausible.
    turned = ((number < low) | (number >= high)) & (number.abs() <= 360.0)
    if not turned.any():
        return number
    at = turned.arg_true()
    wrap = angles.wrap_360 if known.kind == "bearing" else angles.wrap_180
    return number.scatter(at, wrap(number.gather(at).to_numpy()))


# --- the account ----------------------------------------------------------------------------------------------------


def _account(
    text: bytes,
    lines: int,
    heading: Heading,
    table: pl.DataFrame,
    read: pl.DataFrame,
    time_zone: str,
    first_date: date | None,
) -> DecodedLog:
    repeated = read["why"].eq_missing("")
    stamps = read.select(*csv_times.STAMP_SCHEMA)
    off = read["why"].is_not_null()
    times = csv_times.settle(stamps.with_columns(stamps["us"].set(off, None)), time_zone, first_date)
    reason = read["why"].zip_with(off, times.reason)
    where = table["fate"].is_null().arg_true()
    fate = table["fate"].scatter(where, reason)
    table = table.with_columns(fate)
    passed = int(table.filter(pl.col("fate") == "")["lines"].sum()) + heading.lines
    rejected = _rejected(text, table.filter(pl.col("fate") != ""))
    counts = dict(heading.counts)
    if times.went_back:
        counts["time went back"] = times.went_back
    if repeated.any():
        counts["heading or units row repeated"] = int(repeated.sum())
    good = read.with_columns(times.time).filter(reason.is_null())
    return DecodedLog(
        lines=lines,
        used=lines - passed - rejected.height,
        passed_over=passed,
        rejected=rejected,
        readings=_groups(good, [c.channel for c in heading.columns]),
        dated=times.dated,
        counts=counts,
    )


def _rejected(text: bytes, bad: pl.DataFrame) -> pl.DataFrame:
    """One row a rejected line; a record over several lines gives a row for each."""
    rows: list[tuple[int, str, str]] = []
    for line, span, start, stop, why in bad.select("line", "lines", "start", "stop", "fate").iter_rows():
        parts = text[start:stop].split(b"\n") if span > 1 else [text[start : min(stop, start + 4 * TEXT_LIMIT)]]
        for i, part in enumerate(parts[:span]):
            cut = part[: 4 * TEXT_LIMIT].decode("utf-8", errors="replace").rstrip("\n")[:TEXT_LIMIT]
            rows.append((line + i, why, cut))
    return pl.DataFrame(rows, schema=REJECTED_SCHEMA, orient="row")


def _groups(good: pl.DataFrame, channels: list[str]) -> dict[str, pl.DataFrame]:
    if not good["time"].is_sorted():
        good = good.sort("time", maintain_order=True)
    good = good.with_columns(source=pl.lit(SOURCE))
    groups: dict[str, list[str]] = {}
    for name in channels:
        groups.setdefault(group_of(name), []).append(name)
    out = {}
    for group, names in groups.items():
        frame = good.select("time", "source", *(pl.col(f"v:{n}").alias(n) for n in names))
        frame = frame.filter(pl.any_horizontal(pl.col(names).is_not_null()))
        if frame.height:
            out[group] = frame
    return out
