"""The parameters that the data choose by marginal likelihood, each with a weak prior; all are positive, kept as logs.

Standard deviations are in log speed (0.01 is one per cent). The priors say only what any boat would: they hold the
fit where a season cannot tell, and give way where it can.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats


@dataclass(frozen=True, slots=True)
class Parameter:
    """`centre` of the prior, its spread as a standard deviation of the logarithm, and what it is."""

    name: str
    centre: float
    spread: float
    meaning: str


SURFACE_PARAMETERS: tuple[Parameter, ...] = (
    Parameter("hull_sd", 0.30, 0.7, "spread of the boat's own surface about a straight line in the wind"),
    Parameter("hull_wind_length", 1.5, 0.4, "how far along sqrt(TWS) it bends, sqrt(kn)"),
    Parameter("hull_angle_length_deg", 50.0, 0.4, "how far along the angle coordinate it bends"),
    Parameter("set_level_sd", 0.04, 0.7, "spread of the sets' mean departures"),
    Parameter("set_sd", 0.05, 0.7, "spread of the sets' departures about their means"),
    Parameter("set_wind_length", 1.5, 0.4, "how far along sqrt(TWS) a departure bends, sqrt(kn)"),
    Parameter("set_angle_length_deg", 45.0, 0.4, "how far along the angle coordinate a departure bends"),
    Parameter("fall_wind", 0.03, 0.7, "what a set loses one unit of wind from its centre, mean of the sets"),
    Parameter("fall_angle", 0.06, 0.7, "what a set loses one unit of angle from its centre, mean of the sets"),
)
NOISE_PARAMETERS: tuple[Parameter, ...] = (
    Parameter("day_sd", 0.012, 0.7, "day effect common to all modes"),
    Parameter("day_mode_sd", 0.012, 0.7, "day effect of each mode"),
    Parameter("drift_sd", 0.010, 0.7, "drift within the day, by mode"),
    Parameter("drift_hours", 1.0, 0.5, "time in which the drift forgets"),
    Parameter("day_set_sd", 0.005, 0.7, "how well one set goes on one day"),
    Parameter("stretch_sd", 0.005, 0.7, "what a stretch of one set on one tack has of its own"),
    Parameter("day_tack_sd", 0.005, 0.7, "half difference of the tacks on one day"),
    Parameter("wander_sd", 0.015, 0.7, "noise shared by neighbouring windows"),
    Parameter("wander_hours", 0.05, 0.7, "time in which that noise forgets"),
    Parameter("white_upwind_sd", 0.015, 0.7, "noise of one window, upwind, at 10 kn"),
    Parameter("white_reaching_sd", 0.018, 0.7, "the same, reaching"),
    Parameter("white_running_sd", 0.018, 0.7, "the same, running"),
)
PARAMETERS = SURFACE_PARAMETERS + NOISE_PARAMETERS
SURFACE_COUNT = len(SURFACE_PARAMETERS)
NAMES = tuple(p.name for p in PARAMETERS)
PRIOR_MEAN: Floats = np.log([p.centre for p in PARAMETERS])
PRIOR_SD: Floats = np.array([p.spread for p in PARAMETERS])

# Not learned: a single season seldom holds enough of them.
HULL_LEVEL_SD = 2.0  # log speed: no opinion on the boat's speed
HULL_SLOPE_SD = 0.5  # log speed per sqrt(kn): no opinion on how it grows with the wind
REEF_SD = 0.05  # a reef's effect, shared by all sets
RECUT_SD = 0.02  # a recut sail against its former self
OWN_REEF_SD = 0.01  # what a reef does to one set beyond what it does to all
TACK_SD = 0.01  # half difference of the tacks, all season
TREND_SD = 0.03  # per knot and minute of rising wind: the boat lags
SHARE_MEAN = 0.5  # of a jump in the measured wind that the boat felt
SHARE_SD = 0.5

# Degrees of freedom of the noise: a window far off counts little. Common choice for robust regression (Lange, Little &
# Taylor 1989, J. Am. Stat. Assoc. 84, 881-896; from memory).
NOISE_FREEDOM = 5.0
# The same for whole stretches: a wrong tag puts a stretch off by tens of per cent.
STRETCH_FREEDOM = 3.0


def named(log_values: Floats) -> dict[str, float]:
    """Values by name."""
    return dict(zip(NAMES, np.exp(log_values).tolist(), strict=True))
