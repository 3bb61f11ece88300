"""The sail log as moments, and what the rest of the log says about an entry: repeated, settled later, sails in turn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from itertools import product
from typing import Literal

import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.sailing.sails_aloft import Entry

# An entry may be written down this much late, or twice within this time (our own choice).
LATE_ENTRY = timedelta(minutes=10)
# Two sails are taken as flown in turn, never together, when the log shows one exchanged for the other this often.
TIMES_IN_TURN = 2

# What the log says of a sail next: dropped (or furled), hoisted again, its station taken, `flying` without it, or
# nothing.
Fate = Literal["lowered", "hoisted", "station taken", "not stated", "nothing"]


@dataclass(frozen=True)
class Moment:
    """The entries of one time; `run` counts the stretches that no gap of more than 6 h parts."""

    time: datetime
    entries: tuple[Entry, ...]
    run: int = 0

    @cached_property
    def raised(self) -> frozenset[str]:
        """Sails hoisted or unfurled."""
        return self._codes("hoist", "unfurl")

    @cached_property
    def dropped(self) -> frozenset[str]:
        """Sails dropped."""
        return self._codes("drop")

    @cached_property
    def lowered(self) -> frozenset[str]:
        """Sails dropped or furled."""
        return self._codes("drop", "furl")

    @cached_property
    def stated(self) -> frozenset[str] | None:
        """Sails that a `flying` states; None where there is no such entry."""
        return self._codes("flying") if any(e.action == "flying" for e in self.entries) else None

    @cached_property
    def is_strange(self) -> bool:
        """Whether an entry names a sail that the boat does not have."""
        return any(e.codes is None for e in self.entries)

    def _codes(self, *actions: str) -> frozenset[str]:
        return frozenset(c for e in self.entries if e.action in actions for c in e.codes or ())


def moments_of(sail_log: pl.DataFrame | None) -> list[Moment]:
    """Entries by time, each once, in an order that does not depend on that of the rows.

    A reef written several times at one time counts as often only where the log later shakes out more than were in else.
    """
    by_time: dict[datetime, Counter[Entry]] = {}
    if sail_log is not None:
        for time, action, codes, note in sail_log.select("time", "action", "codes", "note").iter_rows():
            entry = Entry(action, None if codes is None else tuple(codes), note or "")
            by_time.setdefault(time, Counter())[entry] += 1

    def order(e: Entry) -> tuple[str, bool, tuple[str, ...], str]:
        return e.action, e.codes is None, e.codes or (), e.note

    moments = [Moment(time, tuple(sorted(entries, key=order))) for time, entries in sorted(by_time.items())]
    for i, moment in enumerate(moments):
        more = [e for e in moment.entries if e.action == "reef" for _ in range(by_time[moment.time][e] - 1)]
        if more and _shaken_below_none(moments, i):
            moments[i] = replace(moment, entries=tuple(sorted((*moment.entries, *more), key=order)))
    return moments


def _shaken_below_none(moments: Sequence[Moment], i: int) -> bool:
    """Whether more reefs are shaken out behind moment `i`, up to the next `flying`, than the log so far has in."""
    reefs = 0
    for k, moment in enumerate(moments):
        actions = [e.action for e in moment.entries]
        if "flying" in actions:
            if k > i:
                return False
            reefs = 0
        reefs += actions.count("reef") - actions.count("shake")
        if reefs < 0 and k > i:
            return True
        reefs = max(reefs, 0)
    return False


class LogEvidence:
    """What all of the log says, asked from one moment (by its index)."""

    def __init__(self, moments: Sequence[Moment], boat: Boat) -> None:
        """`moments` in order of time, with their runs."""
        self.moments, self.boat = moments, boat
        self.exchanged = _exchanges(moments)
        self.together = self._flown_together()

    def fate(self, i: int, code: str) -> tuple[Fate, datetime]:
        """What the log says of a sail next, and when; nothing once it is no longer known what is aloft."""
        sails, run = self.boat.sails, self.moments[i].run
        station = sails[code].station
        for k in range(i + 1, len(self.moments)):
            later = self.moments[k]
            if later.run != run or later.is_strange:
                return "nothing", later.time
            if code in later.lowered:
                return "lowered", later.time
            if code in later.raised:
                return "hoisted", later.time
            if any(sails[c].station == station for c in later.raised):
                return "station taken", later.time
            if later.stated is not None:
                return ("nothing" if code in later.stated else "not stated"), later.time
        return "nothing", datetime.max

    def _flown_together(self) -> set[frozenset[str]]:
        """Pairs stated by one `flying`, or the older of which was lowered well after the younger was hoisted."""
        pairs: set[frozenset[str]] = set()
        up: set[str] = set()
        for i, moment in enumerate(self.moments):
            if i and moment.run != self.moments[i - 1].run:
                up = set()
            for stated in (e.codes or () for e in moment.entries if e.action == "flying"):
                up = set(stated)
                pairs |= {frozenset((a, b)) for a in stated for b in stated if a != b}
            up -= moment.lowered
            raised = moment.raised
            for older in up - raised if raised else ():
                fate, when = self.fate(i, older)
                if fate == "lowered" and when - moment.time > LATE_ENTRY:
                    pairs |= {frozenset((older, younger)) for younger in raised}
            stations = {self.boat.sails[c].station for c in raised}
            up = {c for c in up if self.boat.sails[c].station not in stations} | raised
        return pairs

    def in_turn(self, a: str, b: str) -> bool:
        """Whether the log shows two sails flown in turn: exchanged for each other, and never flown together."""
        pair = frozenset((a, b))
        return self.exchanged[pair] >= TIMES_IN_TURN and pair not in self.together

    def forgotten(self, i: int, code: str, hoisted: frozenset[str]) -> bool:
        """Whether a sail that the log never lowered was down once `hoisted` were up (moment `i`).

        Certain where it is later hoisted again. Likely wherever it goes unmentioned but is flown in turn with one of
        `hoisted` otherwise, and where its station is taken later, or a later `flying` does not state it, if it is a
        sail that gives way to one of `hoisted`. A combination that may well have been flown stays as it was logged.
        """
        fate = self.fate(i, code)[0]
        if fate in ("hoisted", "lowered"):
            return fate == "hoisted"
        if any(self.in_turn(code, other) for other in hoisted):
            return True
        return fate in ("station taken", "not stated") and any(self._gives_way(code, other) for other in hoisted)

    def _gives_way(self, code: str, other: str) -> bool:
        """Whether a sail comes down for `other` by what the boat's named sets say of their stations.

        They never stand together where both are used; or `other` is a spinnaker and this a headsail that neither a
        named set nor the log flies under one (common practice, no source). Sails that the log shows flown together
        never give way.
        """
        sails = self.boat.sails
        if frozenset((code, other)) in self.together:
            return False
        used = [{sails[c].station for c in s.sails} for s in self.boat.sail_sets]
        here, there = sails[code].station, sails[other].station
        apart = not any({here, there} <= stations for stations in used)
        if apart and any(here in s for s in used) and any(there in s for s in used):
            return True
        if sails[other].kind != "spinnaker" or sails[code].kind != "headsail":
            return False
        spinnakers = {c for c, sail in sails.items() if sail.kind == "spinnaker"}
        named = any(code in s.sails and spinnakers.intersection(s.sails) for s in self.boat.sail_sets)
        return not named and not any(frozenset((code, c)) in self.together for c in spinnakers)

    def repeated(self, i: int, code: str) -> bool:
        """Whether a sail was moved the same way a few minutes before: an entry written twice, not a contradiction."""
        now = _directions(self.moments[i], code)
        for k in range(i - 1, -1, -1):
            earlier = self.moments[k]
            if self.moments[i].time - earlier.time > LATE_ENTRY:
                return False
            if then := _directions(earlier, code):
                return then == now
        return False


def _directions(moment: Moment, code: str) -> set[bool]:
    moves = ("hoist", "unfurl", "drop", "furl", "flying")
    return {e.action in ("hoist", "unfurl") for e in moment.entries if e.action in moves and code in (e.codes or ())}


def _exchanges(moments: Sequence[Moment]) -> Counter[frozenset[str]]:
    """How often one sail was hoisted within minutes of another's drop."""
    counts: Counter[frozenset[str]] = Counter()
    for i, moment in enumerate(moments):
        raised = moment.raised
        if not raised:
            continue
        dropped = set(moment.dropped)
        for step in (-1, 1):
            j = i + step
            while 0 <= j < len(moments) and abs(moments[j].time - moment.time) <= LATE_ENTRY:
                dropped |= moments[j].dropped
                j += step
        counts.update(frozenset(pair) for pair in product(raised, dropped) if pair[0] != pair[1])
    return counts
