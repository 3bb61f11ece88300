"""One day's windows, and one logged stretch of them, foretold under any labels with all the noise that they share."""

from __future__ import annotations

import numpy as np
from scipy import linalg

from pipeline.angles import Floats
from pipeline.decisions.day_predictions import DayPrediction, FittedModel, block_of
from pipeline.surfaces.coordinates import Ints
from pipeline.surfaces.day_blocks import Weights, covariance
from pipeline.surfaces.support import INTERVAL_FACTOR


class DayUnderLabels:
    """One day's windows: foretold under every set's name, with the noise that they share.

    `labels` (n): the set numbers by which the model goes.
    """

    def __init__(self, model: FittedModel, predicted: DayPrediction) -> None:
        """`predicted` must be a day of `model`."""
        self.predicted, self.rows = predicted, predicted.rows
        self.y = model.basis.problem.y[self.rows]
        self.labels = model.believed[self.rows]
        self.minutes = model.seen.minutes[self.rows]
        self.begins = 60.0 * model.seen.hours[self.rows]
        noise = model.noise
        self.set_variance, self.stretch_sd = noise["day_set_sd"] ** 2, noise["stretch_sd"]
        self._noise = {**noise, "day_set_sd": 0.0}
        self._block = block_of(model, self.rows, self.labels, model.stretch[self.rows])
        self._weight = model.basis.weights.of(self.rows)
        self.noise_cov = covariance(self._block, self._noise, self._weight)[0]
        self.base_mean = predicted.mean[self.labels, np.arange(len(self.rows))]
        self.base_cov = self._scaled(predicted.believed, self.labels, self.labels)

    def across(self, other: int) -> Floats:
        """Covariance of the windows under `other` with the windows as believed, without noise."""
        found = self.predicted.across[other]
        assert found is not None
        return self._scaled(found, np.full(len(self.rows), other), self.labels)

    def own(self, other: int) -> Floats:
        """Covariance of the windows under `other`, without noise."""
        found = self.predicted.own[other]
        assert found is not None
        return found * INTERVAL_FACTOR**2 + self.set_variance

    def _scaled(self, cov: Floats, a: Ints, b: Ints) -> Floats:
        return cov * INTERVAL_FACTOR**2 + self.set_variance * (a[:, None] == b[None, :])

    def noise_fresh(self, at: Ints) -> Floats:
        """Noise covariance among the windows `at`, their stretches not yet judged by their own speeds."""
        weight = self._weight
        stretch = weight.stretch.copy()
        stretch[at] = 1.0
        fresh = covariance(self._block, self._noise, Weights(weight.window, stretch, weight.given))[0]
        return fresh[np.ix_(at, at)]


class StretchUnderLabels:
    """One logged stretch: windows `at` of its day, all logged as the set `logged`, given the rest of the day."""

    def __init__(self, day: DayUnderLabels, at: Ints, logged: int) -> None:
        """`at`: ascending numbers of windows of `day`; `logged`: number of the set that the log names."""
        self.day, self.at, self.logged = day, at, logged
        self.y = day.y[at]
        self.rest = np.setdiff1d(np.arange(len(day.rows)), at)
        self._fresh = day.noise_fresh(at)
        self._apart = day.noise_cov[np.ix_(at, self.rest)]
        among = (day.base_cov + day.noise_cov)[np.ix_(self.rest, self.rest)]
        self._factor = linalg.cho_factor(among, lower=True, check_finite=False) if self.rest.size else None
        self._known = (day.y - day.base_mean)[self.rest]

    def reaches(self, other: int) -> np.ndarray:
        """Windows where the set's surface says anything."""
        return np.isfinite(self.day.predicted.mean[other, self.at])

    def under(self, other: int, part: np.ndarray) -> tuple[Floats, Floats]:
        """Mean (m) and covariance (m, m) of the stretch's log speeds with the windows `part` under `other`, the others
        as believed, given the rest of the day.
        """
        day, at, rest = self.day, self.at, self.rest
        mean = day.base_mean[at].copy()
        cov = day.base_cov[np.ix_(at, at)].copy()
        across = day.base_cov[np.ix_(at, rest)].copy()
        if part.any():
            whole = day.across(other)
            mean[part] = day.predicted.mean[other, at[part]]
            cov[part] = whole[np.ix_(at[part], at)]
            cov[:, part] = cov[part].T
            cov[np.ix_(part, part)] = day.own(other)[np.ix_(at[part], at[part])]
            across[part] = whole[np.ix_(at[part], rest)]
        cov += self._fresh
        if self._factor is not None:
            across += self._apart
            solved = linalg.cho_solve(self._factor, np.column_stack([across.T, self._known]), check_finite=False)
            mean += across @ solved[:, -1]
            cov -= across @ solved[:, :-1]
        return mean, 0.5 * (cov + cov.T)
