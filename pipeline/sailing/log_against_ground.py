"""Where the speed log parts from the motion over ground for some minutes: weed on its wheel, a sensor that sticks.

A log that shows a tenth too little for five minutes passes for a slow set, and where little else was sailed the surface
bends to it. The ground knows better: its velocity less that through the water is the current, which changes slowly and
does not care which way the boat points. Where the rest jumps along the boat's own course, and comes back, the log is
at fault (or, seldom, the ground's fix): neither can be told then, so that the minutes are set aside.
"""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats, unit_vectors
from pipeline.sailing.smoothing import Summed, moving_median, surroundings
from pipeline.sailing.stretches import Flags, Ints, lasting, runs
from pipeline.sailing.track import Track

# Velocities are averaged over the first, which outlasts damping and waves, and looked at once in the second.
SMOOTH_S, EVERY_S = 20.0, 10.0
# The current's level is the median over so long: of a fault less than half as long it takes no notice, and a front
# between two waters is a step that the median follows.
LEVEL_S = 2400.0
# A fault is this much of the speed, this much by itself, and so many standard deviations of the piece's rest, for so
# long. Common practice, no source: a clean log follows the ground within two or three per cent.
LEAST_SHARE, LEAST_KN, LEAST_SD, LEAST_S = 0.05, 0.2, 5.0, 40.0
# Around it, as long as the rest is above this share of the limit, and so long besides.
FLANK, MARGIN_S = 0.5, 20.0
# The current in the fit that gives the log's factor and the compass's error: straight between knots of so many hours.
KNOT_H = 0.5
# What is expected of them before any data: standard deviations of the factor (1) and of currents (kn), rest in kn.
FACTOR_SD, LEEWAY_SD, CURRENT_SD_KN, REST_KN = 0.1, 0.1, 3.0, 0.3
UPWIND_DEG = 70.0
ROUNDS = 8
LEAST_RECORD_S = 600.0


def off_the_ground(track: Track) -> Flags:
    """Samples of a piece where the speed log shows too little or too much against the motion over ground.

    Nothing is said without heading, course and speed over ground, or of less than ten minutes.
    """
    out = np.zeros(len(track), dtype=bool)
    each = track.count(EVERY_S)
    seen = slice(each // 2, None, each)
    around = [ends[seen] for ends in surroundings(track.count(SMOOTH_S), track.stretch)]
    water, ground = (
        _smooth(speed, course, *around)
        for speed, course in ((track.bsp_kn, track.ctw_deg), (track.sog_kn, track.cog_deg))
    )
    known = np.isfinite(water) & np.isfinite(ground) & ~track.ground[seen]
    step_s = each * track.step_s
    if known.sum() * step_s < LEAST_RECORD_S:
        return out
    time_s, stretch = track.time_s[seen], track.stretch[seen]
    by_log = np.full(len(water), np.nan, dtype=complex)
    by_log[known] = _by_log(water[known], ground[known], time_s[known], track.twa_deg[seen][known])
    rest = _rest(ground - by_log, by_log, max(1, round(LEVEL_S / step_s)))
    sd = 1.4826 * float(np.nanmedian(np.abs(rest)))
    limit = np.maximum(np.maximum(LEAST_KN, LEAST_SD * sd), LEAST_SHARE * np.abs(by_log))
    with np.errstate(invalid="ignore"):
        for side in (rest, -rest):
            core = lasting(side > limit, time_s, LEAST_S - step_s, stretch)
            for a, b in zip(*runs(side > FLANK * limit, stretch), strict=True):
                if core[a:b].any():
                    span = time_s[a] - MARGIN_S, time_s[b - 1] + MARGIN_S
                    out |= (track.time_s >= span[0]) & (track.time_s <= span[1])
    return out


def _smooth(speed_kn: Floats, course_deg: Floats, a: Ints, b: Ints) -> np.ndarray:
    """Mean velocity (east along the imaginary axis) over index ranges [a, b)."""
    north, east = Summed.of(speed_kn * unit_vectors(course_deg)).components(a, b)
    return north + 1j * east


def _by_log(water: np.ndarray, ground: np.ndarray, time_s: Floats, twa_deg: Floats) -> np.ndarray:
    """The water's velocity with the log's factor, the compass's error and leeway set right.

    Least squares with weights of a Cauchy distribution, so that a fault has no say in what is right.
    """
    upwind = np.sign(twa_deg) * (np.abs(twa_deg) < UPWIND_DEG)
    hours = (time_s - time_s[0]) / 3600.0
    knots = np.arange(0.0, hours[-1] + 2.0 * KNOT_H, KNOT_H)
    hats = np.maximum(1.0 - np.abs(hours[:, None] - knots[None, :]) / KNOT_H, 0.0)
    x = np.column_stack([water, np.nan_to_num(upwind) * water, hats])
    y = ground - water
    prior = REST_KN**2 / np.array([FACTOR_SD, LEEWAY_SD, *[CURRENT_SD_KN] * len(knots)]) ** 2
    weight = np.ones(len(y))
    turned = x.conj().T
    for _ in range(ROUNDS):
        weighted = turned * weight
        found = np.linalg.solve(weighted @ x + np.diag(prior), weighted @ y)
        away = np.abs(y - x @ found)
        scale = max(float(np.median(away)), 0.02)
        weight = 1.0 / (1.0 + (away / scale) ** 2)
    return np.asarray(water + x[:, :2] @ found[:2])


def _rest(current: np.ndarray, by_log: np.ndarray, count: int) -> Floats:
    """What the apparent current has along the boat's course beyond its level, kn; positive where the log lags."""
    level = moving_median(current.real, count) + 1j * moving_median(current.imag, count)
    along = (current - level) * np.conj(by_log) / np.maximum(np.abs(by_log), 1e-6)
    return np.asarray(along.real)
