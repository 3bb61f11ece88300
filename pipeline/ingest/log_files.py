"""The log files of a campaign: names, contents (plain or gzip, bounded), and what kind of log each is."""

from __future__ import annotations

import codecs
import fnmatch
import hashlib
import os
import re
import zlib
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import chain, islice
from pathlib import Path
from typing import Literal

from pipeline.campaign.settings import CsvLayout
from pipeline.ingest.csv_logs import recognises

Kind = Literal["nmea", "csv"]

GZIP_MAGIC = b"\x1f\x8b"
_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
# A compressed log may not unfold beyond these: logs shrink to a tenth or so, never to a five-hundredth.
MAX_UNFOLDED_BYTES = 4 << 30
MAX_UNFOLDED_RATIO = 500
RATIO_COUNTS_FROM_BYTES = 64 << 20
# A log is read, and unfolded, in blocks of this size.
BLOCK_BYTES = 2 << 20
SNIFF_BYTES = 1 << 16
# So much of its beginning tells what kind of log it is.
HEAD_BYTES = 4 * SNIFF_BYTES
SNIFF_LINES = 200
# A sentence starts with $ or !, an address of letters and digits, a comma.
_TEXT = re.compile(rb"[^\x00 \r\n\t]")
_LINE = re.compile(rb"[^\r\n]*[^\s][^\r\n]*")
_SENTENCE = re.compile(rb"[$!][A-Za-z][A-Za-z0-9]{2,9},")


class UnreadableLog(Exception):
    """A log file that cannot be opened or unfolded; the message is a sentence without the file's name."""


class LogReader:
    """One log file, unfolded and read from its beginning to its end once, in blocks.

    Known when it is read to its end: `sha256`, the hash of the unfolded content, which tells one log from another
    whatever their names; `is_blank`, whether there is no text in it (loggers leave such files when they are switched on
    and off); `cut_short`, whether a compressed file ends before its end. Known from the first block on: `is_plain`,
    whether the file holds the content as it is.
    """

    def __init__(self, path: Path) -> None:
        """Nothing is read yet."""
        self.path = path
        self.is_blank = True
        self.cut_short = False
        self.is_plain = True
        self._digest = hashlib.sha256()

    @property
    def sha256(self) -> str:
        """Hash of what was read."""
        return self._digest.hexdigest()

    def blocks(self) -> Iterator[bytes]:
        """The content, gzip unfolded (told by its first bytes), UTF-16 as UTF-8. Raises `UnreadableLog`."""
        return ascii_superset(self._noted())

    def _noted(self) -> Iterator[bytes]:
        for block in self._unfolded():
            self._digest.update(block)
            self.is_blank = self.is_blank and _TEXT.search(block) is None
            yield block

    def _unfolded(self) -> Iterator[bytes]:
        with _in_words(), self.path.open("rb", buffering=0) as file:
            packed = os.fstat(file.fileno()).st_size
            first = file.read(BLOCK_BYTES)
            self.is_plain = not first.startswith((GZIP_MAGIC, *_UTF16))
            raw = chain([first], iter(lambda: file.read(BLOCK_BYTES), b""))
            if not first.startswith(GZIP_MAGIC):
                yield from raw
                return
            self.cut_short = yield from unfolded(raw, packed)

    def again(self) -> Callable[[int, int], bytes]:
        """Gives parts of the unfolded content once more, by offset and size; quickest in order."""
        return _Again(self.path)


def ascii_superset(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Blocks of text as they are, but UTF-16 (told by its byte-order mark) as UTF-8."""
    decoder: codecs.IncrementalDecoder | None = None
    for number, block in enumerate(blocks):
        if not number and block.startswith(_UTF16):
            decoder = codecs.getincrementaldecoder("utf-16")("replace")
        yield block if decoder is None else decoder.decode(block).encode("utf-8", "replace")
    if decoder is not None and (rest := decoder.decode(b"", final=True)):
        yield rest.encode("utf-8", "replace")


class _Again:
    """Parts of a log's content; a compressed one is unfolded once more up to there, as is one in UTF-16."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._blocks: Iterator[bytes] | None = None
        self._at, self._held = 0, b""

    def __call__(self, at: int, size: int) -> bytes:
        with _in_words(), self._path.open("rb", buffering=0) as file:
            is_plain = os.pread(file.fileno(), len(GZIP_MAGIC), 0) not in (GZIP_MAGIC, *_UTF16)
        if is_plain:
            return part_of(self._path, at, size)
        if self._blocks is None or at < self._at:
            self._blocks, self._at, self._held = LogReader(self._path).blocks(), 0, b""
        while len(self._held) < at + size - self._at:
            block = next(self._blocks, None)
            if block is None:
                break
            passed = min(max(at - self._at, 0), len(self._held))
            self._held = self._held[passed:] + block
            self._at += passed
        return self._held[at - self._at : at - self._at + size]


def part_of(path: Path, at: int, size: int) -> bytes:
    """Some of a file's bytes. Raises `UnreadableLog`."""
    with _in_words(), path.open("rb", buffering=0) as file:
        return os.pread(file.fileno(), size, at)


def log_name(path: Path, logs: Path) -> str:
    """The name a log goes by in every table: its path within the folder `logs`, with slashes."""
    return path.relative_to(logs).as_posix()


def plain_name(name: str) -> str:
    """A log's name without `.gz`."""
    return name[:-3] if name.lower().endswith(".gz") else name


def read_content(path: Path) -> bytes:
    """The whole content of a log. Raises `UnreadableLog`."""
    return b"".join(LogReader(path).blocks())


@contextmanager
def _in_words() -> Iterator[None]:
    try:
        yield
    except PermissionError as error:
        raise UnreadableLog("cannot be read: you have no permission for it") from error
    except OSError as error:
        raise UnreadableLog(f"cannot be read ({error.strerror or error})") from error


def unfolded(blocks: Iterable[bytes], packed: int) -> Generator[bytes, None, bool]:
    """Gzip unfolded in steps, member after member; the last word is whether it ends before its end.

    `packed` is the size of the file. Raises `UnreadableLog` for a file that unfolds to more than any log could, or that
    is damaged in its first bytes.
    """
    size, rest = 0, b""
    stream = zlib.decompressobj(wbits=31)
    for block in blocks:
        rest += block
        while rest:
            if stream.eof:  # another member, or what somebody put behind the last
                if len(rest) < len(GZIP_MAGIC):
                    break
                if not rest.startswith(GZIP_MAGIC):
                    return False
                stream = zlib.decompressobj(wbits=31)
            try:
                part = stream.decompress(rest, BLOCK_BYTES)
            except zlib.error as error:
                if not size:
                    raise UnreadableLog("is a damaged gzip file: nothing of it can be unfolded") from error
                return True
            rest = stream.unused_data if stream.eof else stream.unconsumed_tail
            if part:
                size += len(part)
                _bound(size, packed)
                yield part
            elif not stream.eof:
                break
    while not stream.eof and (part := stream.decompress(b"", BLOCK_BYTES)):
        size += len(part)
        _bound(size, packed)
        yield part
    return not stream.eof


def _bound(size: int, packed: int) -> None:
    if size > MAX_UNFOLDED_BYTES:
        raise UnreadableLog(f"unfolds to more than {MAX_UNFOLDED_BYTES >> 30} GB: split the log, or unfold it yourself")
    if size > RATIO_COUNTS_FROM_BYTES and size > MAX_UNFOLDED_RATIO * packed:
        raise UnreadableLog(
            f"unfolds to more than {MAX_UNFOLDED_RATIO} times its size, as no log does: "
            "if it is sound, unfold it yourself"
        )


def share_of_sentences(data: bytes) -> float:
    """The share of the first lines with text that hold an NMEA 0183 sentence."""
    head = data[:SNIFF_BYTES]
    lines = list(islice((m.group() for m in _LINE.finditer(head)), SNIFF_LINES))
    return sum(_SENTENCE.search(line) is not None for line in lines) / len(lines) if lines else 0.0


def kind_of(name: str, data: bytes, layouts: Sequence[CsvLayout]) -> tuple[Kind, CsvLayout | None]:
    """CSV or NMEA 0183, by content and name; and the layout for a CSV.

    Half of the first lines with a sentence make a log NMEA, whatever it is called. Otherwise the first layout whose
    pattern fits the name and whose heading is there; else the first whose pattern fits; else, for a log without any
    sentence, one whose heading is there; else it is read as NMEA.
    """
    share = share_of_sentences(data)
    if share >= 0.5:
        return "nmea", None
    plain, head = plain_name(name), data[:HEAD_BYTES]
    fitting = [layout for layout in layouts if _fits(plain, layout.files)]
    for layout in fitting:
        if recognises(head, layout):
            return "csv", layout
    if fitting:
        return "csv", fitting[0]
    if share == 0.0:
        for layout in layouts:
            if recognises(head, layout):
                return "csv", layout
    return "nmea", None


def _fits(name: str, pattern: str) -> bool:
    whole, last = name.lower(), name.lower().rpartition("/")[2]
    return fnmatch.fnmatchcase(whole, pattern.lower()) or fnmatch.fnmatchcase(last, pattern.lower())
