"""The log files of a campaign: names, contents (plain or gzip, bounded), and what kind of log each is."""

from __future__ import annotations

import codecs
import fnmatch
import hashlib
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

from pipeline.campaign.settings import CsvLayout
from pipeline.ingest.csv_logs import recognises

Kind = Literal["nmea", "csv"]

GZIP_MAGIC = b"\x1f\x8b"
# A compressed log may not unfold beyond these: logs shrink to a tenth or so, never to a five-hundredth.
MAX_UNFOLDED_BYTES = 4 << 30
MAX_UNFOLDED_RATIO = 500
RATIO_COUNTS_FROM_BYTES = 64 << 20
_STEP_BYTES = 16 << 20
SNIFF_BYTES = 1 << 16
SNIFF_LINES = 200
# A sentence starts with $ or !, an address of letters and digits, a comma.
_TEXT = re.compile(rb"[^\x00 \r\n\t]")
_SENTENCE = re.compile(rb"[$!][A-Za-z][A-Za-z0-9]{2,9},")


class UnreadableLog(Exception):
    """A log file that cannot be opened or unfolded; the message is a sentence without the file's name."""


@dataclass(frozen=True)
class Content:
    """One log file, unfolded. `cut_short`: the compressed file ends before its end."""

    data: bytes
    cut_short: bool = False

    @cached_property
    def sha256(self) -> str:
        """Hash of the unfolded content: what tells one log from another, whatever their names."""
        return hashlib.sha256(self.data).hexdigest()

    @property
    def is_blank(self) -> bool:
        """Whether there is no text in it: loggers leave such files when they are switched on and off."""
        return _TEXT.search(self.data) is None


def log_name(path: Path, logs: Path) -> str:
    """The name a log goes by in every table: its path within the folder `logs`, with slashes."""
    return path.relative_to(logs).as_posix()


def plain_name(name: str) -> str:
    """A log's name without `.gz`."""
    return name[:-3] if name.lower().endswith(".gz") else name


def read_content(path: Path) -> Content:
    """The content of a log, gzip unfolded (told by its first bytes, not its name). Raises `UnreadableLog`."""
    try:
        data = path.read_bytes()
    except PermissionError as error:
        raise UnreadableLog("cannot be read: you have no permission for it") from error
    except OSError as error:
        raise UnreadableLog(f"cannot be read ({error.strerror or error})") from error
    cut_short = False
    if data.startswith(GZIP_MAGIC):
        data, cut_short = unfold(data)
    return Content(data, cut_short)


def unfold(packed: bytes) -> tuple[bytes, bool]:
    """Gzip unfolded in steps, member after member, and whether it ends before its end.

    Raises `UnreadableLog` for a file that unfolds to more than any log could, or that is damaged in its first bytes.
    """
    parts: list[bytes] = []
    size = 0
    rest = packed
    while rest.startswith(GZIP_MAGIC):
        stream = zlib.decompressobj(wbits=31)
        while not stream.eof:
            try:
                part = stream.decompress(rest, _STEP_BYTES)
            except zlib.error as error:
                if not size:
                    raise UnreadableLog("is a damaged gzip file: nothing of it can be unfolded") from error
                return b"".join(parts), True
            rest = stream.unconsumed_tail
            if not part and not rest:
                break
            size += len(part)
            _bound(size, len(packed))
            parts.append(part)
        if not stream.eof:
            return b"".join(parts), True
        rest = stream.unused_data
    return b"".join(parts), False


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
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        head = head[: len(head) // 2 * 2].decode("utf-16", errors="replace").encode()
    lines = [line for line in re.split(rb"[\r\n]+", head) if line.strip()][:SNIFF_LINES]
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
    plain, head = plain_name(name), data[: 4 * SNIFF_BYTES]
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
