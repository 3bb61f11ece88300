"""Boat speed per sail set over a season: one joint fit, its table of surfaces, and joint draws for the crossovers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import sparse
from scipy.interpolate import RegularGridInterpolator
from threadpoolctl import threadpool_limits

from pipeline.campaign.settings import Boat
from pipeline.intervals import HALF_90
from pipeline.surfaces import parameters, support
from pipeline.surfaces.calibration_doubt import CalibrationDoubt, log_speed_shifts
from pipeline.surfaces.components import HULL, Layout
from pipeline.surfaces.coordinates import Floats
from pipeline.surfaces.day_blocks import Weights
from pipeline.surfaces.design import Frame, frame_season
from pipeline.surfaces.estimate import estimate
from pipeline.surfaces.latent_wind import split_wind
from pipeline.surfaces.leeway_map import leeway_map
from pipeline.surfaces.model import Posterior, Problem, evaluate
from pipeline.surfaces.observations import Observations, observe
from pipeline.surfaces.prior import component_covariance
from pipeline.surfaces.without_day import Basis
from pipeline.tables import TABLES

# Weight of a window that has no say: small enough to be nothing beside its neighbours, large enough to compute with.
MUTE = 1e-6


@dataclass(frozen=True, slots=True)
class SeasonFit:
    """The fit of a season.

    `sets`, `tws_kn` (whole knots) and `twa_deg` (multiples of 5) span the grid; `log_speed` and `log_sd` (sets, tws,
    twa) are posterior mean and standard deviation of log boat speed (kn) on an ordinary day, mean of both tacks, NaN
    out of reach; `supported` says where they are more than a guess. `parameters` holds what the data chose, `weights`
    the robust weight of each usable window in order of time.
    """

    surfaces: pl.DataFrame
    sets: tuple[str, ...]
    tws_kn: Floats
    twa_deg: Floats
    log_speed: Floats
    log_sd: Floats
    supported: NDArray[np.bool_]
    minutes: Floats
    parameters: dict[str, float]
    weights: Floats
    leeway_deg: Floats
    _rows: sparse.csr_matrix | None = None
    _posterior: Posterior | None = None
    basis: Basis | None = None  # for diagnostics
    as_logged: Basis | None = None  # the same with the say of all windows, where some have none in `basis`

    def draws(self, n: int, seed: int, calibration: CalibrationDoubt | None = None) -> Floats:
        """Joint draws of boat speed in knots, shape (n, sets, tws, twa), NaN out of reach; fixed by the seed.

        With `calibration` they carry the doubt in each set's upwash and AWS factor as well.
        """
        shape = self.log_speed.shape
        out = np.full((n, *shape), np.nan)
        if self._posterior is None or self._rows is None or n == 0:
            return out
        post = self._posterior
        noise = np.random.default_rng(seed).standard_normal((n, len(post.mean)))
        coefficients = post.mean + noise @ post.root
        common = np.random.default_rng([seed, 1]).standard_normal((n, 1)) * support.LEVEL_DOUBT
        flat = np.exp(np.asarray(self._rows @ coefficients.T).T + common)
        out = flat.reshape(n, *shape)
        if calibration is not None:
            out *= np.exp(log_speed_shifts(calibration, self.sets, self.tws_kn, self.twa_deg, self.log_speed, n, seed))
        out[:, ~np.isfinite(self.log_speed)] = np.nan
        return out

    def leeway_at(self, tws_kn: Floats, twa_deg: Floats) -> Floats:
        """Leeway in degrees at a wind and angle, held at the edges of the grid; 0 where no heel was logged."""
        if self.leeway_deg.size == 0:
            return np.zeros(len(tws_kn))
        look = RegularGridInterpolator((self.tws_kn, self.twa_deg), self.leeway_deg)
        tws = np.clip(tws_kn, self.tws_kn[0], self.tws_kn[-1])
        return np.asarray(look(np.column_stack([tws, np.clip(twa_deg, self.twa_deg[0], self.twa_deg[-1])])))

    def log_speed_of(self, coefficients: Floats) -> Floats:
        """Log speed (sets, tws, twa) by other coefficients (p) of the same fit, NaN out of reach."""
        if self._rows is None:
            return self.log_speed
        shape = self.log_speed.shape
        return np.where(np.isfinite(self.log_speed), (self._rows @ coefficients).reshape(shape), np.nan)


def fit_season(windows: pl.DataFrame, boat: Boat, *, progress: Callable[[str], None] | None = None) -> SeasonFit:
    """Fit all sail sets of a season jointly.

    Takes the table `windows` (columns beyond it, `tws_trend_kn_min` among them, are used where present); windows
    tagged `unknown` or `BARE`, and those without a finite wind or speed, are passed over. Poorer windows end in
    wider intervals and less support, never in an error; without any, all is empty.
    """
    say = progress or (lambda _: None)
    seen = observe(windows)
    if seen.count == 0:
        return _empty()
    say(f"fitting {seen.count} windows of {len(seen.sets)} sail sets on {seen.block[-1] + 1} days")
    frame = frame_season(seen, boat)
    # One thread: the matrices are small, threads would only wait for each other, and the last digits, which the search
    # for the parameters magnifies, would depend on their number.
    with threadpool_limits(limits=1, user_api="blas"):
        latent = split_wind(seen)
        problem, posterior, weights = estimate(seen, frame, latent)
    fit = _report(seen, boat, frame, problem, posterior, weights)
    return replace(fit, basis=Basis(seen, latent, problem, posterior, weights))


def without_windows(fit: SeasonFit, boat: Boat, unheard: NDArray[np.bool_]) -> SeasonFit:
    """The fit at its parameters where some of its windows (n, in order of time) have no say and give no support."""
    basis = fit.basis
    if basis is None or not unheard.any():
        return fit
    weights = replace(basis.weights, window=np.where(unheard, MUTE, basis.weights.window))
    with threadpool_limits(limits=1, user_api="blas"):
        posterior = evaluate(basis.problem, basis.posterior.theta, weights, with_gradient=False, with_root=True)
    told = _report(basis.seen, boat, frame_season(basis.seen, boat), basis.problem, posterior, weights)
    return replace(told, basis=replace(basis, posterior=posterior, weights=weights), as_logged=basis)


def _empty() -> SeasonFit:
    none = np.zeros((0, 0, 0))
    return SeasonFit(
        TABLES["surfaces"].empty(),
        (),
        np.zeros(0),
        np.zeros(0),
        none,
        none,
        none.astype(bool),
        none,
        {},
        np.zeros(0),
        np.zeros((0, 0)),
    )


def _departure_rows(layout: Layout, name: str, tws_at: Floats, twa_at: Floats) -> sparse.csr_matrix:
    return layout.rows([n for n in layout.of_set[name] if n != HULL], tws_at, twa_at)


def _prior_sd(problem: Problem, theta: dict[str, float], rows: sparse.csr_matrix) -> Floats:
    variance = np.zeros(rows.shape[0])
    for part in problem.layout.components:
        here = rows[:, part.first : part.first + part.count]
        if here.nnz:
            k, _ = component_covariance(part, theta, problem.wind_centre)
            variance += np.asarray(here.multiply(here @ k).sum(axis=1)).ravel()
    return np.sqrt(variance)


def _sd(rows: sparse.csr_matrix, root: Floats) -> Floats:
    return np.linalg.norm(np.asarray(rows @ root.T), axis=1)


def _report(
    seen: Observations, boat: Boat, frame: Frame, problem: Problem, posterior: Posterior, weights: Weights
) -> SeasonFit:
    layout, (tws_at, twa_at) = frame.layout, frame.points
    angle = np.abs(seen.twa_deg)
    theta = parameters.named(posterior.theta)
    trusted = np.minimum(weights.stretch, weights.window) >= support.LEAST_TRUST
    stacks, mean, sd, reached, grounded, hopeful, minutes = [], [], [], [], [], [], []
    hull_sd = _sd(layout.rows([HULL], tws_at, twa_at), posterior.root)
    for k, name in enumerate(seen.sets):
        flown = seen.set_number == k
        mine = flown & trusted
        place = (seen.tws_kn[mine], angle[mine])
        rows = layout.rows(layout.of_set[name], tws_at, twa_at)
        filled = np.asarray(np.abs(rows).sum(axis=1)).ravel() > 0
        near = support.within_reach(*place, tws_at, twa_at) & filled
        set_sd = _sd(rows, posterior.root)
        departure = _departure_rows(layout, name, tws_at, twa_at)
        learned = support.learned(set_sd, hull_sd, _prior_sd(problem, theta, departure))
        visits = support.visits(*place, seen.hours[mine], tws_at, twa_at)
        stacks.append(rows)
        mean.append(np.where(filled, rows @ posterior.mean, np.nan))
        sd.append(np.where(filled, set_sd * support.INTERVAL_FACTOR, np.nan))
        reached.append(near)
        grounded.append(near & visits.well & (learned >= support.LEAST_LEARNED))
        leaning = np.where(visits.often, 1.0, support.ONE_DAY_DOUBT)
        hopeful.append(np.where(filled & visits.loosely, leaning, np.inf))
        minutes.append(support.minutes_near(seen.tws_kn[flown], angle[flown], seen.minutes[flown], tws_at, twa_at))
    supported = support.useful(*(np.stack(x) for x in (mean, sd, reached, grounded, hopeful)))
    given = np.stack(reached) | supported
    mean = np.where(given, np.stack(mean), np.nan)
    sd = np.where(given, np.hypot(np.stack(sd), support.LEVEL_DOUBT), np.nan)
    shape = (len(seen.sets), len(frame.tws_kn), len(frame.twa_deg))
    arrays = [np.stack(x).reshape(shape) for x in (mean, sd, supported, minutes)]
    leeway = leeway_map(seen, boat, tws_at, twa_at).reshape(shape[1:])
    table = _table(seen.sets, tws_at, twa_at, *(np.stack(x) for x in (mean, sd, supported, minutes)))
    return SeasonFit(
        table,
        seen.sets,
        frame.tws_kn,
        frame.twa_deg,
        *arrays,
        theta,
        weights.window,
        leeway,
        sparse.vstack(stacks).tocsr(),
        replace(posterior, root=posterior.root * support.INTERVAL_FACTOR),
    )


def _table(
    sets: tuple[str, ...],
    tws_at: Floats,
    twa_at: Floats,
    mean: Floats,
    sd: Floats,
    supported: NDArray[np.bool_],
    minutes: Floats,
) -> pl.DataFrame:
    sailed = np.isfinite(mean).any(axis=0)
    frames = []
    for k, name in enumerate(sets):
        half = HALF_90 * sd[k]
        frames.append(
            pl.DataFrame(
                {
                    "sail_set": [name] * int(sailed.sum()),
                    "tws_kn": tws_at[sailed],
                    "twa_deg": twa_at[sailed],
                    "bsp_kn": np.exp(mean[k])[sailed],
                    "bsp_low_kn": np.exp(mean[k] - half)[sailed],
                    "bsp_high_kn": np.exp(mean[k] + half)[sailed],
                    "minutes": minutes[k][sailed],
                    "supported": supported[k][sailed],
                },
            ).with_columns(pl.col("bsp_kn", "bsp_low_kn", "bsp_high_kn").fill_nan(None))
        )
    return TABLES["surfaces"].conform(pl.concat(frames))
