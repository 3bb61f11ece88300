"""What became of every line of an NMEA 0183 log: used, passed over, or rejected with its reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.ingest import reasons
from pipeline.ingest.clock import Ints
from pipeline.ingest.nmea_file import NmeaFile
from pipeline.ingest.piece import Part, line_texts
from pipeline.ingest.readings import REJECTED_SCHEMA
from pipeline.ingest.scan import Text, lines_of

# Gives the bytes of a file again: offset, size.
Again = Callable[[int, int], bytes]


@dataclass(slots=True)
class Account:
    """Lines used and rejected so far."""

    used: int = 0
    _rejected: list[tuple[Ints, Ints, list[str]]] = field(default_factory=list)

    def add(self, file: NmeaFile, number: int, part: Part, late: Ints, again: Again) -> None:
        """Account for the lines of one part; `late` are the places in it for which there is no time."""
        line, reason = _damaged(file, part, late)
        rejected = np.zeros(part.lines, bool)
        rejected[line] = True
        used = part.used & ~rejected
        if file.sums_expected:
            used[part.used_unsummed] = False
        self.used += int(np.count_nonzero(used))
        if len(line):
            self._rejected.append((line + file.first_line[number] + 1, reason, _texts(part, line, again)))

    def rejected(self) -> pl.DataFrame:
        """One row a rejected line, in order."""
        if not self._rejected:
            return pl.DataFrame(schema=REJECTED_SCHEMA)
        lines, codes, texts = zip(*self._rejected, strict=True)
        why = pl.Series(reasons.REASONS, dtype=pl.String)[np.concatenate(codes)]
        shown = pl.Series([t for part in texts for t in part], dtype=pl.String)
        return pl.DataFrame({"line": np.concatenate(lines), "reason": why, "text": shown}, schema=REJECTED_SCHEMA)


def _damaged(file: NmeaFile, part: Part, late: Ints) -> tuple[Ints, Ints]:
    """The damaged lines of a part, ascending, and the first reason met in each."""
    found = list(part.damage)
    if file.sums_expected and len(part.unsummed):
        found.append((part.lines_at(part.unsummed), part.unsummed, reasons.CODE[reasons.MISSING_SUM]))
    if file.stamps_expected and len(part.foreign):
        found.append((part.lines_at(part.foreign), part.foreign, reasons.CODE[reasons.BAD_STAMP]))
    if len(late):
        found.append((part.lines_at(late), late, reasons.CODE[reasons.UNTIMED]))
    if not found:
        return late, late
    line = np.concatenate([f[0] for f in found])
    place = np.concatenate([f[1] for f in found])
    reason = np.repeat([f[2] for f in found], [len(f[0]) for f in found])
    order = np.lexsort((reason, place, line))
    line, reason = line[order], reason[order]
    first = np.diff(line, prepend=-1) > 0
    return line[first], reason[first]


def _texts(part: Part, lines: Ints, again: Again) -> list[str]:
    """The texts of damaged lines; the file is read again for those whose damage showed only in the whole of it."""
    wanted = lines.tolist()
    missing = [line for line in wanted if line not in part.texts]
    texts = part.texts
    if missing:
        text = Text.of(again(part.offset, part.size))
        start, end = lines_of(text)
        texts = texts | dict(zip(missing, line_texts(text, start[missing], end[missing]), strict=True))
    return [texts[line] for line in wanted]
