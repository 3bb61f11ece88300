"""How likely the speeds of the season are under changed names of some of its chunks, given all the others.

With y ~ N(X(l) m, C(l)), C = X K X' + noise + day's own way of each set + effect of each stretch, the density of the
chunks S under other labels given the rest R comes of the inverse P of C under the present labels:

    C_RR^-1 b = (P b)_R - P_RS P_SS^-1 (P b)_S    for b zero on S

so that one labelling costs two products with P, and wrong names that recur can be tried together. The effect of a
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
        self._across = surfaces.across(labels)
        self._y = chunks.y - surfaces.mean[labels, every]
        self._stretch = _stretches(chunks, labels)
        plain = self._across[labels, every] + chunks.noise
        plain = 0.5 * (plain + plain.T) + self.set_variance * self._same_set(every, labels)
        weight = np.ones(chunks.count)
        for _ in range(WEIGHT_ROUNDS + 1):
            same = self._stretch[:, None] == self._stretch[None, :]
            self._inverse = np.linalg.inv(plain + self.stretch_variance * same / weight[:, None])
            self.weight, weight = weight, self._weights(weight, same)

    def _weights(self, weight: Floats, same: np.ndarray) -> Floats:
        prior = self.stretch_variance / weight
        told = same @ (self._inverse @ self._y)
        spread = (same * (same @ self._inverse)).sum(axis=1)
        square = (prior * told) ** 2 + np.maximum(prior - prior**2 * spread, 0.0)
        return (STRETCH_FREEDOM + 1.0) / (STRETCH_FREEDOM + square / self.stretch_variance)

    def _same_set(self, at: Ints, labels: Ints) -> np.ndarray:
        """Whether chunks `at` under `labels` share day and set with every chunk as labelled here, (s, n)."""
        day = self.chunks.day
        return (day[at][:, None] == day[None, :]) & (labels[:, None] == self.labels[None, :])

    def told(self, at: Ints, labels: Ints) -> Told:
        """The chunks `at` (ascending), given all others: some as labelled here, the rest all under one other set."""
        chunks, surfaces, inverse = self.chunks, self._surfaces, self._inverse
        across = self._across[labels, at].T + chunks.noise[:, at]  # (n, s)
        across += self.set_variance * self._same_set(at, labels).T
        seen = np.column_stack([across, self._y])
        seen[at] = 0.0
        z = inverse @ seen
        z -= inverse[:, at] @ np.linalg.solve(inverse[np.ix_(at, at)], z[at])
        left = seen[:, :-1].T @ z
        own = self._across[labels, at][:, at]
        new = labels != self.labels[at]
        if new.any():
            other = int(labels[new][0])
            own = np.where(new[:, None] & new[None, :], surfaces.own[other][np.ix_(at, at)], own)
            own = np.where(~new[:, None] & new[None, :], own.T, own)
        day = chunks.day[at]
        same_set = (day[:, None] == day[None, :]) & (labels[:, None] == labels[None, :])
        cov = own + chunks.noise[np.ix_(at, at)] + self.set_variance * same_set - left[:, :-1]
        surprise = chunks.y[at] - surfaces.mean[labels, at] - left[:, -1]
        return Told(at, surprise, 0.5 * (cov + cov.T), _stretches(chunks, labels, at))

    def log_evidence(self, told: Told, odd_sd: float = 0.0) -> float:
        """Log density of the chunks, `odd_sd` of one more effect shared by them all."""
        cov = told.cov + odd_sd**2
        same = told.stretch[:, None] == told.stretch[None, :]
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
            prior = self.stretch_variance / weight
            spread = (same * (inverse @ same)).sum(axis=0)
            square = (prior * (same @ told_effect)) ** 2 + np.maximum(prior - prior**2 * spread, 0.0)
            weight = (STRETCH_FREEDOM + 1.0) / (STRETCH_FREEDOM + square / self.stretch_variance)
        return best - 0.5 * len(told.at) * np.log(2 * np.pi)


def _stretches(chunks: Chunks, labels: Ints, at: Ints | None = None) -> Ints:
    """Number of the stretch of each chunk: those of one tack under one label."""
    stretch = chunks.stretch if at is None else chunks.stretch[at]
    return stretch * (int(labels.max()) + 2) + labels
