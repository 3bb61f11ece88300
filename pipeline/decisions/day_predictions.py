"""What the other days of a season say of one day's windows, under any label that they might have borne.

The fit's own linear model (`surfaces.model`) with each day left out in turn. With posterior N(m, S) of the coefficients
given all days, and a day's windows y = X b + e, e ~ N(0, V), the posterior without that day is

    m- = m + S X' H^-1 (X m - y),    S- = S + S X' H^-1 X S,    H = V - X S X'

by the matrix inversion lemma, so that no day has to be fitted anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, sparse

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.surfaces.components import names_for
from pipeline.surfaces.coordinates import Ints
from pipeline.surfaces.day_blocks import DayBlock, covariance, day_block
from pipeline.surfaces.estimate import robust_weights
from pipeline.surfaces.latent_wind import number_stretches
from pipeline.surfaces.model import evaluate, split_days
from pipeline.surfaces.observations import Observations
from pipeline.surfaces.parameters import SHARE_MEAN, named
from pipeline.surfaces.without_day import Basis

# Rounds in which the robust weights are found again after names were changed.
WEIGHT_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class FittedModel:
    """The season's linear model at its parameters.

    `basis` holds the windows as logged, the posterior and the weights; `believed` (n) are the set numbers that `design`
    (n, coefficients) and posterior go by, the logged ones until `relabelled`.
    """

    basis: Basis
    boat: Boat
    stretch: Ints
    believed: Ints
    design: sparse.csr_matrix
    covariance: Floats

    @property
    def seen(self) -> Observations:
        """The windows as logged."""
        return self.basis.seen

    @property
    def noise(self) -> dict[str, float]:
        """Parameters by name."""
        return named(self.basis.posterior.theta)


@dataclass(frozen=True, slots=True)
class DayPrediction:
    """Log speed of a day's n windows as the other days foretell it under each of k sets, without the day's own effects.

    `rows`: the windows. `mean` (k, n), NaN where a set's surface does not reach. Covariances: `believed` (n, n) of the
    windows under the names the model goes by; `across[k]` (n, n) of window i under set k with window j as believed;
    `own[k]` (n, n) of both under set k. A set that reaches none of the day's windows has None.
    """

    rows: Ints
    mean: Floats
    believed: Floats
    across: tuple[Floats | None, ...]
    own: tuple[Floats | None, ...]


def model_of(basis: Basis, boat: Boat) -> FittedModel:
    """The model of a fit, as the fit left it."""
    seen, root = basis.seen, basis.posterior.root
    design = sparse.lil_matrix((seen.count, basis.problem.layout.size))
    for day in basis.problem.days:
        design[np.ix_(day.block.rows, day.columns)] = day.x
    return FittedModel(basis, boat, number_stretches(seen), seen.set_number, design.tocsr(), root.T @ root)


def relabelled(model: FittedModel, believed: Ints) -> FittedModel:
    """The model as if the windows bore the names `believed` (set numbers), its parameters as they were.

    For the audit's own use: no surface that is reported comes from it.
    """
    seen, basis = model.seen, model.basis
    changed = np.flatnonzero(believed != model.believed)
    design = model.design.tolil()
    for number in np.unique(believed[changed]):
        rows = changed[believed[changed] == number]
        design[rows] = _rows_under(model, rows, seen.sets[number])[0]
    design = design.tocsr()
    blocks = [
        day_block(d.block.rows, seen.hours, seen.session, believed, model.stretch, seen.twa_deg)
        for d in basis.problem.days
    ]
    problem = replace(basis.problem, days=split_days(design, blocks))
    weight, theta = basis.weights, basis.posterior.theta
    for _ in range(WEIGHT_ROUNDS):
        posterior = evaluate(problem, theta, weight, with_gradient=False)
        weight = robust_weights(posterior, weight.given)
    posterior = evaluate(problem, theta, weight, with_gradient=False, with_root=True)
    return replace(
        model,
        basis=replace(basis, problem=problem, posterior=posterior, weights=weight),
        believed=believed,
        design=design,
        covariance=posterior.root.T @ posterior.root,
    )


def block_of(model: FittedModel, rows: Ints, set_number: Ints, stretch: Ints) -> DayBlock:
    """The day's block with other labels; `set_number` and `stretch` of the windows `rows`."""
    sets, stretches = model.seen.set_number.copy(), model.stretch.copy()
    sets[rows], stretches[rows] = set_number, stretch
    seen = model.seen
    return day_block(rows, seen.hours, seen.session, sets, stretches, seen.twa_deg)


def predict_days(model: FittedModel) -> Iterator[DayPrediction]:
    """One prediction a sailing day (or part of a very long one), in order of time."""
    for day in model.basis.problem.days:
        rows = day.block.rows
        yield _predict(model, rows, covariance(day.block, model.noise, model.basis.weights.of(rows))[0])


def _predict(model: FittedModel, rows: Ints, v: Floats) -> DayPrediction:
    x, m = model.design[rows], model.basis.posterior.mean
    sx = np.asarray(x @ model.covariance).T  # S X'
    told = np.asarray(x @ sx)
    h = v - told
    factor = linalg.cho_factor(0.5 * (h + h.T), lower=True, check_finite=False)
    surprise = linalg.cho_solve(factor, x @ m - model.basis.problem.y[rows], check_finite=False)
    back = linalg.cho_solve(factor, told, check_finite=False)
    sets = model.seen.sets
    mean = np.full((len(sets), len(rows)), np.nan)
    across: list[Floats | None] = [None] * len(sets)
    own: list[Floats | None] = [None] * len(sets)
    for k, name in enumerate(sets):
        z, reached = _rows_under(model, rows, name)
        if not reached.any():
            continue
        gain = np.asarray(z @ sx)
        mean[k] = np.where(reached, z @ m + gain @ surprise, np.nan)
        across[k] = gain + gain @ back
        solved = linalg.cho_solve(factor, gain.T, check_finite=False)
        own[k] = np.asarray(z @ np.asarray(z @ model.covariance).T) + gain @ solved
    return DayPrediction(rows, mean, told + told @ back, tuple(across), tuple(own))


def _rows_under(model: FittedModel, rows: Ints, name: str) -> tuple[sparse.csr_matrix, np.ndarray]:
    """Design rows of windows as if `name` had been up, and where its surface reaches."""
    seen, latent, layout = model.seen, model.basis.latent, model.basis.problem.layout
    wind = latent.wind.smooth[rows] + SHARE_MEAN * latent.wind.jump[rows]
    angle = latent.angle.smooth[rows] + SHARE_MEAN * latent.angle.jump[rows]
    first = layout.extras["tack"].start
    groups: dict[tuple[str, ...], list[int]] = {}
    for i, row in enumerate(rows):
        groups.setdefault(names_for(name, model.boat, seen.starts[row]), []).append(i)
    parts, order = [], []
    for parts_of, at in groups.items():
        known = all(any(c.name == p for c in layout.components) for p in parts_of)
        part = layout.rows_at(parts_of, wind[at], angle[at]) if known else sparse.csr_matrix((len(at), layout.size))
        parts.append(part)
        order += at
    surface = sparse.vstack(parts).tocsr()[np.argsort(order, kind="stable")]
    reached = np.asarray(np.abs(surface).sum(axis=1)).ravel() > 0
    covariates = model.design[rows][:, first:]
    return sparse.hstack([surface[:, :first], covariates]).tocsr(), reached
