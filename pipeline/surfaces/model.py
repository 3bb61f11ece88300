"""The linear mixed model: log speed = surfaces + covariates + day's covariance; its posterior and marginal likelihood.

Coefficients b ~ N(m, K(theta)), observations y_d = X_d b + e_d, e_d ~ N(0, V_d(theta)) independent between days. With
A = sum X'V^-1 X and c = sum X'V^-1 (y - Xm), the posterior of b is N(m + Sc, S), S = (A + K^-1)^-1, here by way of
K = LL' and M = I + L'AL so that a nearly singular K does no harm. Gradients of the marginal likelihood are exact.
Source: Rasmussen & Williams 2006, sections 2.7 and 5.4; Henderson's mixed model equations (Robinson 1991, Statist. Sci.
6, 15-32; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, sparse

from pipeline.surfaces import parameters
from pipeline.surfaces.components import Layout
from pipeline.surfaces.coordinates import Floats, Ints
from pipeline.surfaces.day_blocks import DayBlock, Weights, covariance, gradient
from pipeline.surfaces.prior import PriorMean, component_covariance

N_SURFACE = parameters.SURFACE_COUNT


@dataclass(frozen=True, slots=True)
class DayData:
    """One day's block with the columns of the design that it touches: `x` is (n, len(columns))."""

    block: DayBlock
    columns: Ints
    x: Floats


@dataclass(frozen=True, slots=True)
class Problem:
    """Everything fixed while parameters are sought. `y`: log speed; `extra_sd`: prior of each covariate;
    `prior_mean` of the coefficients, None for 0.
    """

    layout: Layout
    days: tuple[DayData, ...]
    y: Floats
    extra_sd: Floats
    wind_centre: float
    prior_mean: PriorMean | None = None


@dataclass(frozen=True, slots=True)
class Posterior:
    """Coefficients: mean (p,), and `root` with covariance = root' root. `theta`: log parameters.

    For each window: `white_residual`, its noise, with the variance left about it, and its prior standard deviation;
    `stretch_effect`, what its stretch has of its own, with the variance left.
    """

    theta: Floats
    mean: Floats
    root: Floats
    objective: float
    gradient: Floats
    white_residual: Floats
    white_uncertainty: Floats
    white_sd: Floats
    stretch_effect: Floats
    stretch_uncertainty: Floats


def split_days(design: sparse.csr_matrix, blocks: list[DayBlock]) -> tuple[DayData, ...]:
    """Each block with the dense part of the design that it touches."""
    out = []
    for block in blocks:
        x = design[block.rows]
        columns = np.unique(x.indices).astype(np.int64)
        out.append(DayData(block, columns, x[:, columns].toarray()))
    return tuple(out)


def prior_factor(problem: Problem, theta: dict[str, float]) -> tuple[list[tuple[slice, Floats]], list[dict]]:
    """Lower Cholesky factors of the prior's blocks with their places, and the derivatives of each block."""
    factors, derivatives = [], []
    for part in problem.layout.components:
        k, d = component_covariance(part, theta, problem.wind_centre)
        factors.append((slice(part.first, part.first + part.count), np.linalg.cholesky(k)))
        derivatives.append(d)
    return factors, derivatives


def evaluate(
    problem: Problem, theta: Floats, weight: Weights, *, with_gradient: bool = True, with_root: bool = False
) -> Posterior:
    """Posterior, and minus the log of (marginal likelihood x prior of theta) with its gradient."""
    named = parameters.named(theta)
    p, n = problem.layout.size, len(problem.y)
    a = np.zeros((p, p))
    c = np.zeros(p)
    half_log, quad = 0.0, 0.0
    kept = []
    start = np.zeros(p) if problem.prior_mean is None else problem.prior_mean.at(named)
    for day in problem.days:
        rows, cols = day.block.rows, day.columns
        v, white = covariance(day.block, named, weight.of(rows))
        chol = linalg.cholesky(v, lower=True, check_finite=False)
        both = np.column_stack([day.x, problem.y[rows] - day.x @ start[cols]])
        z = linalg.solve_triangular(chol, both, lower=True, check_finite=False)
        zx, zy = z[:, :-1], z[:, -1]
        a[np.ix_(cols, cols)] += zx.T @ zx
        c[cols] += zx.T @ zy
        half_log += np.log(np.diagonal(chol)).sum()
        quad += zy @ zy
        kept.append((chol, zx, zy, white))
    factors, derivatives = prior_factor(problem, named)
    n_surface = sum(part.count for part in problem.layout.components)
    al = _times_blocks(a, factors, problem.extra_sd, n_surface)
    m = _times_blocks(al.T, factors, problem.extra_sd, n_surface)
    m[np.diag_indices_from(m)] += 1.0
    cm = linalg.cholesky(m, lower=True, check_finite=False)
    whitened_c = _times_blocks(c[None], factors, problem.extra_sd, n_surface)[0]
    z = linalg.solve_triangular(cm, whitened_c, lower=True, check_finite=False)
    whitened_mean = linalg.solve_triangular(cm, z, lower=True, trans=1, check_finite=False)
    mean = _blocks_times(whitened_mean[:, None], factors, problem.extra_sd, n_surface)[:, 0]
    m_inverse = _inverse(cm)
    half = _blocks_times(m_inverse, factors, problem.extra_sd, n_surface)
    spread = _blocks_times(half.T, factors, problem.extra_sd, n_surface)
    objective = half_log + np.log(np.diagonal(cm)).sum() + 0.5 * (quad - z @ z)
    shift = (theta - parameters.PRIOR_MEAN) / parameters.PRIOR_SD
    objective += 0.5 * shift @ shift
    grad = shift / parameters.PRIOR_SD
    residual, uncertainty, white_sd, effect, effect_left = np.zeros((5, n))
    if with_gradient:
        grad[:N_SURFACE] -= _surface_gradient(problem, named, factors, whitened_mean, m_inverse, derivatives)
    for day, (chol, zx, zy, white) in zip(problem.days, kept, strict=True):
        rows = day.block.rows
        inverse = linalg.cho_solve((chol, True), np.eye(len(rows)), check_finite=False)
        whitened = zy - zx @ mean[day.columns]
        alpha = linalg.solve_triangular(chol, whitened, lower=True, trans=1, check_finite=False)
        vx = linalg.solve_triangular(chol, zx, lower=True, trans=1, check_finite=False)
        known = vx @ spread[np.ix_(day.columns, day.columns)] @ vx.T
        residual[rows] = white * alpha
        uncertainty[rows] = np.maximum(white - white**2 * (np.diagonal(inverse) - np.diagonal(known)), 0.0)
        white_sd[rows] = np.sqrt(white * weight.window[rows])
        prior = named["stretch_sd"] ** 2 / weight.stretch[rows]
        effect[rows] = prior * (day.block.same_stretch @ alpha)
        told = ((day.block.same_stretch @ (inverse - known)) * day.block.same_stretch).sum(axis=1)
        effect_left[rows] = np.maximum(prior - prior**2 * told, 0.0)
        if with_gradient:
            h = np.outer(alpha, alpha) + known - inverse
            grad[N_SURFACE:] -= gradient(day.block, named, weight.of(rows), h)
    root = _root(cm, factors, problem.extra_sd, n_surface) if with_root else np.zeros((0, p))
    return Posterior(
        theta.copy(), mean + start, root, float(objective), grad, residual, uncertainty, white_sd, effect, effect_left
    )


def _times_blocks(a: Floats, factors: list[tuple[slice, Floats]], extra_sd: Floats, first_extra: int) -> Floats:
    """`a` times the block-diagonal factor."""
    out = np.empty_like(a)
    for place, factor in factors:
        out[:, place] = a[:, place] @ factor
    out[:, first_extra:] = a[:, first_extra:] * extra_sd
    return out


def _blocks_times(a: Floats, factors: list[tuple[slice, Floats]], extra_sd: Floats, first_extra: int) -> Floats:
    """The block-diagonal factor times `a`."""
    out = np.empty_like(a)
    for place, factor in factors:
        out[place] = factor @ a[place]
    out[first_extra:] = extra_sd[:, None] * a[first_extra:]
    return out


def _inverse(factor: Floats) -> Floats:
    """Inverse of a matrix from its lower Cholesky factor."""
    lower, info = linalg.lapack.dpotri(factor, lower=1)
    if info != 0:
        raise np.linalg.LinAlgError(f"dpotri ended with {info}")
    return np.tril(lower) + np.tril(lower, -1).T


def _root(cm: Floats, factors: list[tuple[slice, Floats]], extra_sd: Floats, first_extra: int) -> Floats:
    """C^-1 L', whose square is the posterior covariance."""
    transposed = np.zeros((len(cm), len(cm)))
    for place, factor in factors:
        transposed[place, place] = factor.T
    extra = np.arange(first_extra, len(cm))
    transposed[extra, extra] = extra_sd
    return np.asarray(linalg.solve_triangular(cm, transposed, lower=True, check_finite=False))


def _surface_gradient(
    problem: Problem,
    theta: dict[str, float],
    factors: list[tuple[slice, Floats]],
    whitened_mean: Floats,
    m_inverse: Floats,
    derivatives: list[dict],
) -> Floats:
    """Derivatives of the log marginal likelihood to the logs of the surface parameters.

    Half the trace of dK (K^-1 (bb' + S) K^-1 - K^-1), block by block in whitened coordinates; and dm K^-1 b
    where the prior mean m moves (b: the posterior mean's distance from it).
    """
    out = dict.fromkeys(parameters.NAMES[:N_SURFACE], 0.0)
    moved = {} if problem.prior_mean is None else problem.prior_mean.derivatives(theta)
    for (place, factor), d in zip(factors, derivatives, strict=True):
        g = np.outer(whitened_mean[place], whitened_mean[place]) + m_inverse[place, place]
        g[np.diag_indices_from(g)] -= 1.0
        inner = linalg.solve_triangular(factor, g, lower=True, trans=1, check_finite=False)
        outer = linalg.solve_triangular(factor, inner.T, lower=True, trans=1, check_finite=False)
        for name, dk in d.items():
            out[name] += 0.5 * float((outer * dk).sum())
        pull = linalg.solve_triangular(factor, whitened_mean[place], lower=True, trans=1, check_finite=False)
        for name, dm in moved.items():
            out[name] += float(pull @ dm[place])
    return np.array([out[name] for name in parameters.NAMES[:N_SURFACE]])
