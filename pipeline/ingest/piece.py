"""One piece of an NMEA 0183 log, of whole lines: sentences found, judged, read, and kept as compact arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.channels import GROUPS
from pipeline.ingest import fields, reasons, stamps
from pipeline.ingest.clock import DAY, NO_TIME, Bools, Ints
from pipeline.ingest.scan import COMMA, SUM_CUT, SUM_MISSING, SUM_OK, SUM_WRONG, Bytes, Frame, Text, frame
from pipeline.ingest.sentences import FORMATTERS, LAYOUTS, NOT_SENTENCES, TRANSDUCERS
from pipeline.ingest.xdr import read_transducers

_LOOKALIKES = np.array([int.from_bytes(name.encode(), "little") for name in NOT_SENTENCES], np.uint64)
# The three letters of the kinds in order of their numbers, and the numbers (from 1) of the kinds in FORMATTERS.
_CODES = np.array([int.from_bytes(name.encode(), "little") for name in FORMATTERS], np.uint32)
_NAMES = np.sort(_CODES)
_KINDS = np.append(np.argsort(_CODES) + 1, 0).astype(np.uint8)
_NAMES_OR_ZERO = np.append(np.uint32(0), _CODES)
_GROUPS_OF: dict[str, dict[str, list[str]]] = {
    kind: {
        group: names
        for group, channels in GROUPS.items()
        if (names := [c.name for c in channels if c.name in layout.values])
    }
    for kind, layout in LAYOUTS.items()
}
# What may stand behind a checksum: blanks, or a separator and a number or stamp, as some receivers add.
_BEHIND_IS_FINE = r"""^(?:[\s\x00,;|"'][\d.:+\-TZ\s\x00,;|"']*)?$"""
# Sentences that carry a time, best first.
TIMED_SENTENCES = ("RMC", "ZDA", "GGA", "GNS", "GLL")
STAMP_RANK, TAG_RANK, SENTENCE_RANK = 0, 1, 2
TEXT_CHARACTERS = 200
_VISIBLE = {code: 0x2400 + code for code in range(32) if code != 10} | {127: 0x2421}


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings of one source: the sentences' places, ascending, and an array a channel (NaN where missing)."""

    place: Ints
    values: dict[str, NDArray[np.float64]]


@dataclass(slots=True)
class Part:
    """What one piece of the file gave: compact arrays; lines and places (sentences) are counted within the piece.

    `offset` and `size` say where the piece lies in the file. `line_of` is the line of each sentence, None where every
    line holds one. Damage is a list of arrays (line, place) and a reason, `texts` the texts of its lines; a checksum
    missing, and text in front that is no stamp, are damage only if the rest of the file is otherwise, so they are kept
    apart. `used` marks the lines with a sound sentence of a known kind, `used_unsummed` are those with no other such
    sentence than ones without checksum.
    """

    offset: int
    size: int
    lines: int
    places: int
    line_of: Ints | None = None
    with_sum: int = 0
    damage: list[tuple[Ints, Ints, int]] = field(default_factory=list)
    texts: dict[int, str] = field(default_factory=dict)
    unsummed: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    foreign: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    stamped: int = 0
    used: Bools = field(default_factory=lambda: np.zeros(0, bool))
    used_unsummed: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    anchors: dict[tuple[int, bool, str], tuple[Ints, Ints]] = field(default_factory=dict)
    readings: dict[tuple[str, str, str], Rows] = field(default_factory=dict)

    def lines_at(self, place: Ints) -> Ints:
        """The line of each of these sentences."""
        return place if self.line_of is None else self.line_of[place]

    @property
    def nbytes(self) -> int:
        """About how much memory it takes."""
        arrays: list[NDArray[np.generic]] = [self.unsummed, self.foreign, self.used, self.used_unsummed]
        arrays += [a for pair in self.anchors.values() for a in pair]
        arrays += [a for rows in self.readings.values() for a in (rows.place, *rows.values.values())]
        arrays += [] if self.line_of is None else [self.line_of]
        return sum(a.nbytes for a in arrays) + 500 * len(self.texts) + 4096


def read_piece(data: bytes, offset: int, transducers: Mapping[str, str]) -> Part:
    """Reads a piece of a file, of whole lines, that begins at `offset`."""
    text = Text.of(data)
    found = frame(text)
    part = Part(offset, len(data), len(found.line_start), len(found.line))
    if part.lines != part.places or (found.line != np.arange(part.lines)).any():
        part.line_of = found.line
    used: list[Ints] = []
    _judge_checksums(part, found)
    _judge_lines_without_sentence(part, text, found)
    _judge_ends(part, text, found)
    _read_fronts(part, text, found)
    _read_sentences(part, text, found, transducers, used)
    _note_used(part, used)
    damaged = np.unique(np.concatenate([line for line, _, _ in part.damage])) if part.damage else found.line[:0]
    shown = line_texts(text, found.line_start[damaged], found.line_end[damaged])
    part.texts = dict(zip(damaged.tolist(), shown, strict=True))
    return part


def _note_used(part: Part, used: list[Ints]) -> None:
    """Which lines are used at all, and which only for sentences without checksum."""
    marks = np.zeros(part.lines, bool)
    for places in used:
        marks[part.lines_at(places)] = True
    part.used = marks
    if len(part.unsummed):
        without = np.zeros(part.places, bool)
        without[part.unsummed] = True
        marks = marks.copy()
        for places in used:
            marks[part.lines_at(places[~without[places]])] = False
        part.used_unsummed = np.flatnonzero(marks)


def line_texts(text: Text, start: Ints, end: Ints) -> list[str]:
    """The texts of some lines, cut to TEXT_CHARACTERS, control bytes shown by their pictures."""
    if not len(start):
        return []
    size = np.minimum(end - start, TEXT_CHARACTERS) + 1
    ends = np.cumsum(size)
    at = np.arange(ends[-1]) - np.repeat(ends - size, size) + np.repeat(start, size)
    raw = text.raw[at]
    raw[ends - 1] = ord("\n")
    shown = raw.tobytes().decode("utf-8", "replace").split("\n")[:-1]
    return "\n".join(shown).translate(_VISIBLE).split("\n")


def _damaged(part: Part, at: Ints, reason: str) -> None:
    """Notes damage of the sentences with these places."""
    if len(at):
        part.damage.append((part.lines_at(at), at, reasons.CODE[reason]))


def _damaged_lines(part: Part, lines: Ints, reason: str) -> None:
    """Notes damage of lines that hold no sentence."""
    if len(lines):
        part.damage.append((lines, np.zeros(len(lines), np.int64), reasons.CODE[reason]))


def _judge_checksums(part: Part, found: Frame) -> None:
    _damaged(part, np.flatnonzero(found.checksum == SUM_WRONG), reasons.WRONG_SUM)
    _damaged(part, np.flatnonzero(found.checksum == SUM_CUT), reasons.CUT_SUM)
    part.unsummed = np.flatnonzero(found.checksum == SUM_MISSING)
    part.with_sum = len(found.line) - len(part.unsummed)


def _judge_lines_without_sentence(part: Part, text: Text, found: Frame) -> None:
    bare = np.flatnonzero((found.sentences == 0) & ~found.comment & (found.line_end > found.line_start))
    if not len(bare):
        return
    lines = text.strings(found.line_start[bare], found.line_end[bare])
    _damaged_lines(part, bare[lines.str.contains(r"\*[0-9A-Fa-f]{2}\s*$").to_numpy()], reasons.TORN)
    tagged = bare[lines.str.contains(r"^\s*\\").to_numpy()]
    if len(tagged):
        state = stamps.read_fronts(text, found.line_start[tagged], found.line_end[tagged]).state
        _damaged_lines(part, tagged[state == stamps.BAD_TAG_SUM], reasons.WRONG_TAG_SUM)
        _damaged_lines(part, tagged[state == stamps.CUT_TAG], reasons.CUT_TAG)


def _judge_ends(part: Part, text: Text, found: Frame) -> None:
    """What stands behind the last sentence of a line."""
    room_end = found.line_end[found.line]
    longer = np.flatnonzero(found.last & (found.end < room_end) & (found.checksum != SUM_CUT))
    if not len(longer):
        return
    behind = text.strings(found.end[longer], room_end[longer])
    odd = ~behind.str.contains(_BEHIND_IS_FINE).to_numpy()
    torn = behind.str.contains("*", literal=True).to_numpy()
    _damaged(part, longer[odd & torn], reasons.TORN)
    _damaged(part, longer[odd & ~torn], reasons.BEHIND)


def _read_fronts(part: Part, text: Text, found: Frame) -> None:
    """Stamps and TAG blocks in front of sentences; the later sentences of a line share the time of the first."""
    at = np.flatnonzero(found.front < found.start)
    if not len(at):
        return
    front = stamps.read_fronts(text, found.front[at], found.start[at])
    torn = np.zeros(len(at), bool)
    odd = np.flatnonzero(front.state == stamps.FOREIGN)
    if len(odd):
        pieces = text.strings(found.front[at[odd]], found.start[at[odd]])
        torn[odd] = pieces.str.contains("*", literal=True).to_numpy()
    _damaged(part, at[torn], reasons.TORN)
    _damaged(part, at[front.state == stamps.BAD_STAMP], reasons.BAD_STAMP)
    _damaged(part, at[front.state == stamps.BAD_TAG_SUM], reasons.WRONG_TAG_SUM)
    _damaged(part, at[front.state == stamps.CUT_TAG], reasons.CUT_TAG)
    part.foreign = at[(front.state == stamps.FOREIGN) & ~torn]
    part.stamped = int((front.stamp_us != NO_TIME).sum())
    for rank, name, time_us in ((STAMP_RANK, "stamp", front.stamp_us), (TAG_RANK, "TAG", front.tag_us)):
        known = time_us != NO_TIME
        if known.any():
            part.anchors[(rank, True, name)] = _shared(found.line, at[known], time_us[known])


def _shared(line: Ints, at: Ints, time_us: Ints) -> tuple[Ints, Ints]:
    """Places and times with the sentences added that follow one with its own time in the same line."""
    if len(at) == len(line):
        return at, time_us
    every = np.arange(len(line))
    owner = np.searchsorted(at, every, side="right") - 1
    shares = (owner >= 0) & (line == line[at[np.maximum(owner, 0)]])
    return every[shares], time_us[owner[shares]]


def _read_sentences(part: Part, text: Text, found: Frame, transducers: Mapping[str, str], used: list[Ints]) -> None:
    sound = (found.checksum == SUM_OK) | (found.checksum == SUM_MISSING)
    head = text.eight_bytes(found.start)
    after = (head >> np.uint64(48)) & np.uint64(0xFF)
    size = found.body_end - found.start
    addressed = sound & ((size == 6) | ((size > 6) & (after == COMMA)))
    addressed &= (head & np.uint64(0xFF)) == ord("$")
    address = (head >> np.uint64(8)) & np.uint64(0xFFFFFFFFFF)
    formatter = np.where(addressed, address >> np.uint64(16), 0).astype(np.uint32)
    for lookalike in _LOOKALIKES:
        formatter[address == lookalike] = 0
    kind = _KINDS[np.searchsorted(_NAMES, formatter)]
    kind[_NAMES_OR_ZERO[kind] != formatter] = 0
    order = np.argsort(kind, kind="stable")
    bounds = np.searchsorted(kind[order], np.arange(len(FORMATTERS) + 2))
    places = {}
    for name, low, high in zip(FORMATTERS, bounds[1:], bounds[2:], strict=False):
        if high > low:
            places[name] = order[low:high]
    start = np.minimum(found.start + 7, found.body_end)
    commas = fields.commas_of(text)
    first = np.searchsorted(commas, start)
    bodies = {name: (first[at], start[at], found.body_end[at]) for name, at in places.items()}
    transduced = bodies.pop(TRANSDUCERS, None)
    for name, read in fields.read_fields(text, commas, bodies).items():
        at = places[name]
        used.append(_judge_fields(part, at, read.state))
        talkers = _talkers(address[at])
        _keep_channels(part, read, name, at, talkers)
        if name in TIMED_SENTENCES:
            _keep_anchors(part, read, name, at, talkers)
    if transduced is not None:
        at = places[TRANSDUCERS]
        told = read_transducers(text, commas, *transduced, transducers)
        used.append(_judge_fields(part, at, told.state))
        talkers = _talkers(address[at])
        for (channel, plain), (row, value) in told.rows.items():
            kept = Rows(at[row], {channel: value})
            _keep(part, channel, plain, kept, {t: who[row] for t, who in talkers.items()})


def _judge_fields(part: Part, at: Ints, state: Bytes) -> Ints:
    """Notes what cannot be read of the sentences at these places, and gives the places of the others."""
    fine = state == fields.FINE
    if fine.all():
        return at
    _damaged(part, at[state == fields.BAD_FIELD], reasons.BAD_FIELD)
    _damaged(part, at[state == fields.BAD_TIME], reasons.BAD_TIME)
    _damaged(part, at[state == fields.TOO_FEW], reasons.TOO_FEW)
    return at[fine]


def _talkers(address: Ints) -> dict[str, Bools]:
    """Which of the sentences each address sent."""
    out = {}
    left = address
    while len(left):
        out[_spelt(left[0])] = address == left[0]
        left = left[left != left[0]]
    return out


def _spelt(address: np.uint64) -> str:
    return int(address).to_bytes(5, "little").decode("latin-1")


def _keep_channels(part: Part, read: fields.Fields, kind: str, at: Ints, talkers: Mapping[str, Bools]) -> None:
    fine = read.state == fields.FINE
    for group, names in _GROUPS_OF[kind].items():
        given = ~np.isnan(read.values[names[0]])
        for name in names[1:]:
            given |= ~np.isnan(read.values[name])
        given &= fine
        if given.all():
            _keep(part, group, "", Rows(at, {n: read.values[n] for n in names}), talkers)
        elif given.any():
            rows = np.flatnonzero(given)
            kept = Rows(at[rows], {n: read.values[n][rows] for n in names})
            _keep(part, group, "", kept, {t: who[rows] for t, who in talkers.items()})


def _keep(part: Part, group: str, plain: str, rows: Rows, talkers: Mapping[str, Bools]) -> None:
    for source, who in talkers.items():
        if who.all():
            part.readings[(group, source, plain)] = rows
        elif who.any():
            values = {name: v[who] for name, v in rows.values.items()}
            part.readings[(group, source, plain)] = Rows(rows.place[who], values)


def _keep_anchors(part: Part, read: fields.Fields, name: str, at: Ints, talkers: Mapping[str, Bools]) -> None:
    timed = read.time_of_day_us != NO_TIME
    dated = timed & (read.day != NO_TIME)
    for source, who in talkers.items():
        for with_date in (True, False):
            rows = np.flatnonzero(who & (dated if with_date else timed & ~dated))
            if len(rows):
                day_us = read.day[rows] * DAY if with_date else 0
                rank = SENTENCE_RANK + TIMED_SENTENCES.index(name)
                part.anchors[(rank, with_date, source)] = at[rows], read.time_of_day_us[rows] + day_us
