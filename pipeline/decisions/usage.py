"""What a boat usually flies: the share of each set in the time sailed in like wind and angle, a day left out."""

from __future__ import annotations

import numpy as np

from pipeline.angles import Floats
from pipeline.surfaces.coordinates import Ints, angle_coordinate
from pipeline.surfaces.observations import Observations
from pipeline.surfaces.support import REACH_ANGLE_DEG, REACH_TWS_KN

# Time is counted on a lattice as coarse as this and spread over half a reach about it.
STEP_KN, STEP_DEG = 0.5, 3.0
SPREAD = 0.5
# Every set counts as if flown for so long everywhere: a crew may try anything once.
TRIED_MIN = 5.0


class Usage:
    """Minutes of each set (k) by wind and angle, and for any day the shares that the other days leave."""

    def __init__(self, seen: Observations, labels: Ints | None = None) -> None:
        """`labels` (n): set numbers to count by, the logged ones where not given."""
        self._seen = seen
        self._labels = seen.set_number if labels is None else labels
        angle = angle_coordinate(seen.twa_deg)
        self._wind_of = np.rint((seen.tws_kn - seen.tws_kn.min()) / STEP_KN).astype(np.int64)
        self._angle_of = np.rint((angle - angle.min()) / STEP_DEG).astype(np.int64)
        self._shape = (len(seen.sets), int(self._wind_of.max()) + 1, int(self._angle_of.max()) + 1)
        self._smooth = tuple(
            _bell(n, step / (SPREAD * reach))
            for n, step, reach in zip(
                self._shape[1:], (STEP_KN, STEP_DEG), (REACH_TWS_KN, REACH_ANGLE_DEG), strict=True
            )
        )
        self._total = self._spread(np.arange(seen.count))

    def log_share(self, rows: Ints) -> Floats:
        """Log share (k, n) of each set about the windows `rows` of one day, by all windows but these."""
        minutes = np.maximum(self._total - self._spread(rows), 0.0)[:, self._wind_of[rows], self._angle_of[rows]]
        return np.log(minutes + TRIED_MIN) - np.log((minutes + TRIED_MIN).sum(axis=0))

    def _spread(self, rows: Ints) -> Floats:
        seen, cube = self._seen, np.zeros(self._shape)
        np.add.at(cube, (self._labels[rows], self._wind_of[rows], self._angle_of[rows]), seen.minutes[rows])
        return np.einsum("ij,kjl,lm->kim", self._smooth[0], cube, self._smooth[1], optimize=True)


def _bell(n: int, step: float) -> Floats:
    at = np.arange(n) * step
    return np.exp(-0.5 * (at[:, None] - at[None, :]) ** 2)
