"""Each race over its time and on its course: every stretch with its loss, and the thinned track."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records.close_ups import Slice, Spot, slice_at
from pipeline.reporting.records.races import Races, RaceStretch
from pipeline.reporting.records.wording import named

# The dearest races are drawn whole; the others stand in the tables.
MOST_COURSES = 6
# The wind is shown this long before and after a stretch.
AROUND = timedelta(minutes=6)
# Points of a course behind a single stretch.
OUTLINE = 100


@dataclass(frozen=True, slots=True)
class TrackPoint:
    """One point of a race: place in nautical miles from its first point, and the wind there; None where not known."""

    time: datetime
    east_nm: float | None
    north_nm: float | None
    tws_kn: float | None
    twd_deg: float | None


@dataclass(frozen=True, slots=True)
class Track:
    """The points of a race in order; `basis` is "position", "reckoned" or None without places."""

    basis: str | None
    points: tuple[TrackPoint, ...]

    @property
    def placed(self) -> tuple[TrackPoint, ...]:
        """The points whose place is known."""
        return tuple(p for p in self.points if p.east_nm is not None and p.north_nm is not None)

    @property
    def outline(self) -> tuple[TrackPoint, ...]:
        """The placed points thinned evenly, the last one kept: enough for the shape of a course."""
        placed = self.placed
        return (*placed[:: -(-len(placed) // OUTLINE)], *placed[-1:])

    def between(self, start: datetime, end: datetime) -> tuple[TrackPoint, ...]:
        """Points of a span, the one before it included so that a short span is not a dot."""
        before = [p for p in self.points if p.time < start][-1:]
        return (*before, *(p for p in self.points if start <= p.time <= end))


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of a race. `key` joins it to the ranked stretches, None where it is not among them."""

    key: str | None
    start: datetime
    end: datetime
    flown: str
    measured: str | None
    loss_s: float | None
    low_s: float | None
    high_s: float | None


@dataclass(frozen=True, slots=True)
class RaceCourse:
    """One race: its stretches in order of time, and its track."""

    race: str
    start: datetime
    end: datetime
    loss_s: float | None
    legs: tuple[Leg, ...]
    track: Track


@dataclass(frozen=True, slots=True)
class Evidence:
    """What stands behind one ranked stretch.

    `slice`: both surfaces over the angle at the nearest whole knot, None where they say nothing; `track`: of its race.
    """

    key: str
    stretch: RaceStretch
    slice: Slice | None
    track: Track

    @property
    def wind(self) -> tuple[TrackPoint, ...]:
        """The wind of the stretch and of some minutes about it."""
        begin, end = self.stretch.start - AROUND, self.stretch.end + AROUND
        return tuple(p for p in self.track.points if begin <= p.time <= end)


@dataclass(frozen=True, slots=True)
class Pick:
    """A ranked stretch as other figures mark it: its key, its time, its mean wind and angle (0..180), and words."""

    key: str
    start: datetime
    end: datetime
    tws_kn: float | None
    twa_deg: float | None
    said: str


def picks(found: Races, numbers: Numbers) -> tuple[Pick, ...]:
    """Of all ranked stretches, dearest first."""
    return tuple(
        Pick(key_of(k), s.start, s.end, s.tws_kn, None if s.twa_deg is None else abs(s.twa_deg),
             f"{s.start:%-d %b, %H:%M} to {s.end:%H:%M}, {named(s.flown)}: {numbers.plain(s.loss_s, 1)} s lost")
        for k, s in enumerate(found.worst, 1)
    )  # fmt: skip


def key_of(rank: int) -> str:
    """Name of the stretch of that rank, from 1, in figures and tables."""
    return f"s{rank}"


def race_courses(tables: Mapping[str, pl.DataFrame], found: Races) -> tuple[RaceCourse, ...]:
    """The dearest races with all their stretches."""
    keys = {(s.race, s.start): key_of(k) for k, s in enumerate(found.worst, 1)}
    starts = _starts(tables)
    out = []
    for total in found.totals[:MOST_COURSES]:
        mine = _of_race(tables["race_review"], total.race, starts.get(total.start)).sort("start")
        if mine.is_empty():
            continue
        legs = tuple(
            Leg(keys.get((r["race"], r["start"])), r["start"], r["end"], r["flown"], r["fastest_measured"], r["loss_s"],
                r["loss_low_s"], r["loss_high_s"])
            for r in mine.iter_rows(named=True)
        )  # fmt: skip
        track = _track(tables["race_tracks"], total.race, total.start)
        ends = [legs[0].start, legs[-1].end, *(p.time for p in track.points)]
        out.append(RaceCourse(total.race, min(ends), max(ends), total.loss_s, legs, track))
    return tuple(out)


def evidence(tables: Mapping[str, pl.DataFrame], found: Races) -> tuple[Evidence, ...]:
    """Of every ranked stretch, in their order."""
    starts = sorted(tables["race_totals"].select("race", "start").iter_rows(), key=lambda r: r[1])
    out = []
    for rank, s in enumerate(found.worst, 1):
        begun = [start for race, start in starts if race == s.race and start <= s.start]
        track = _track(tables["race_tracks"], s.race, begun[-1]) if begun else Track(None, ())
        out.append(Evidence(key_of(rank), s, _slice(tables, s), track))
    return tuple(out)


def _slice(tables: Mapping[str, pl.DataFrame], s: RaceStretch) -> Slice | None:
    if s.tws_kn is None or s.twa_deg is None:
        return None
    spot = Spot(at=float(round(s.tws_kn)), sailed=abs(s.twa_deg))
    return slice_at(tables, s.flown, s.measured, "twa_deg", spot)


def _starts(tables: Mapping[str, pl.DataFrame]) -> dict[datetime, tuple[datetime, datetime | None]]:
    """By start of a race: its own start and finish."""
    return {r["start"]: (r["start"], r["finish"]) for r in tables["race_totals"].iter_rows(named=True)}


def _of_race(review: pl.DataFrame, race: str, span: tuple[datetime, datetime | None] | None) -> pl.DataFrame:
    """Rows of one race: two of the same name are told apart by their time."""
    mine = review.filter(pl.col("race") == race)
    if span is None:
        return mine
    mine = mine.filter(pl.col("start") >= span[0])
    return mine if span[1] is None else mine.filter(pl.col("start") <= span[1])


def _track(tracks: pl.DataFrame, race: str, start: datetime) -> Track:
    mine = tracks.filter(pl.col("race") == race, pl.col("race_start") == start).sort("time")
    points = tuple(TrackPoint(*r) for r in mine.select("time", "east_nm", "north_nm", "tws_kn", "twd_deg").iter_rows())
    return Track(mine["basis"][0] if mine.height else None, points)
