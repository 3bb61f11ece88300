"""The fields of all sentences of one kind as columns, over the bytes they stand in: nothing is copied or made text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.numbers import UNREADABLE, read_numbers
from pipeline.ingest.scan import Bools, Bytes, Ints, Text

BLANK_LETTER, NO_LETTER = 0, 255
_SPACE = ord(" ")


@cache
def _table(letters: str) -> Bools:
    out = np.zeros(256, bool)
    out[[ord(c) for c in letters]] = True
    return out


@cache
def _other(letters: str) -> Bools:
    out = ~_table(letters)
    out[BLANK_LETTER] = False
    return out


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the fields of `n` sentences begin and end, one row a field; those that a sentence lacks end ahead of it.

    `numbers` and `unreadable` hold the fields that were read as numbers.
    """

    text: Text
    start: Ints
    end: Ints
    numbers: dict[int, NDArray[np.float64]]
    unreadable: dict[int, Bools]
    letters: dict[int, Bytes]

    @property
    def n(self) -> int:
        """How many sentences there are."""
        return self.start.shape[1]

    def is_missing(self, i: int) -> Bools:
        """Whether a sentence ends ahead of field i."""
        return self.end[i] < self.start[i]

    def is_blank(self, i: int) -> Bools:
        """Whether field i is empty or absent."""
        return self.end[i] <= self.start[i]

    def number(self, i: int) -> NDArray[np.float64]:
        """Field i as a number, NaN where it is empty or unreadable."""
        return self.numbers[i]

    def letter(self, i: int) -> Bytes:
        """Field i as a single sign: BLANK_LETTER where it is empty or absent, NO_LETTER where it is longer."""
        if i not in self.letters:
            size = self.end[i] - self.start[i]
            sign = self.text.raw.take(self.start[i])
            if (size != 1).any():
                sign[size > 1] = NO_LETTER
                sign[size < 1] = BLANK_LETTER
            self.letters[i] = sign
        return self.letters[i]

    def is_letter(self, i: int, letters: str) -> Bools:
        """Whether field i is one of the letters; an empty or absent field is none."""
        return _table(letters)[self.letter(i)]

    def is_other(self, i: int, letters: str) -> Bools:
        """Whether field i holds something else than one of the letters."""
        return _other(letters)[self.letter(i)]

    def matches(self, i: int, pattern: str) -> Bools:
        """Whether field i matches a pattern; for the few fields that are neither number nor letter."""
        found: Bools = self.text.strings(self.start[i], self.end[i]).str.contains(pattern).to_numpy()
        return found

    def stripped(self, rows: Ints) -> Columns:
        """Some of the sentences, blanks around their fields left out."""
        raw, start, end = self.text.raw, self.start[:, rows], self.end[:, rows]
        while (ahead := (end > start) & (raw[start] == _SPACE)).any():
            start[ahead] += 1
        while (behind := (end > start) & (raw[end - 1] == _SPACE)).any():
            end[behind] -= 1
        return Columns(self.text, start, end, {}, {}, {})

    def moved(self, rows: Bools, fields: Mapping[int, int]) -> Columns:
        """These columns with the fields of some sentences moved (to: from); their other fields are empty."""
        start, end = self.start.copy(), self.end.copy()
        for to in range(len(start)):
            end[to, rows] = start[to, rows]
            if to in fields:
                start[to, rows], end[to, rows] = self.start[fields[to], rows], self.end[fields[to], rows]
        return Columns(self.text, start, end, {}, {}, {})


def split_fields(text: Text, commas: Ints, first: Ints, start: Ints, end: Ints, fields: int) -> Columns:
    """The first `fields` fields of the bodies [start, end), parted by commas.

    `commas` are all commas of the text, ascending, and behind them at least as many places beyond all bodies as there
    are fields; `first` is the index of the first comma from each start on.
    """
    starts = np.empty((fields, len(start)), np.int64)
    ends = np.empty((fields, len(start)), np.int64)
    starts[0] = start
    for i in range(fields):
        np.minimum(commas[first + i], end, out=ends[i])
        if i + 1 < fields:  # behind the last field this is one beyond the end, where the others end
            np.add(ends[i], 1, out=starts[i + 1])
    return Columns(text, starts, ends, {}, {}, {})


def read_all_numbers(text: Text, wanted: Sequence[tuple[Columns, tuple[int, ...]]]) -> None:
    """Reads the numbers of many kinds of sentences in one go, into their columns."""
    starts = [columns.start[i] for columns, fields in wanted for i in fields]
    if not starts:
        return
    ends = [columns.end[i] for columns, fields in wanted for i in fields]
    value, state = read_numbers(text, np.concatenate(starts), np.concatenate(ends))
    at = 0
    for columns, fields in wanted:
        for i in fields:
            part = slice(at, at + columns.n)
            columns.numbers[i], columns.unreadable[i] = value[part], state[part] == UNREADABLE
            at += columns.n
