"""What a fit would say without one of its days, at the parameters and robust weights of the whole season.

For one day with observations y, design X and covariance V, posterior N(b, S) of the coefficients, residual r = y - Xb
and P = V^-1 - V^-1 X S X'V^-1, the day is predicted by all the others with error e = P^-1 V^-1 r of covariance P^-1;
without it the coefficients are b - S X'V^-1 e, their covariance S + S X'V^-1 P^-1 V^-1 X S. Exact for the linear mixed
model at fixed parameters; nothing is refitted.
Source: deletion of blocks in the general linear model (Cook & Weisberg 1982, Residuals and Influence in Regression,
section 3.6, from memory), here with the prior of the coefficients included.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy import linalg

from pipeline.surfaces import parameters
from pipeline.surfaces.coordinates import Floats, Ints
from pipeline.surfaces.day_blocks import Weights, covariance
from pipeline.surfaces.latent_wind import LatentWind
from pipeline.surfaces.model import DayData, Posterior, Problem
from pipeline.surfaces.observations import DAY_BREAK_H, Observations

# Sailing without a night's pause for longer than this is a passage.
LONGEST_DAY_H = 24.0


@dataclass(frozen=True, slots=True)
class Basis:
    """What a fit rests on: its windows, their latent wind, problem, posterior (as the model has it, not widened) and
    robust weights.
    """

    seen: Observations
    latent: LatentWind
    problem: Problem
    posterior: Posterior
    weights: Weights


@dataclass(frozen=True, slots=True)
class LeftOut:
    """One sailing day seen by the others.

    `rows` (n) its windows; `error` (n) their log speed less what the other days predict; `model_covariance` (n, n) of
    that prediction's doubt in the surfaces, `day_covariance` (n, n) of the day's own effects and noise; `mean` (p) the
    coefficients without the day.
    """

    day: date
    rows: Ints
    error: Floats
    model_covariance: Floats
    day_covariance: Floats
    mean: Floats


def day_numbers(seen: Observations) -> Ints:
    """Number of the day of each window, as `day_dates` lists them."""
    return np.unique(_dates(seen), return_inverse=True)[1].astype(np.int64)


def day_dates(seen: Observations) -> tuple[date, ...]:
    """Dates (UTC) of the days: that on which sailing began after a night's pause.

    Of a passage longer than a day, each part of it that the fit holds at once belongs to the date that part begins on.
    """
    return tuple(date.fromordinal(int(d)) for d in np.unique(_dates(seen)))


def _dates(seen: Observations) -> Ints:
    """Ordinal of the date that each window belongs to."""
    if seen.count == 0:
        return np.zeros(0, dtype=np.int64)
    sailing = np.concatenate([[0], np.cumsum(np.diff(seen.hours) > DAY_BREAK_H)])
    first = np.unique(sailing, return_index=True)[1]
    last = np.append(first[1:], seen.count) - 1
    passage = (seen.hours[last] - seen.hours[first] > LONGEST_DAY_H)[sailing]
    began = np.where(passage, np.unique(seen.block, return_index=True)[1][seen.block], first[sailing])
    return np.array([d.toordinal() for d in seen.starts], dtype=np.int64)[began]


def leave_days_out(basis: Basis) -> Iterator[LeftOut]:
    """Every sailing day in turn; its blocks are left out together."""
    theta = parameters.named(basis.posterior.theta)
    day = day_numbers(basis.seen)
    for number, begins in enumerate(day_dates(basis.seen)):
        blocks = [d for d in basis.problem.days if day[d.block.rows[0]] == number]
        yield _left_out(basis, theta, blocks, begins)


def _left_out(basis: Basis, theta: dict[str, float], blocks: list[DayData], begins: date) -> LeftOut:
    root, mean = basis.posterior.root, basis.posterior.mean
    rows = np.concatenate([b.block.rows for b in blocks])
    n = len(rows)
    seen_root = np.zeros((len(root), n))  # root X': its square is the doubt X S X'
    v, inverse, solved = np.zeros((n, n)), np.zeros((n, n)), np.zeros(n)
    at = 0
    for b in blocks:
        here = slice(at, at + len(b.block.rows))
        at = here.stop
        v[here, here], _ = covariance(b.block, theta, basis.weights.of(b.block.rows))
        factor = linalg.cho_factor(v[here, here], lower=True, check_finite=False)
        inverse[here, here] = linalg.cho_solve(factor, np.eye(len(b.block.rows)), check_finite=False)
        residual = basis.problem.y[b.block.rows] - b.x @ mean[b.columns]
        solved[here] = linalg.cho_solve(factor, residual, check_finite=False)
        seen_root[:, here] = root[:, b.columns] @ b.x.T
    pulled = seen_root @ inverse
    p = inverse - pulled.T @ pulled
    factor = linalg.cho_factor(0.5 * (p + p.T), lower=True, check_finite=False)
    error = linalg.cho_solve(factor, solved, check_finite=False)
    whole = linalg.cho_solve(factor, np.eye(n), check_finite=False)
    return LeftOut(begins, rows, error, whole - v, v, mean - root.T @ (pulled @ error))
