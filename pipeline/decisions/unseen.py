"""What may be said of a set where it was never sailed: a guess with a wide interval, for the doubt in a loss only.

A loss is judged against the truly fastest set, which may be one that the crew has not tried in that wind. Leaving such
sets out makes every interval too low. No value made here is ever shown as a speed.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.angles import Floats
from pipeline.surfaces.coordinates import angle_coordinate
from pipeline.surfaces.season import SeasonFit
from pipeline.surfaces.support import REACH_ANGLE_DEG, REACH_TWS_KN

# Crews fly a set where it is good. Beyond the reach of its windows its lead over the best set known there falls, by so
# much log speed a reach, with so much spread after one reach (a random walk's). Of 16 seasons of the four known boats
# (seeds 201-204), which agree: 0.061 to 0.067 at all distances; the spread is that of the upper half.
FALL_PER_REACH = 0.064
SPREAD_PER_ROOT_REACH = 0.03
SIDES = 4


def with_unseen(fit: SeasonFit, log_draws: Floats, seed: int) -> Floats:
    """Joint draws of log speed (draws, sets, tws, twa), filled in where a set is out of reach of its own windows.

    There the set's lead over the best set known, taken from the nearest node within reach, is carried on with a fall
    and a spread that grow with the distance. Each set's deviations are one draw for each side of its region. NaN stays
    where no set at all is known, and for sets without any node.
    """
    out = np.array(log_draws, dtype=float)
    known = np.isfinite(fit.log_speed)
    ranked = np.where(fit.supported, fit.log_speed, np.where(known, fit.log_speed - 10.0, -np.inf))
    leader = ranked.argmax(axis=0)
    charted = known.any(axis=0)
    reference = np.take_along_axis(log_draws, leader[None, None], axis=1)[:, 0]
    place = _scaled(fit)
    deviation = np.random.default_rng(seed).standard_normal((len(log_draws), len(fit.sets), SIDES))
    for k in range(len(fit.sets)):
        here, there = known[k], charted & ~known[k]
        if not here.any() or not there.any():
            continue
        distance, nearest = cKDTree(place[here]).query(place[there])
        lead = (log_draws[:, k][:, here] - reference[:, here])[:, nearest]
        side = _side(place[there] - place[here][nearest])
        spread = SPREAD_PER_ROOT_REACH * np.sqrt(distance) * deviation[:, k][:, side]
        out[:, k][:, there] = reference[:, there] + lead - FALL_PER_REACH * distance + spread
    return out


def _scaled(fit: SeasonFit) -> Floats:
    """Every node's place in reaches, (tws, twa, 2)."""
    tws, twa = np.meshgrid(fit.tws_kn / REACH_TWS_KN, angle_coordinate(fit.twa_deg) / REACH_ANGLE_DEG, indexing="ij")
    return np.stack([tws, twa], axis=-1)


def _side(step: Floats) -> np.ndarray:
    """0 to 3: beyond in more wind, in less, at wider angles, at closer ones."""
    along_wind = np.abs(step[:, 0]) >= np.abs(step[:, 1])
    return np.where(along_wind, np.where(step[:, 0] > 0, 0, 1), np.where(step[:, 1] > 0, 2, 3))
