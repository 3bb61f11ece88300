"""The time line of sail sets: from the entries of the sail log to segments that cover every session.

Words of the time line (columns of the segments):

| `source` | |
|---|---|
| `sail log` | an entry of the sail log stands behind the set |
| `carried over` | the set was logged in an earlier session and carried over a gap of the instrument log of up to 6 h |
| `none` | nothing is known: before the first entry, after a gap of more than 6 h, or without a sail log |

| `quality` | |
|---|---|
| `logged` | as the log states it, without contradiction |
| `carried` | as logged, over a gap within which a change may have been missed |
| `changing` | held for less than 3 min: a change in progress, not a set that was raced |
| `doubtful` | the log contradicts itself or is incomplete here; `reason` says how |
| `none` | no set is claimed: `unlogged` or `unknown` |
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from itertools import takewhile

import numpy as np
import polars as pl

from pipeline.campaign.sail_sets import lacks_mainsail, sails_of
from pipeline.campaign.settings import UNKNOWN, UNLOGGED, Boat
from pipeline.sailing.log_moments import LATE_ENTRY, LogEvidence, Moment, moments_of
from pipeline.sailing.sails_aloft import NOTHING_KNOWN, Aloft, Remark, is_a_set, step

__all__ = ["sails_of", "set_at", "tag_sail_sets"]

CARRY_OVER = timedelta(hours=6)  # formats.md: a set carries over gaps of up to 6 h
# Common practice, no source: a change of headsail takes a minute or two, and no set is raced for less than three.
CHANGE = timedelta(minutes=3)
# A day that begins with a hoist soon after the instruments were switched on begins with nothing aloft (our own choice).
FRESH_START = timedelta(hours=2)

# The name is that of the same sails with the main up, so such time must not be taken for that set.
WITHOUT_MAIN = "sails without the mainsail: not the set that bears this name"

SOURCES = ("sail log", "carried over", "none")
QUALITIES = ("logged", "carried", "changing", "doubtful", "none")  # from the best to the worst
SEGMENTS_SCHEMA: dict[str, pl.DataType] = {
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "sail_set": pl.String(),
    "source": pl.String(),
    "quality": pl.String(),
    "reason": pl.String(),
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """One state of the sails from `start` to the start of the next; `logged_at` is the time of its entry."""

    start: datetime
    state: Aloft
    logged_at: datetime | None
    name: str
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A doubt over a span of time."""

    start: datetime
    end: datetime
    quality: str
    reason: str


def tag_sail_sets(sail_log: pl.DataFrame | None, boat: Boat, sessions: pl.DataFrame) -> pl.DataFrame:
    """Segments of the time line: `start, end, sail_set, source, quality, reason` (words: see this module).

    `sail_log` as from `read_sail_log` (None: everything is `unlogged`), `sessions` as from `find_sessions`. The
    segments of a session join without gap or overlap from its start to its end; a sample on a border belongs to the
    later segment, the last sample of a session to its last segment. Rows of the log may come in any order and more
    than once (for reefs see `log_moments.moments_of`).
    """
    spans = list(sessions.sort("start").select("start", "end").iter_rows())
    moments = moments_of(sail_log)
    stretches, marks = _time_line(moments, boat, spans)
    stretches = _late_drops(stretches, boat)
    marks += _changes(stretches)
    rows: list[tuple[datetime, datetime, str, str, str, str | None]] = []
    previous_end: datetime | None = None
    for start, end in spans:
        rows += _segments_of_session(start, end, previous_end, stretches, marks)
        previous_end = end
    return pl.DataFrame(rows, schema=SEGMENTS_SCHEMA, orient="row")


def set_at(times: pl.Series, segments: pl.DataFrame) -> pl.Series:
    """Name of the set at each time, in the order of `times`; null outside every segment and for null times."""
    wanted = times.cast(pl.Datetime("us"))
    if segments.is_empty():
        return pl.Series("sail_set", [None] * len(times), dtype=pl.String())
    line = segments.sort("start")
    starts = line["start"].cast(pl.Int64).to_numpy()
    ends = line["end"].cast(pl.Int64).to_numpy()
    ticks = wanted.cast(pl.Int64).fill_null(np.iinfo(np.int64).min).to_numpy()
    at = np.searchsorted(starts, ticks, side="right") - 1
    inside = (at >= 0) & (ticks <= ends[np.maximum(at, 0)])
    names = line["sail_set"].gather(pl.Series(np.maximum(at, 0), dtype=pl.UInt32()))
    hit = pl.Series("hit", inside)
    return pl.select(pl.when(hit).then(names).otherwise(None)).to_series().alias("sail_set")


def _time_line(
    moments: Sequence[Moment], boat: Boat, spans: Sequence[tuple[datetime, datetime]]
) -> tuple[list[Stretch], list[Mark]]:
    """States in order of time, and doubts. A gap of more than 6 h without samples or entries ends what is known."""
    evidence = sorted(
        [(s, e, None) for s, e in spans] + [(m.time, m.time, i) for i, m in enumerate(moments)], key=_evidence
    )
    runs: dict[int, int] = {}
    lapses: list[datetime] = []
    last: datetime | None = None
    for start, end, index in evidence:
        if last is not None and start - last > CARRY_OVER:
            lapses.append(start)
        last = end if last is None else max(last, end)
        if index is not None:
            runs[index] = len(lapses)
    moments = [Moment(m.time, m.entries, runs[i]) for i, m in enumerate(moments)]

    log = LogEvidence(moments, boat)
    stretches: list[Stretch] = []
    marks: list[Mark] = []
    state = NOTHING_KNOWN
    for i, moment in enumerate(moments):
        lapsed = moment.run > (moments[i - 1].run if i else 0)
        if lapsed or i == 0:
            state = NOTHING_KNOWN
        fresh = not state.logged
        state, remarks = step(state, moment.entries, boat, partial(log.forgotten, i), partial(log.repeated, i))
        if fresh:
            state = _with_fresh_doubt(state, moment, boat, spans)
        doubt = state.doubt or (WITHOUT_MAIN if lacks_mainsail(state.drawing, boat) else "")
        stretches.append(Stretch(moment.time, state, moment.time, state.name(boat), doubt))
        marks += [_mark(r, log, i) for r in remarks]
    stretches += [Stretch(t, NOTHING_KNOWN, None, UNLOGGED) for t in lapses]
    # At one time the end of what was known comes first, then the entry.
    return sorted(stretches, key=lambda s: (s.start, s.logged_at is not None)), marks


def _evidence(item: tuple[datetime, datetime, int | None]) -> tuple[datetime, bool, datetime]:
    return item[0], item[2] is not None, item[1]


def _with_fresh_doubt(state: Aloft, moment: Moment, boat: Boat, spans: Sequence[tuple[datetime, datetime]]) -> Aloft:
    """Doubt of a state built on nothing, unless it is stated whole or the day plainly begins with this hoist."""
    actions = {e.action for e in moment.entries}
    if state.strange or "flying" in actions:
        return state
    hoisted = {c for e in moment.entries if e.action == "hoist" for c in e.codes or ()}
    at = bisect_right(spans, moment.time, key=lambda s: s[0]) - 1
    since = moment.time - spans[at][0] if at >= 0 and moment.time <= spans[at][1] else timedelta(0)
    if hoisted and (since <= FRESH_START or boat.mainsail in hoisted):
        return state
    return replace(state, doubt="first entry after unlogged time, not 'flying': taken from nothing aloft")


def _mark(remark: Remark, log: LogEvidence, i: int) -> Mark:
    moments = log.moments
    now = moments[i].time
    if remark.span == "before":
        before = moments[i - 1].time if i and moments[i - 1].run == moments[i].run else now
        return Mark(before, now, "doubtful", remark.reason)
    if remark.span == "after":
        return Mark(now, moments[i + 1].time if i + 1 < len(moments) else datetime.max, "doubtful", remark.reason)
    if remark.span == "until settled":
        return Mark(now, max(log.fate(i, code)[1] for code in remark.sails), "doubtful", remark.reason)
    soon = takewhile(lambda m: m.time - now <= LATE_ENTRY, (moments[k] for k in range(i + 1, len(moments))))
    dropped = next((m.time for m in soon if m.dropped.intersection(remark.sails)), now + CHANGE)
    return Mark(now, dropped, "changing", remark.reason)


def _late_drops(stretches: Sequence[Stretch], boat: Boat) -> list[Stretch]:
    """Name the set already changed to where an old sail's drop was written minutes late.

    That is: a combination that is no set of the boat, held longer than a change takes but no longer than an entry may
    be late, out of which the old sails drop and leave a set.
    """
    out = list(stretches)
    for i in range(1, len(out) - 1):
        old, now, new = out[i - 1], out[i], out[i + 1]
        if not all(s.state.logged and not s.state.strange for s in (old, now, new)):
            continue
        gone = now.state.drawing - new.state.drawing
        held = new.start - now.start
        if (
            CHANGE <= held <= LATE_ENTRY
            and gone
            and gone < now.state.drawing
            and gone <= old.state.drawing
            and new.state.drawing < now.state.drawing
            and not is_a_set(now.state.drawing, boat)
            and is_a_set(new.state.drawing, boat)
        ):
            minutes = held.total_seconds() / 60.0
            reason = f"{' '.join(sorted(gone))} dropped {minutes:.0f} min after the next hoist: taken as written late"
            out[i] = replace(now, name=new.name, doubt=now.doubt or reason)
    return out


def _changes(stretches: Sequence[Stretch]) -> list[Mark]:
    """Sets held too briefly to have been raced: between two other sets, each logged."""
    marks = []
    for i in range(1, len(stretches) - 1):
        old, now, new = stretches[i - 1], stretches[i], stretches[i + 1]
        if now.logged_at and new.logged_at and old.name != now.name != new.name and new.start - now.start < CHANGE:
            marks.append(Mark(now.start, new.start, "changing", "held for less than 3 min: a change in progress"))
    return marks


def _segments_of_session(
    start: datetime,
    end: datetime,
    previous_end: datetime | None,
    stretches: Sequence[Stretch],
    marks: Sequence[Mark],
) -> list[tuple[datetime, datetime, str, str, str, str | None]]:
    near = [m for m in marks if m.start < end and m.end > start]
    first, last = (bisect_left(stretches, t, key=lambda s: s.start) for t in (start, end))
    cuts = {start, *(s.start for s in stretches[first:last]), *(t for m in near for t in (m.start, m.end))}
    borders = sorted(t for t in cuts if start <= t < end) or [start]
    rows: list[tuple[datetime, datetime, str, str, str, str | None]] = []
    for at, until in zip(borders, [*borders[1:], end], strict=True):
        here = bisect_right(stretches, at, key=lambda s: s.start) - 1
        told = _told(stretches[here] if here >= 0 else None, at, previous_end, near)
        if rows and rows[-1][2:] == told:
            rows[-1] = (rows[-1][0], until, *told)
        else:
            rows.append((at, until, *told))
    return rows


def _told(
    stretch: Stretch | None, at: datetime, previous_end: datetime | None, marks: Sequence[Mark]
) -> tuple[str, str, str, str | None]:
    """Set, source, quality and reason at one time."""
    if stretch is None or stretch.logged_at is None:
        return UNLOGGED, "none", "none", None
    carried = previous_end is not None and stretch.logged_at <= previous_end
    source = "carried over" if carried else "sail log"
    here = [m for m in marks if m.start <= at < m.end]
    reasons = list(dict.fromkeys([stretch.doubt, *sorted(m.reason for m in here)]))
    reason = "; ".join(r for r in reasons if r) or None
    if stretch.name == UNKNOWN:
        return UNKNOWN, source, "none", reason
    found = ["carried" if carried else "logged", *(m.quality for m in here), *(["doubtful"] if stretch.doubt else [])]
    return stretch.name, source, max(found, key=QUALITIES.index), reason
