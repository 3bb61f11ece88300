"""Where a surface would only be a guess: reach of the data, and how much the data say beyond the prior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.intervals import HALF_90
from pipeline.surfaces.coordinates import Floats, Ints, angle_coordinate
from pipeline.surfaces.observations import DAY_BREAK_H

Bools = NDArray[np.bool_]

# A set's surface is never given further than this from its windows: beyond, it would be extrapolation whatever the
# interval says. Half axes of an ellipse, in knots and in degrees of the angle coordinate.
REACH_TWS_KN, REACH_ANGLE_DEG = 3.75, 18.0
# That much must lie about a supported place, within this share of the reach: one stretch alone may be a wrong tag, so
# the windows must be spread over several quarters of an hour. The rim of the data is where surfaces are worst: on 24
# known seasons (681-683, 691-693) 0.7, 0.8 and 0.92 gave an error of 0.99, 1.03 and 1.09 % over all cells, for 0.189,
# 0.186 and 0.184 % of speed lost.
VISIT = 0.8
VISIT_WINDOWS = 4
VISIT_QUARTERS = 3
# Where a set is expected to lead (below) the surface is carried further, in reaches: to leave it blank there would be
# to advise against it. Windows on one day alone are weaker evidence, because a crew that forgets to log a change may do
# so all afternoon.
LEADING_REACH = 2.5
VISIT_DAYS = 2
# A window, or a stretch of them, with a smaller robust weight is taken to be a wrong tag, and is no visit.
LEAST_TRUST = 0.1
# The posterior does not know that its parameters are themselves estimates, nor where a set's speed falls off faster
# than its own windows show. Borders carry the doubt in the calibration besides: of 417 on the known boats (602-603)
# their 90 % intervals held 95.5 % with 1.1 and 94.1 % with 1.0; of 702 (611-613) 95.3 % with 1.05. On the window
# simulator, which has no calibration to doubt and a boat that falls off its plane within a few degrees, 82 % held with
# 1.25.
INTERVAL_FACTOR = 1.02
# Doubt in log speed that all sets share: calibration, and how ordinary the days of one season were. It widens the
# surfaces and cancels between sets; with 0.005 and a factor of 1.1 surfaces held 90 % of the truth on the same seasons.
LEVEL_DOUBT = 0.0065
# Widest useful 90 % half interval, in log speed: neighbouring sets differ by a few per cent near their borders, so a
# surface known less well than this decides nothing there.
WIDEST_HALF_INTERVAL = 0.0205
# Further from a border less will do: a set that leads, or trails, the best of the others by so many of its standard
# deviations is known well enough for what it is needed for, up to the second width.
DECIDED_BY = 2.4
WIDEST_DECIDED = 0.03
# Crews leave a set where they believe another to be faster, so that a surface carried on into the unsailed is too
# hopeful. Let the lead that they believe in be about d, and s their error: an expected lead with variance v is then
# worth that lead less v d / s^2. `LEADER_SCALE` is s^2 / d in log speed (3 % off about 2 % would be 0.045; chosen on
# simulated seasons), `LEAST_LEAD` what a set must be ahead besides, and both are larger where one day alone speaks. The
# interval may be as wide as it likes: a reacher carried on into light air stalls, and what is 40 % faster need not be
# known to 6 %. Where no set is supported, the one that leads those within reach answers the question of such a place as
# well, but then its interval may not pass the second width.
LEADER_SCALE = 0.05
LEAST_LEAD = 0.004
ONE_DAY_DOUBT = 1.5
# The set's own data must have taken away at least this share of the variance that a set never sailed would have.
LEAST_LEARNED = 0.4


def within_reach(tws_kn: Floats, twa_deg: Floats, at_tws_kn: Floats, at_twa_deg: Floats, reaches: float = 1.0) -> Bools:
    """Whether any of the points (tws_kn, twa_deg) lies within so many reaches of each place."""
    near = np.zeros(len(at_tws_kn), dtype=bool)
    for part in _parts(len(tws_kn)):
        near |= (_distance_squared(tws_kn[part], twa_deg[part], at_tws_kn, at_twa_deg) <= reaches**2).any(axis=0)
    return near


@dataclass(frozen=True, slots=True)
class Visits:
    """Places with enough windows, in enough different quarters of an hour: `well` close by; `loosely` as far away as a
    leader may be; `often` so, and on different days.
    """

    well: Bools
    loosely: Bools
    often: Bools


def visits(tws_kn: Floats, twa_deg: Floats, hours: Floats, at_tws_kn: Floats, at_twa_deg: Floats) -> Visits:
    """Where a set was sailed enough; `hours` rise."""
    quarter, day = np.floor(hours * 4.0), np.cumsum(np.diff(hours, prepend=hours[:1]) > DAY_BREAK_H)

    def enough(within: float, days: int) -> Bools:
        near = np.zeros((len(tws_kn), len(at_tws_kn)), dtype=bool)
        for part in _parts(len(tws_kn)):
            near[part] = _distance_squared(tws_kn[part], twa_deg[part], at_tws_kn, at_twa_deg) <= within**2
        many = (near.sum(axis=0) >= VISIT_WINDOWS) & (_different(near, quarter) >= VISIT_QUARTERS)
        return many & (_different(near, day) >= days)

    return Visits(enough(VISIT, 1), enough(LEADING_REACH, 1), enough(LEADING_REACH, VISIT_DAYS))


def _different(near: Bools, label: Floats | Ints) -> Ints:
    """Number of different labels (rising) among the points near each place."""
    first = np.unique(label, return_index=True)[1]
    if len(first) == 0:
        return np.zeros(near.shape[1], dtype=np.int64)
    return np.asarray((np.add.reduceat(near, first, axis=0, dtype=np.int64) > 0).sum(axis=0))


def _parts(n: int, size: int = 2000) -> list[slice]:
    return [slice(k, k + size) for k in range(0, n, size)]


def _distance_squared(tws_kn: Floats, twa_deg: Floats, at_tws_kn: Floats, at_twa_deg: Floats) -> Floats:
    """Squared distance (points, places) in reaches."""
    d_tws = (tws_kn[:, None] - at_tws_kn[None, :]) / REACH_TWS_KN
    d_twa = (angle_coordinate(twa_deg)[:, None] - angle_coordinate(at_twa_deg)[None, :]) / REACH_ANGLE_DEG
    return np.asarray(d_tws**2 + d_twa**2)


def minutes_near(tws_kn: Floats, twa_deg: Floats, minutes: Floats, at_tws_kn: Floats, at_twa_deg: Floats) -> Floats:
    """Minutes of the windows within 1 kn and 5 deg of each place."""
    out = np.zeros(len(at_tws_kn))
    for part in _parts(len(tws_kn)):
        near = (np.abs(tws_kn[part, None] - at_tws_kn[None, :]) <= 1.0) & (
            np.abs(twa_deg[part, None] - at_twa_deg[None, :]) <= 5.0
        )
        out += minutes[part] @ near
    return out


def learned(sd: Floats, hull_sd: Floats, departure_prior_sd: Floats) -> Floats:
    """Share of the variance that is due to the set's own data rather than left by the prior.

    The yardstick is what would be said of a set never sailed: the hull's surface and the spread of the sets about it.
    """
    unseen = hull_sd**2 + departure_prior_sd**2
    return 1.0 - sd**2 / np.maximum(unseen, 1e-18)


def useful(log_speed: Floats, sd: Floats, reached: Bools, grounded: Bools, hopeful: Floats) -> Bools:
    """Which of the places (sets, places) are known well enough to be of use.

    Of the `grounded`: the interval is narrow, or it leaves no doubt whether the set is faster or slower than the best
    of those sets whose intervals are narrow there. Where `hopeful` is finite: the set is expected to beat all other
    supported sets by more than its doubt, taken `hopeful` times; where none is, all others that are `reached`, and then
    its own interval may not pass the second width.
    """
    firm = grounded & (sd * HALF_90 <= WIDEST_HALF_INTERVAL)
    held = np.where(firm, log_speed, -np.inf)
    out = firm.copy()
    for k in range(len(firm)):
        rivals = np.delete(held, k, axis=0).max(axis=0, initial=-np.inf)
        with np.errstate(invalid="ignore"):
            decided = np.isfinite(rivals) & (np.abs(log_speed[k] - rivals) > DECIDED_BY * sd[k])
        out[k] |= grounded[k] & decided & (sd[k] * HALF_90 <= WIDEST_DECIDED)
    blank = ~out.any(axis=0)
    may_lead = np.where(blank, reached & (sd * HALF_90 <= WIDEST_DECIDED), ~out)
    return out | _leading(log_speed, sd, np.where(blank, reached, out), np.where(may_lead, hopeful, np.inf))


def _leading(log_speed: Floats, sd: Floats, known: Bools, hopeful: Floats) -> Bools:
    """Places where a set is expected to be faster than every other `known` one, its doubt taken off."""
    held = np.where(known, log_speed, -np.inf)
    worth = np.zeros(known.shape)
    for k in range(len(known)):
        others = held.copy()
        others[k] = -np.inf
        rival = others.argmax(axis=0)[None]
        with np.errstate(invalid="ignore"):
            lead = log_speed[k] - np.take_along_axis(others, rival, axis=0)[0]
            more = np.maximum(sd[k] ** 2 - np.take_along_axis(sd, rival, axis=0)[0] ** 2, 0.0)
            some = np.isfinite(hopeful[k]) & np.isfinite(lead)
            worth[k] = np.where(some, lead - hopeful[k] * (more / LEADER_SCALE + LEAST_LEAD), 0.0)
    return np.asarray((worth > 0.0) & (worth == worth.max(axis=0)))
