"""How likely the speeds of the season are under changed names of some of its chunks, given all the others.

With y ~ N(X(l) m, C(l)), C = X K X' + noise + day's own way of each set + effect of each stretch, the density of the
chunks S under other labels given the rest R comes of the inverse P of C under the present labels:

    a' C_RR^-1 b = a' P b - (P a)_S' P_SS^-1 (P b)_S    (what stands at S in a and b falls out)

with the products of P and of every set's covariances made once for all labellings, so that one costs little, and wrong
names that recur can be tried together. The effect of a
stretch is Student's t: normal with precision w / sd^2, w ~ Gamma(nu/2, nu/2), by the mean-field bound, which adds
nu/2 (log w - w + 1) a stretch (Bishop 2006, Pattern Recognition and Machine Learning, sections 2.3.7 and 10.1; from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.decisions.audit_chunks import Chunks
from pipeline.surfaces.coordinates import Ints
from pipeline.surfaces.model import Problem
from pipeline.surfaces.parameters import STRETCH_FREEDOM, SURFACE_PARAMETERS, named
from pipeline.surfaces.prior import component_covariance
from pipeline.surfaces.without_day import Basis

WEIGHT_ROUNDS = 3
# A season with wrong names teaches the fit that sets' departures bend at every turn, which excuses them; so the audit
# holds them as smooth as is thought before any season is seen.
SHORTEST = {p.name: p.centre for p in SURFACE_PARAMETERS if p.name in ("set_wind_length", "set_angle_length_deg")}


@dataclass(frozen=True, slots=True)
class Told:
    """What the rest of the season says of some chunks (s): mean and covariance without their stretches' own effects."""

    at: Ints
    surprise: Floats  # (s) log speed less the mean
    cov: Floats  # (s, s)
    stretch: Ints  # (s)


def prior_covariance(problem: Problem, theta: Floats) -> Floats:
    """Covariance (p, p) of the coefficients before any window is seen."""
    values = named(theta)
    for name, shortest in SHORTEST.items():
        values[name] = max(values[name], shortest)
    out = np.diag(np.concatenate([np.zeros(problem.layout.size - len(problem.extra_sd)), problem.extra_sd**2]))
    for part in problem.layout.components:
        here = slice(part.first, part.first + part.count)
        out[here, here] = component_covariance(part, values, problem.wind_centre)[0]
    return out


class SurfacePrior:
    """What is thought of the chunks' log speeds before any is seen, under every set.

    `mean` (k, n); `own` (k, n, n): covariance of the surfaces with all chunks under set k.
    """

    def __init__(self, chunks: Chunks, basis: Basis) -> None:
        """The fit's own prior at its parameters."""
        start, noise = basis.problem.prior_mean, named(basis.posterior.theta)
        self.chunks = chunks
        self.stretch_variance, self.set_variance = noise["stretch_sd"] ** 2, noise["day_set_sd"] ** 2
        mean = np.zeros(basis.problem.layout.size) if start is None else start.at(noise)
        self.mean = np.stack([rows @ mean for rows in chunks.rows])
        self._prior = prior_covariance(basis.problem, basis.posterior.theta)
        self.own = np.stack([np.asarray(rows @ np.asarray(rows @ self._prior).T) for rows in chunks.rows])

    def between(self, at: Ints, labels: Ints) -> Floats:
        """Covariance (s, s) of the surfaces among the chunks `at` under `labels`."""
        if (labels == labels[0]).all():
            return self.own[labels[0]][np.ix_(at, at)]
        rows = self.chunks.design(labels, at)
        return np.asarray(rows @ np.asarray(rows @ self._prior).T)

    def across(self, labels: Ints) -> Floats:
        """Covariance (k, n, n) of chunk i under set k with chunk j under `labels[j]`."""
        told = np.asarray(self.chunks.design(labels) @ self._prior).T
        return np.stack([np.asarray(rows @ told) for rows in self.chunks.rows])


class SeasonUnderLabels:
    """The season's chunks under the set numbers `labels` (n)."""

    def __init__(self, surfaces: SurfacePrior, labels: Ints) -> None:
        """`surfaces`: of the chunks as the fit has them."""
        self.chunks, self.labels, self._surfaces = surfaces.chunks, labels, surfaces
        self.stretch_variance, self.set_variance = surfaces.stretch_variance, surfaces.set_variance
        chunks, every = self.chunks, np.arange(self.chunks.count)
        y = chunks.y - surfaces.mean[labels, every]
        self._stretch = _stretches(chunks, labels)
        # Covariance of chunk i under set k with all chunks as labelled here, (k, i, n), without the stretches' effects.
        self._cross = surfaces.across(labels) + chunks.noise
        for k, cross in enumerate(self._cross):
            cross += self.set_variance * self._same_set(every, np.full(chunks.count, k))
        plain = self._cross[labels, every]
        plain = 0.5 * (plain + plain.T)
        same = (self._stretch[:, None] == self._stretch[None, :]).astype(float)
        self.weight = np.ones(chunks.count)
        for left in range(WEIGHT_ROUNDS, -1, -1):
            inverse = np.linalg.inv(plain + self.stretch_variance * same / self.weight[:, None])
            if left:
                self.weight = _weights(self.weight, self.stretch_variance, same, inverse, inverse @ y)
        self._inverse, self._inverse_y = inverse, inverse @ y
        self._solved = self._cross @ inverse

    def _same_set(self, at: Ints, labels: Ints) -> np.ndarray:
        """Whether chunks `at` under `labels` share day and set with every chunk as labelled here, (s, n)."""
        day = self.chunks.day
        return (day[at][:, None] == day[None, :]) & (labels[:, None] == self.labels[None, :])

    def told(self, at: Ints, labels: Ints) -> Told:
        """The chunks `at` (ascending) under `labels`, given all others as labelled here."""
        chunks, surfaces = self.chunks, self._surfaces
        cross, solved = self._cross[labels, at].T, self._solved[labels, at].T  # (n, s)
        here = np.column_stack([solved[at], self._inverse_y[at]])
        freed = np.linalg.solve(self._inverse[np.ix_(at, at)], here)
        left = cross.T @ np.column_stack([solved, self._inverse_y]) - solved[at].T @ freed
        own = surfaces.between(at, labels)
        day = chunks.day[at]
        same_set = (day[:, None] == day[None, :]) & (labels[:, None] == labels[None, :])
        cov = own + chunks.noise[np.ix_(at, at)] + self.set_variance * same_set - left[:, :-1]
        surprise = chunks.y[at] - surfaces.mean[labels, at] - left[:, -1]
        return Told(at, surprise, 0.5 * (cov + cov.T), _stretches(chunks, labels, at))

    def log_evidence(self, told: Told, odd_sd: float = 0.0) -> float:
        """Log density of the chunks, `odd_sd` of one more effect shared by them all."""
        cov = told.cov + odd_sd**2
        same = (told.stretch[:, None] == told.stretch[None, :]).astype(float)
        weight = np.ones(len(told.at))
        share = 1.0 / same.sum(axis=1)
        best = -np.inf
        for _ in range(WEIGHT_ROUNDS):
            whole = cov + self.stretch_variance * same / weight[:, None]
            inverse = np.linalg.inv(whole)
            told_effect = inverse @ told.surprise
            bound = -0.5 * told.surprise @ told_effect - 0.5 * np.linalg.slogdet(whole)[1]
            bound += 0.5 * STRETCH_FREEDOM * float((share * (np.log(weight) - weight + 1.0)).sum())
            best = max(best, float(bound))
            weight = _weights(weight, self.stretch_variance, same, inverse, told_effect)
        return best - 0.5 * len(told.at) * np.log(2 * np.pi)


def _weights(weight: Floats, variance: Floats | float, same: Floats, inverse: Floats, told: Floats) -> Floats:
    """Weights (n) of the stretches' effects after one more round; `told`: `inverse` times what they stand off by."""
    prior = variance / weight
    spread = (same * (same @ inverse)).sum(axis=1)
    square = (prior * (same @ told)) ** 2 + np.maximum(prior - prior**2 * spread, 0.0)
    return (STRETCH_FREEDOM + 1.0) / (STRETCH_FREEDOM + square / variance)


def _stretches(chunks: Chunks, labels: Ints, at: Ints | None = None) -> Ints:
    """Number of the stretch of each chunk: those of one tack under one label."""
    stretch = chunks.stretch if at is None else chunks.stretch[at]
    return stretch * (int(labels.max()) + 2) + labels
