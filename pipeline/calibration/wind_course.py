"""The course of the true wind in time, as a Gaussian process: how fast it wanders is read from the season itself.

Direction (degrees) and log speed (per cent) each are a sum of Ornstein-Uhlenbeck processes of fixed time scales, from
a minute to hours, whose variances are fitted by marginal likelihood; together they imitate the falling spectrum of
wind over the sea. Each chunk of time has a strength of its own about the season's (a shifty day, a steady one).
Crews tack on headers: the shift that calls for a tack lies before it, and a process that knows how shifts last
explains it from the data before and after, so that only the rest of a step is laid at the instruments' door.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.linalg.lapack import dpotrf, dpotri, dpotrs
from scipy.optimize import minimize

from pipeline.angles import Floats
from pipeline.calibration.wind_pieces import PIECE_S

SCALES_S = (40.0, 130.0, 400.0, 1300.0, 5000.0)
# First guess of the variances, and how widely they may depart (standard deviation of the logarithm).
LOOSE = 1.6
# The level of a chunk is free: its variance, in the unit of the values, squared.
FREE_LEVEL = 1.0e4
# A chunk's strength: inverse gamma about 1, worth this many pairs of pieces.
STRENGTH_SHAPE = 6.0
MOST_CHUNKS_FITTED = 12
_MOST_STEPS = 25
NOT_POSITIVE = "covariance of the wind's course is not positive definite"
# Robustness: pieces further from their neighbours' forecast than this many standard deviations count for less.
FAR_SD = 2.5


@dataclass(frozen=True, slots=True)
class Course:
    """Variances of the process, one a time scale of `SCALES_S`, and of the pieces' own noise (for a piece of 30 s)."""

    variances: tuple[float, ...]
    noise: float

    def packed(self) -> Floats:
        """Logarithms, for the search."""
        return np.log(np.array([*self.variances, self.noise]))


@dataclass(frozen=True, slots=True)
class Series:
    """One chunk: times, pieces' lengths, values, and variance added to single pieces (0: none)."""

    time_s: Floats
    seconds: Floats
    values: Floats
    added: Floats


USUAL_DIRECTION = Course((4.0, 6.0, 10.0, 10.0, 10.0), 2.0)
USUAL_SPEED = Course((8.0, 15.0, 20.0, 20.0, 50.0), 4.0)


def covariance(course: Course, time_s: Floats, seconds: Floats, added: Floats) -> Floats:
    """Covariance of the values of one chunk, its free level included."""
    apart = np.abs(time_s[:, None] - time_s[None, :])
    out = np.full(apart.shape, FREE_LEVEL)
    for variance, scale in zip(course.variances, SCALES_S, strict=True):
        out += variance * np.exp(-apart / scale)
    out[np.diag_indices_from(out)] += course.noise * PIECE_S / np.maximum(seconds, 1.0) + added
    return out


def fit_course(chunks: Sequence[Series], usual: Course) -> Course:
    """The variances of most marginal likelihood, leaning weakly on the usual ones; at most 12 chunks are looked at."""
    chosen = _spread([c for c in chunks if len(c.time_s) >= 8])
    if not chosen:
        return usual
    bases = [_bases(c) for c in chosen]
    centre = usual.packed()

    def cost(x: Floats) -> tuple[float, Floats]:
        away = (x - centre) / LOOSE
        total, slope = 0.5 * float(away @ away), away / LOOSE
        for chunk, base in zip(chosen, bases, strict=True):
            value, by = _chunk_cost(np.exp(x), chunk, base)
            total, slope = total + value, slope + by
        return total, slope

    found = minimize(cost, centre, jac=True, method="L-BFGS-B", options={"maxiter": _MOST_STEPS, "ftol": 1e-6})
    values = np.exp(found.x)
    return Course(tuple(float(v) for v in values[:-1]), float(values[-1]))


def _spread(chunks: list[Series]) -> list[Series]:
    if len(chunks) <= MOST_CHUNKS_FITTED:
        return chunks
    at = np.unique(np.linspace(0, len(chunks) - 1, MOST_CHUNKS_FITTED).round().astype(int))
    return [chunks[i] for i in at]


def _bases(chunk: Series) -> list[Floats]:
    apart = np.abs(chunk.time_s[:, None] - chunk.time_s[None, :])
    return [np.exp(-apart / scale) for scale in SCALES_S]


def _chunk_cost(variances: Floats, chunk: Series, bases: list[Floats]) -> tuple[float, Floats]:
    """Minus log marginal likelihood of one chunk, its strength integrated out, and its slope by log variances."""
    n = len(chunk.time_s)
    white = PIECE_S / np.maximum(chunk.seconds, 1.0)
    k = np.full((n, n), FREE_LEVEL)
    for variance, base in zip(variances[:-1], bases, strict=True):
        k += variance * base
    k[np.diag_indices(n)] += variances[-1] * white + chunk.added
    factor, bad = dpotrf(k, lower=1, clean=1, overwrite_a=1)
    if bad:
        raise np.linalg.LinAlgError(NOT_POSITIVE)
    half_log_det = float(np.log(np.diag(factor)).sum())
    weighed = dpotrs(factor, chunk.values, lower=1)[0]
    lower = dpotri(factor, lower=1, overwrite_c=1)[0]  # lower triangle of the inverse, zeros above
    diagonal = np.diag(lower)
    quad = float(chunk.values @ weighed)
    shape, rate = STRENGTH_SHAPE + 0.5 * n, STRENGTH_SHAPE + 0.5 * quad
    pull = shape / rate
    # sum of the products of two symmetric matrices, the second with ones on its diagonal
    traces = [2.0 * float(np.sum(lower * b)) - float(diagonal.sum()) for b in bases]
    quads = [float(weighed @ (b @ weighed)) for b in bases]
    slope = np.array([*traces, diagonal @ white]) - pull * np.array([*quads, weighed**2 @ white])
    return half_log_det + shape * np.log(rate), 0.5 * variances * slope


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one chunk says of parameters b in values = course + design b + noise: precision and precision x estimate.

    `far`: variance to be added to single pieces that are far from what their neighbours foretell.
    """

    precision: Floats
    weighed: Floats
    far: Floats


def evidence(course: Course, chunk: Series, design: Floats, at: Floats) -> Evidence:
    """Evidence of a chunk on the parameters of `design` (pieces x parameters); its strength is judged at `at`."""
    k = covariance(course, chunk.time_s, chunk.seconds, chunk.added)
    factor, bad = dpotrf(k, lower=1, clean=1)
    if bad:
        raise np.linalg.LinAlgError(NOT_POSITIVE)
    white = solve_triangular(factor, np.column_stack((design, chunk.values)), lower=True, check_finite=False)
    x, y = white[:, :-1], white[:, -1]
    rest = y - x @ at
    strength = (STRENGTH_SHAPE + 0.5 * float(rest @ rest)) / (STRENGTH_SHAPE + 0.5 * len(y))
    inverse, _ = dpotri(factor, lower=1)
    spread = 1.0 / np.diag(inverse)
    left = spread * solve_triangular(factor, rest, lower=True, trans=1, check_finite=False)
    excess = left**2 / (spread * strength) / FAR_SD**2
    far = np.where(excess > 1.0, (excess - 1.0) * spread, 0.0)
    return Evidence(x.T @ x / strength, x.T @ y / strength, chunk.added + far)
