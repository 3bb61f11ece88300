"""The crew's pen: the sail log written from the true set time line, with a chosen level of slips.

"none": to the second, nothing amiss. "ordinary": rounded and a little late, now and then by minutes; twins, entries out
of order, aliases, drops left out where the next sail on the station implies them, `flying` lines. "sloppy": later, and
with changes never written down.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from tests.known_boat.boat import MAINSAIL, KnownBoat, KnownSet
from tests.known_boat.truth import Truth


@dataclass(frozen=True)
class Slips:
    """How the log is kept. Seconds for lateness, probabilities for the rest."""

    round_s: int = 1
    late_s: float = 0.0
    very_late: float = 0.0
    very_late_s: tuple[float, float] = (0.0, 0.0)
    twin: float = 0.0
    disorder: float = 0.0
    alias: float = 0.0
    no_drop: float = 0.0
    flying: float = 0.0
    furl: float = 0.0
    idle: float = 0.0
    forgotten: float = 0.0


LEVELS = {
    "none": Slips(),
    "ordinary": Slips(15, 4.0, 0.03, (45.0, 110.0), 0.03, 0.04, 0.35, 0.25, 0.10, 0.25, 0.03, 0.0),
    "sloppy": Slips(60, 45.0, 0.12, (120.0, 420.0), 0.06, 0.08, 0.6, 0.35, 0.15, 0.3, 0.05, 0.03),
}


@dataclass
class Entry:
    """One line of the log."""

    time: datetime
    action: str
    sail: str
    note: str = ""


def write_up(truth: Truth, level: str, rng: np.random.Generator) -> list[Entry]:
    """All lines, in the order in which they stand in the file."""
    slips = LEVELS[level]
    boat = truth.boat
    entries: list[Entry] = []
    line = logged_timeline(truth)
    days = truth.days.select("start", "end").rows()
    for start, end in days:
        today = line.filter((pl.col("start") >= start) & (pl.col("start") < end)).rows()
        entries += _day(boat, today, start, end, slips, rng)
    return _disorder(_twins(entries, slips, rng), slips, rng)


def logged_timeline(truth: Truth) -> pl.DataFrame:
    """The time line as the crew thinks it was: mislabelled stretches under the wrong name."""
    wrong = {start: logged for start, _, _, logged in truth.mislabelled.rows()}
    rows: list[tuple[datetime, datetime, str]] = []
    for start, end, name in truth.timeline.rows():
        name = wrong.get(start, name)
        if rows and rows[-1][1] == start and rows[-1][2] == name:
            rows[-1] = (rows[-1][0], end, name)
        else:
            rows.append((start, end, name))
    return pl.DataFrame(rows, schema=truth.timeline.schema, orient="row")


def _day(
    boat: KnownBoat,
    today: list[tuple[datetime, datetime, str]],
    start: datetime,
    end: datetime,
    slips: Slips,
    rng: np.random.Generator,
) -> list[Entry]:
    out: list[Entry] = []
    first = boat.sets[today[0][2]]
    out += _begin(boat, first, start, slips, rng)
    furled: set[str] = set()
    before, last = first, start
    for at, until, name in today[1:]:
        after = boat.sets[name]
        if rng.random() < slips.forgotten:
            continue
        # late, but in the order in which things happened: two changes swapped no reader could mend
        when = min(_written(at, slips, rng), until - timedelta(seconds=1))
        when = last = max(when, last + timedelta(seconds=5))
        if rng.random() < slips.flying:
            out += _flying(after, when)
            furled.clear()
        else:
            out += _change(boat, before, after, when, furled, slips, rng)
        before = after
        if rng.random() < slips.idle:
            # written again a little later by somebody else: says nothing new
            code = str(rng.choice(after.forward))
            out.append(Entry(when + timedelta(seconds=40), "hoist", _called(boat, code, slips, rng), "already up?"))
    if rng.random() < 0.7 or slips.alias == 0:
        down = end + timedelta(minutes=2)
        out += [Entry(down, "drop", _called(boat, c, slips, rng)) for c in before.forward]
        out += [Entry(down, "shake", MAINSAIL) for _ in range(before.reefs)]
        out.append(Entry(down, "drop", MAINSAIL))
    return out


def _begin(boat: KnownBoat, first: KnownSet, start: datetime, slips: Slips, rng: np.random.Generator) -> list[Entry]:
    at = start - timedelta(minutes=float(rng.integers(2, 9)))
    if (rng.random() < 0.5 and slips.alias > 0) or (slips.flying == 0.0 and rng.random() < 0.5):
        return _flying(first, at, "start of day")
    # nothing is up but what is said here: the night before may not have been written down
    out = [Entry(at - timedelta(minutes=1), "flying", MAINSAIL)]
    out += [Entry(at, "reef", MAINSAIL) for _ in range(first.reefs)]
    return out + [Entry(at, "hoist", _called(boat, c, slips, rng)) for c in first.forward]


def _flying(now: KnownSet, when: datetime, note: str = "") -> list[Entry]:
    """The whole set at once. It replaces reefs too, and they cannot be told in it: they follow a second later."""
    whole = [Entry(when, "flying", " ".join((MAINSAIL, *now.forward)), note)]
    return whole + [Entry(when + timedelta(seconds=1), "reef", MAINSAIL) for _ in range(now.reefs)]


def _change(
    boat: KnownBoat,
    before: KnownSet,
    after: KnownSet,
    when: datetime,
    furled: set[str],
    slips: Slips,
    rng: np.random.Generator,
) -> list[Entry]:
    out: list[Entry] = []
    gone = [c for c in before.forward if c not in after.forward]
    come = [c for c in after.forward if c not in before.forward]
    stations = {boat.sail(c).station for c in come}
    for code in come:
        station = boat.sail(code).station
        out.append(Entry(when, "unfurl" if code in furled else "hoist", _called(boat, code, slips, rng)))
        furled -= {c for c in furled if boat.sail(c).station == station}
    for code in gone:
        implied = boat.sail(code).station in stations
        if implied and rng.random() < slips.no_drop:
            continue
        rolls = boat.sail(code).kind == "headsail" and not implied and rng.random() < slips.furl
        if rolls:
            furled.add(code)
        out.append(Entry(when, "furl" if rolls else "drop", _called(boat, code, slips, rng)))
    reef = after.reefs - before.reefs
    out += [Entry(when, "reef" if reef > 0 else "shake", MAINSAIL) for _ in range(abs(reef))]
    return out


def _written(at: datetime, slips: Slips, rng: np.random.Generator) -> datetime:
    late = float(rng.exponential(slips.late_s)) if slips.late_s else 0.0
    if rng.random() < slips.very_late:
        late += float(rng.uniform(*slips.very_late_s))
    seconds = (at - datetime(1970, 1, 1)).total_seconds() + late
    return datetime(1970, 1, 1) + timedelta(seconds=round(seconds / slips.round_s) * slips.round_s)


def _called(boat: KnownBoat, code: str, slips: Slips, rng: np.random.Generator) -> str:
    names = boat.sail(code).aliases if code != MAINSAIL else ()
    return str(rng.choice(names)) if names and rng.random() < slips.alias else code


def _twins(entries: list[Entry], slips: Slips, rng: np.random.Generator) -> list[Entry]:
    """Lines written twice. Reefs are left out: twice the line would be two reefs."""
    out = []
    for e in entries:
        out.append(e)
        if e.action not in ("reef", "shake") and rng.random() < slips.twin:
            out.append(Entry(e.time, e.action, e.sail, "again"))
    return out


def _disorder(entries: list[Entry], slips: Slips, rng: np.random.Generator) -> list[Entry]:
    """Some lines were added to the file later than their time."""
    out = list(entries)
    for i in range(len(out) - 3):
        if rng.random() < slips.disorder:
            j = i + int(rng.integers(1, 4))
            out.insert(j, out.pop(i))
    return out
