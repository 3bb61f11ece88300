"""Finds lines, sentences and checksums in the bytes of a log: whole-array work, no loop over lines.

Framing of NMEA 0183: a sentence starts at `$` or `!`, its checksum is the XOR of every byte between that and `*`, both
excluded, and follows as two hexadecimal digits. Source: ntpsec/gpsd, `www/NMEA.adoc`, "NMEA Encoding Conventions"; that
lower-case digits are met as well is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]

# Framing works in blocks of this size, everything else in larger pieces.
BLOCK_BYTES = 256 << 10
PADDING = 64

LF, CR, STAR, DOLLAR, BANG, HASH, BACKSLASH, COMMA = (ord(c) for c in "\n\r*$!#\\,")

SUM_OK, SUM_WRONG, SUM_MISSING, SUM_CUT = range(4)

NOT_HEX = 255
_HEX = np.full(256, NOT_HEX, np.uint8)
for _value, _digit in enumerate("0123456789ABCDEF"):
    _HEX[ord(_digit)] = _HEX[ord(_digit.lower())] = _value
_ALNUM = np.zeros(256, bool)
_ALNUM[[ord(c) for c in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"]] = True
_LOW_BYTES = np.array([(1 << (8 * n)) - 1 for n in range(8)], np.uint64)


@dataclass(frozen=True, slots=True)
class _Exported:
    """An array for Polars to take by the Arrow PyCapsule interface; of one it knows, it would load pyarrow.compute."""

    array: pa.Array

    def __arrow_c_array__(self, requested_schema: object = None) -> tuple[object, object]:
        exported: tuple[object, object] = self.array.__arrow_c_array__(requested_schema)
        return exported


@dataclass(frozen=True)
class Text:
    """The bytes of some whole lines, padded, with what is needed to look at many places in them at once.

    `data[offset : offset + length]` of a file; places are counted from `offset`.
    """

    data: bytes
    offset: int
    length: int
    raw: Bytes

    @classmethod
    def of(cls, data: bytes, start: int = 0, end: int | None = None) -> Text:
        """The text that stands in `data` from `start` to `end`."""
        length = (len(data) if end is None else end) - start
        raw = np.zeros((length + PADDING + 7) // 8 * 8, np.uint8)
        raw[:length] = np.frombuffer(data, np.uint8, length, start) if length else 0
        return cls(data, start, length, raw)

    @cached_property
    def _ascii(self) -> pa.Buffer:
        """The bytes with `?` for those that are not ASCII, since strings must be valid UTF-8."""
        odd = self.length and self.raw.max() > 127
        return pa.py_buffer(np.where(self.raw > 127, np.uint8(ord("?")), self.raw) if odd else self.raw)

    @cached_property
    def _words(self) -> Words:
        return self.raw.view(np.uint64)

    @cached_property
    def _running_xor(self) -> Words:
        running = np.zeros(len(self._words) + 1, np.uint64)
        np.bitwise_xor.accumulate(self._words, out=running[1:])
        return running

    def has(self, byte: int) -> bool:
        """Whether the byte is met at all."""
        return self.data.find(byte, self.offset, self.offset + self.length) >= 0

    def find(self, byte: int, likely: Ints | None = None) -> Ints:
        """Every place of a byte, ascending; sooner told where these are the `likely` ones (ascending) and no others."""
        here = self.raw[: self.length] == byte
        if likely is not None and len(likely) and likely[0] >= 0:
            told = np.count_nonzero(here) == len(likely) and here.take(likely).all()
            if told:
                return likely
        return np.flatnonzero(here)

    def eight_bytes(self, at: Ints) -> Words:
        """The eight bytes from each place on, the first one lowest."""
        every: Words = np.ndarray(shape=(len(self.raw) - 7,), dtype="<u8", buffer=self.raw, strides=(1,))
        return every[at]

    def strings(self, start: Ints, end: Ints) -> pl.Series:
        """The pieces [start, end) as a string column that shares these bytes (non-ASCII bytes shown as `?`)."""
        n = len(start)
        views = np.zeros((n, 4), np.uint32)
        size = np.maximum(end - start, 0)
        short = size <= 12  # the layout of Arrow's string views: up to twelve bytes stand in the view itself
        views[:, 0] = size
        clean = np.frombuffer(self._ascii, np.uint8)
        every: Words = np.ndarray(shape=(len(clean) - 7,), dtype="<u8", buffer=clean, strides=(1,))
        first = every[start]
        views[:, 1] = first & np.uint64(0xFFFFFFFF)
        views[:, 3] = start
        if short.any():
            at, held = start[short], size[short]
            low = first[short] & low_bytes(np.minimum(held, 8))
            high = every[np.minimum(at + 8, len(every) - 1)] & low_bytes(np.clip(held - 8, 0, 8))
            views[short, 1] = low & np.uint64(0xFFFFFFFF)
            views[short, 2] = low >> np.uint64(32)
            views[short, 3] = high & np.uint64(0xFFFFFFFF)
        return pl.Series(
            _Exported(pa.Array.from_buffers(pa.string_view(), n, [None, pa.py_buffer(views), self._ascii]))
        )

    def xor(self, start: Ints, end: Ints) -> Bytes:
        """XOR of the bytes [start, end) of each piece."""
        folded = self._xor_before(start) ^ self._xor_before(end)
        for bits in (32, 16, 8):
            folded ^= folded >> np.uint64(bits)
        return folded.astype(np.uint8)

    def _xor_before(self, at: Ints) -> Words:
        """XOR of all bytes before each place, still spread over eight lanes."""
        return self._running_xor[at >> 3] ^ (self._words[at >> 3] & _LOW_BYTES[at & 7])

    def hex_byte(self, at: Ints) -> NDArray[np.int16]:
        """The value of two hexadecimal digits at each place; -1 where they are not."""
        high, low = _HEX[self.raw[at]].astype(np.int16), _HEX[self.raw[at + 1]].astype(np.int16)
        return np.where((high == NOT_HEX) | (low == NOT_HEX), np.int16(-1), high * 16 + low)


def low_bytes(size: Ints) -> Words:
    """A mask for the lowest `size` bytes (0 to 8) of a word."""
    return np.where(size >= 8, np.uint64(0xFFFFFFFFFFFFFFFF), _LOW_BYTES[np.minimum(size, 7)])


def cut_at_line_ends(data: bytes, size: int, start: int = 0, end: int | None = None) -> Iterator[tuple[int, int]]:
    """Start and end of pieces of about `size` bytes, each of whole lines, that make up the data from start to end."""
    stop = len(data) if end is None else end
    while start < stop:
        cut = min(_cut(data, start, start + size), stop)
        yield start, cut
        start = cut


def _cut(data: bytes, start: int, wanted: int) -> int:
    if wanted >= len(data):
        return len(data)
    lf = data.rfind(b"\n", start, wanted)
    if lf >= 0:
        return lf + 1
    cr = data.rfind(b"\r", start, wanted - 1)
    if cr >= 0:
        return cr + 1
    lf = data.find(b"\n", wanted)
    end = lf + 1 if lf >= 0 else len(data)
    cr = data.find(b"\r", wanted - 1, end - 1)
    return cr + 2 if 0 <= cr == lf - 1 else cr + 1 if cr >= 0 else end


def whole_lines(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Blocks of a file cut anew, so that each is of whole lines."""
    held: list[bytes] = []
    for block in blocks:
        cut = block.rfind(b"\n") + 1
        if not cut:  # behind a CR that is surely no part of a CR LF
            cut = block.rfind(b"\r", 0, len(block) - 1) + 1
        if cut:
            yield b"".join([*held, block[:cut]])
            held = []
        if cut < len(block):
            held.append(block[cut:])
    if held:
        yield b"".join(held)


def lines_of(text: Text) -> tuple[Ints, Ints]:
    """Start and end of every line, its line end left out. LF, CR LF and CR end a line, mixed as they may be."""
    ends = text.find(LF)
    trimmed = ends
    if text.has(CR):
        after_cr = text.raw[np.maximum(ends - 1, 0)] == CR
        after_cr[ends == 0] = False
        trimmed = ends - after_cr
        lone = _lone_crs(text, int(np.count_nonzero(after_cr)))
        if len(lone):
            order = np.argsort(np.concatenate([ends, lone]), kind="stable")
            trimmed = np.concatenate([trimmed, lone])[order]
            ends = np.concatenate([ends, lone])[order]
    start = np.concatenate([[0], ends + 1]).astype(np.int64)
    end = np.concatenate([trimmed, [text.length]]).astype(np.int64)
    return (start[:-1], end[:-1]) if start[-1] >= text.length else (start, end)


def _lone_crs(text: Text, before_lf: int) -> Ints:
    """Places of the CR that no LF follows; `before_lf` is how many others there are."""
    if np.count_nonzero(text.raw[: text.length] == CR) == before_lf:
        return np.zeros(0, np.int64)
    cr = text.find(CR)
    return cr[text.raw[cr + 1] != LF]


@dataclass(frozen=True, slots=True)
class Frame:
    """Where everything is in one text: one entry a line, and one a sentence (all positions are places in the text).

    Lines: `line_start`, `line_end`, `comment` (first sign `#`), `sentences` (how many it holds). Sentences: `line`
    (index of its line), `start` (the `$` or `!`), `body_end` (the `*`, or the end), `end` (behind the checksum),
    `front` (where the text in front of it begins), `last` (whether it is the last of its line), `checksum` (one of the
    SUM_ values).
    """

    line_start: Ints
    line_end: Ints
    comment: Bools
    sentences: Ints
    line: Ints
    start: Ints
    body_end: Ints
    end: Ints
    front: Ints
    last: Bools
    checksum: Bytes


_PLACES = frozenset({"line_start", "line_end", "start", "body_end", "end", "front"})


def frame(text: Text) -> Frame:
    """Finds every line and every sentence of a text and judges the checksums.

    In blocks small enough for the processor's cache, which is twice as fast as all at once.
    """
    spans = list(cut_at_line_ends(text.data, BLOCK_BYTES, text.offset, text.offset + text.length))
    if len(spans) <= 1:
        return _frame_block(text)
    parts: dict[str, list[NDArray[Any]]] = {f.name: [] for f in fields(Frame)}
    lines = 0
    for start, end in spans:
        block = _frame_block(Text.of(text.data, start, end))
        for name, kept in parts.items():
            shift = lines if name == "line" else start - text.offset if name in _PLACES else None
            values = getattr(block, name)
            kept.append(values if shift is None else values + shift)
        lines += len(block.line_start)
    return Frame(**{name: np.concatenate(kept) for name, kept in parts.items()})


def _frame_block(text: Text) -> Frame:
    line_start, line_end = lines_of(text)
    comment = _comments(text, line_start, line_end)
    start = text.find(DOLLAR, line_start)
    if text.has(BANG):
        start = np.sort(np.concatenate([start, text.find(BANG)]))
    start = start[_ALNUM[text.raw[start + 1]]]
    line = _line_of(start, line_start, line_end)
    if comment.any():
        wanted = ~comment[line]
        start, line = start[wanted], line[wanted]
    last = np.ones(len(start), bool)
    last[:-1] = line[1:] != line[:-1]
    follow = np.append(start[1:], text.length)
    room = np.where(last, line_end[line], follow)
    star = _first_star(text.find(STAR, line_end - 3), start, room, text.length)
    has_star = star < room
    body_end = np.where(has_star, star, room)
    given = text.hex_byte(np.minimum(body_end + 1, text.length))
    whole = has_star & (star + 3 <= room) & (given >= 0)
    right = text.xor(start + 1, body_end) == given
    checksum = np.where(whole, np.where(right, SUM_OK, SUM_WRONG), np.where(has_star, SUM_CUT, SUM_MISSING)).astype(
        np.uint8
    )
    end = np.where(whole, star + 3, room)
    front = line_start[line]
    inner = np.flatnonzero(~last)
    front[inner + 1] = end[inner]
    counts = np.bincount(line, minlength=len(line_start)).astype(np.int64)
    return Frame(line_start, line_end, comment, counts, line, start, body_end, end, front, last, checksum)


def _line_of(at: Ints, line_start: Ints, line_end: Ints) -> Ints:
    """Index of the line that holds each place."""
    if len(at) == len(line_start) and bool(((at >= line_start) & (at < line_end)).all()):
        return np.arange(len(at))
    return np.searchsorted(line_start, at, side="right") - 1


def _first_star(stars: Ints, start: Ints, room: Ints, none: int) -> Ints:
    """The first `*` behind each start; `none` or beyond `room` where there is none."""
    if len(stars) == len(start) and bool(((stars > start) & (stars < room)).all()):
        return stars
    return np.append(stars, none)[np.searchsorted(stars, start)]


def _comments(text: Text, line_start: Ints, line_end: Ints) -> Bools:
    """Which lines are comments: their first sign that is not blank is `#`."""
    out = np.zeros(len(line_start), bool)
    hashes = text.find(HASH)
    if not len(hashes):
        return out
    line = _line_of(hashes, line_start, line_end)
    first = np.concatenate([[True], line[1:] != line[:-1]])
    hashes, line = hashes[first], line[first]
    before = text.strings(line_start[line], hashes).str.strip_chars()
    out[line[(before == "").to_numpy()]] = True
    return out
