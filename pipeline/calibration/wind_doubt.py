"""How far each sail set's upwash and AWS factor may be from those in use: what borders between sets have to carry."""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats
from pipeline.calibration.calibration_rows import value_in_use
from pipeline.calibration.wind_estimate import WindEstimate
from pipeline.calibration.wind_fit import BY_SET
from pipeline.campaign.settings import Calibration


def doubt_by_set(found: WindEstimate, calibration: Calibration) -> tuple[tuple[str, ...], Floats]:
    """Sail sets (k) and covariance (2k, 2k) of the departures of their true values from those in use.

    First all upwash (deg), then all AWS factors. About the value in use, not about the proposal: where a proposal was
    not accepted, what it says is wrong is part of the doubt (mean square = variance + square of the mean). Empty where
    nothing could be estimated. `calibration`: the one that the windows were made with, at the season's beginning.
    """
    sets = tuple(k[1] for k in found.parameters if not isinstance(k, str) and k[0] == BY_SET[0])
    keys = [(name, s) for name in BY_SET for s in sets]
    at = [found.parameters.index(k) for k in keys]
    in_use = np.array([value_in_use(calibration, name, None, s) for name, s in keys])
    away = found.proposed[at] - in_use
    return sets, found.covariance[np.ix_(at, at)] + np.outer(away, away)
