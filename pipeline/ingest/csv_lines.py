"""From the bytes of a CSV log to records: line ends, quotes (RFC 4180), blank lines, comments, wrong numbers of fields.

Everything works on whole blocks of bytes with NumPy; only lines with an unpaired quote are looked at one by one.
"""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

BLOCK_BYTES = 32 << 20
# A quoted field may run over this many lines; beyond it, the quote is a slip of the pen and only its own line is lost.
MAX_QUOTED_LINES = 20
CELL_END = b"\x1f"
RECORD_END = b"\x1e"
_NL, _CR, _QUOTE, _HASH = b"\n"[0], b"\r"[0], b'"'[0], b"#"[0]

WRONG_FIELDS = "wrong number of fields"
OPEN_QUOTE = "quote not closed"
CONTROL_BYTES = "control bytes in the line"
# What becomes of a record: read (null), passed over (empty), rejected (why).
FATES = pl.Series([None, "", WRONG_FIELDS, OPEN_QUOTE, CONTROL_BYTES], dtype=pl.String)
_READ, _PASSED_OVER, _WRONG_FIELDS, _OPEN_QUOTE, _CONTROL_BYTES = range(5)

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Records:
    """The records of one block.

    `line` (from 1), `lines` (physical lines a record spans), `start` and `stop` (bytes in the whole text) describe
    every record in order; `fate` is null for a record to be read, the empty string for one passed over, else why it is
    rejected. `cells` holds the wanted columns of the records to be read, as text.
    """

    table: pl.DataFrame
    cells: pl.DataFrame


def plain_text(data: bytes) -> bytes:
    """`data` as UTF-8 (or an ASCII superset) without byte-order mark, line ends `\\n`; one line stays one line."""
    for mark, name in _MARKS:
        if data.startswith(mark):
            data = data[len(mark) :]
            if name != "utf-8":
                data = data.decode(name, errors="replace").encode()
            break
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data


def cells_of(line: bytes, delimiter: str) -> list[str]:
    """The cells of one line (a heading), stripped; UTF-8, else Latin-1. Raises `ValueError` for what no heading is."""
    try:
        text = line.decode()
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    if len(delimiter) != 1:
        text, delimiter = text.replace(delimiter, "\x1f"), "\x1f"
    try:
        row = next(csv.reader([text], delimiter=delimiter), [])
    except csv.Error as error:
        raise ValueError(f"a heading that cannot be read ({error})") from error
    return [cell.strip() for cell in row]


def blocks(text: bytes, start: int, size: int = BLOCK_BYTES) -> Iterator[tuple[int, int]]:
    """Byte ranges of at most about `size` bytes that end at line ends, and not within a quoted field."""
    while start < len(text):
        stop = len(text)
        if stop - start > size:
            stop = text.rfind(b"\n", start, start + size) + 1 or text.find(b"\n", start + size) + 1 or len(text)
        yield start, (stop := _outside_quotes(text, start, stop))
        start = stop


def _outside_quotes(text: bytes, start: int, stop: int) -> int:
    if stop == len(text) or text.count(b'"', start, stop) % 2 == 0:
        return stop
    end = stop
    for _ in range(MAX_QUOTED_LINES):
        end = text.rfind(b"\n", start, end - 1) + 1
        if end <= start:
            return stop
        if text.count(b'"', start, end) % 2 == 0:
            return end
    return stop


def read_block(
    text: bytes, start: int, stop: int, first_line: int, delimiter: bytes, fields: int, wanted: list[int]
) -> Records:
    """The records of `text[start:stop]`, of which each should have `fields` cells; `wanted` says which cells to give.

    One more, empty cell at the end is common (a delimiter behind the last cell) and accepted.
    """
    block = text[start:stop]
    if not block.endswith(b"\n"):
        block += b"\n"
    if len(delimiter) != 1:
        # A delimiter of several bytes becomes one control byte of the same width in counts of cells.
        block, delimiter = _single_byte(block, delimiter)
    raw = np.frombuffer(block, dtype=np.uint8)
    ends = np.flatnonzero(raw == _NL) + 1
    starts = np.concatenate(([0], ends[:-1]))
    quoted = b'"' in block
    opener = np.ones(len(starts), dtype=bool)  # False: the line continues a quoted field
    open_quote = np.zeros(len(starts), dtype=bool)
    if quoted:
        _pair_quotes(block, raw, starts, ends, delimiter, fields, opener, open_quote)
    first = np.flatnonzero(opener)
    r_starts = starts[first]
    r_stops = np.append(r_starts[1:], len(block))
    spans = np.diff(np.append(first, len(starts)))
    outside = _outside(raw, r_starts, open_quote[first]) if quoted else None
    fate = _fates(block, raw, r_starts, r_stops, outside, delimiter[0], fields, open_quote[first])
    cells = _cells(raw, r_stops - r_starts, fate == _READ, outside, delimiter, fields, wanted)
    table = pl.DataFrame(
        {
            "line": first_line + first,
            "lines": spans,
            "start": start + r_starts,
            "stop": start + r_stops,
            "fate": FATES.gather(fate),
        }
    )
    return Records(table, cells)


def _single_byte(block: bytes, delimiter: bytes) -> tuple[bytes, bytes]:
    return block.replace(CELL_END, b"\x1a").replace(delimiter, CELL_END), CELL_END


def _pair_quotes(
    block: bytes,
    raw: NDArray[np.uint8],
    starts: Ints,
    ends: Ints,
    delimiter: bytes,
    fields: int,
    opener: NDArray[np.bool_],
    open_quote: NDArray[np.bool_],
) -> None:
    """Mark the lines that continue a quoted field, and those with a quote that nothing closes."""
    quotes = _per_record(raw == _QUOTE, starts)
    odd = np.flatnonzero(quotes % 2)
    at = 0
    while at < len(odd):
        here = odd[at]
        other = odd[at + 1] if at + 1 < len(odd) else None
        if other is not None and other - here <= MAX_QUOTED_LINES:
            record = block[starts[here] : ends[other] - 1]
            count = 1 + sum(part.count(delimiter) for part in record.split(b'"')[::2])
            if count in (fields, fields + 1):
                opener[here + 1 : other + 1] = False
                at += 2
                continue
        open_quote[here] = True
        at += 1


def _outside(raw: NDArray[np.uint8], r_starts: Ints, broken: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which bytes lie outside quotes; in records with an unpaired quote the quotes do not count."""
    mark = (raw == _QUOTE).view(np.uint8).copy()
    if broken.any():
        r_stops = np.append(r_starts[1:], len(raw))
        for i in np.flatnonzero(broken):
            mark[r_starts[i] : r_stops[i]] = 0
    return (np.cumsum(mark, dtype=np.uint8) & 1) == 0  # overflow keeps the parity


def _fates(
    block: bytes,
    raw: NDArray[np.uint8],
    r_starts: Ints,
    r_stops: Ints,
    outside: NDArray[np.bool_] | None,
    delimiter: int,
    fields: int,
    broken: NDArray[np.bool_],
) -> NDArray[np.int64]:
    fate = np.full(len(r_starts), _READ, dtype=np.int64)
    is_delimiter = raw == delimiter
    if outside is not None:
        is_delimiter &= outside
    count = 1 + _per_record(is_delimiter, r_starts)
    empty_tail = (count == fields + 1) & is_delimiter[np.maximum(r_stops - 2, 0)]
    fate[(count != fields) & ~empty_tail] = _WRONG_FIELDS
    fate[broken] = _OPEN_QUOTE
    for byte in {0x00, 0x1A, CELL_END[0], RECORD_END[0]} - {delimiter}:
        if bytes([byte]) in block:
            fate[_per_record(raw == byte, r_starts) > 0] = _CONTROL_BYTES
    fate[_without_text(block, raw, r_starts, r_stops, delimiter)] = _PASSED_OVER
    fate[raw[r_starts] == _HASH] = _PASSED_OVER
    return fate


def _per_record(mark: NDArray[np.bool_], r_starts: Ints) -> Ints:
    """How many bytes are marked in each record."""
    at = np.flatnonzero(mark)
    return np.diff(np.append(np.searchsorted(at, r_starts), len(at)))


def _without_text(block: bytes, raw: NDArray[np.uint8], r_starts: Ints, r_stops: Ints, delimiter: int) -> Ints:
    """Which records hold nothing but blanks, quotes and delimiters; looked for among those that begin so."""
    filling = bytes({*b' \t\n"', delimiter})
    table = np.zeros(256, dtype=bool)
    table[list(filling)] = True
    second = np.minimum(r_starts + 1, r_stops - 1)
    maybe = np.flatnonzero(table[raw[r_starts]] & table[raw[second]])
    if len(maybe) > len(r_starts) // 100:  # an empty first column: all at once is quicker
        return np.flatnonzero(_per_record(~table[raw], r_starts) == 0)
    return np.array([i for i in maybe if not block[r_starts[i] : r_stops[i]].strip(filling)], dtype=np.int64)


def _cells(
    raw: NDArray[np.uint8],
    lengths: Ints,
    keep: NDArray[np.bool_],
    outside: NDArray[np.bool_] | None,
    delimiter: bytes,
    fields: int,
    wanted: list[int],
) -> pl.DataFrame:
    names = [f"c{i}" for i in range(fields + 1)]
    if not keep.any():
        return pl.DataFrame(schema={names[i]: pl.String for i in wanted})
    body = raw
    if outside is not None:
        body = raw.copy()
        body[outside & (raw == delimiter[0])] = CELL_END[0]
        body[outside & (raw == _NL)] = RECORD_END[0]
    if not keep.all():
        body = body[np.repeat(keep, lengths)]
    frame = pl.read_csv(
        body.tobytes(),
        has_header=False,
        separator=(delimiter if outside is None else CELL_END).decode(),
        eol_char="\n" if outside is None else RECORD_END.decode(),
        quote_char=None,
        infer_schema=False,
        truncate_ragged_lines=True,
        missing_columns="insert",
        encoding="utf8-lossy",
        schema=dict.fromkeys(names, pl.String),
    ).select([names[i] for i in wanted])
    if frame.height != int(keep.sum()):
        raise AssertionError(f"{frame.height} records read where {int(keep.sum())} were counted")
    return frame if outside is None else frame.with_columns(_unquoted(pl.col(c)) for c in frame.columns)


def _unquoted(cell: pl.Expr) -> pl.Expr:
    text = cell.str.strip_chars(" \t")
    inner = text.str.slice(1, text.str.len_chars() - 2).str.replace_all('""', '"', literal=True)
    return pl.when(text.str.starts_with('"') & text.str.ends_with('"')).then(inner).otherwise(text)
