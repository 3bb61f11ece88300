"""What a ground estimate rests on, counted and said: days, hours, tacks, gybes, reciprocal courses, headings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats, difference
from pipeline.calibration.ground_current import Bearings
from pipeline.calibration.legs import Bits
from pipeline.sailing.stretches import Ints

# Legs that follow each other within this time are joined by a manoeuvre.
MANOEUVRE_S = 150.0
# Courses are reciprocal within this angle, and tell current from speed while the current is much the same.
RECIPROCAL_WITHIN_DEG, RECIPROCAL_WITHIN_H = 40.0, 1.0
TURNED_DEG = 60.0
SECTOR_DEG, LEAST_SECTOR_MIN = 30.0, 5.0


@dataclass(frozen=True, slots=True)
class GroundEvidence:
    """Counts: `sectors` of 12 were sailed in; of the legs, `turned` have another within the hour on a course that is
    clearly different, `reciprocal` one on the opposite course.
    """

    days: int
    hours: float
    legs: int
    tacks: int
    gybes: int
    turned: int
    reciprocal: int
    sectors: int

    @property
    def said(self) -> str:
        """The counts as one phrase."""
        return (
            f"{_counted(self.days, 'day')}, {self.hours:.1f} h in {_counted(self.legs, 'leg')}, "
            f"{_counted(self.tacks, 'tack')}, {_counted(self.gybes, 'gybe')}, "
            f"{_counted(self.reciprocal, 'leg')} with a reciprocal course within the hour, "
            f"headings in {self.sectors} of 12 sectors"
        )


def evidence_of(bits: Bits, at: Bearings, twa_deg: Floats, day: Ints) -> GroundEvidence:
    """Evidence in the bits; `twa_deg` is each bit's mean size of the true wind angle, `day` its day's number."""
    first = np.flatnonzero(np.concatenate(([True], np.diff(bits.leg) != 0)))
    last = np.concatenate((first[1:] - 1, [len(bits) - 1]))
    joined = (bits.block[first[1:]] == bits.block[last[:-1]]) & (
        bits.time_s[first[1:]] - bits.time_s[last[:-1]] < MANOEUVRE_S
    )
    crossed = joined & (bits.side[first[1:]] != bits.side[last[:-1]])
    off_wind = 0.5 * (twa_deg[first[1:]] + twa_deg[last[:-1]]) >= 90.0
    sector = (np.degrees(at.course_rad) % 360.0 // SECTOR_DEG).astype(int)
    turned, reciprocal = _partners(bits, at, first, last)
    minutes = np.bincount(sector, weights=bits.length_s / 60.0, minlength=12)
    return GroundEvidence(
        days=len(np.unique(day)),
        hours=float(bits.length_s.sum() / 3600.0),
        legs=len(first),
        tacks=int((crossed & ~off_wind).sum()),
        gybes=int((crossed & off_wind).sum()),
        turned=turned,
        reciprocal=reciprocal,
        sectors=int((minutes >= LEAST_SECTOR_MIN).sum()),
    )


def _partners(bits: Bits, at: Bearings, first: Ints, last: Ints) -> tuple[int, int]:
    """Legs that have another within the hour on a clearly different course, and on the opposite one."""
    number = last - first + 1
    north = np.add.reduceat(np.cos(at.course_rad), first) / number
    east = np.add.reduceat(np.sin(at.course_rad), first) / number
    course = np.degrees(np.arctan2(east, north))
    middle, block = 0.5 * (at.hours[first] + at.hours[last]), bits.block[first]
    turned, opposite = np.zeros(len(first), dtype=bool), np.zeros(len(first), dtype=bool)
    for step in range(1, len(first)):
        near = (middle[step:] - middle[:-step] < RECIPROCAL_WITHIN_H) & (block[step:] == block[:-step])
        if not near.any():
            break
        apart = np.abs(difference(course[step:], course[:-step]))
        for has, found in (
            (turned, near & (apart > TURNED_DEG)),
            (opposite, near & (apart > 180.0 - RECIPROCAL_WITHIN_DEG)),
        ):
            has[step:] |= found
            has[:-step] |= found
    return int(turned.sum()), int(opposite.sum())


def _counted(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
