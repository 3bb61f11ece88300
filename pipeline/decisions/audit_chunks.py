"""The season in chunks for the tag audit: a few minutes of one logged set on one tack, under every set's name.

A chunk is the weighted mean of neighbouring windows. The fit's model is linear in its coefficients, so the means of its
design rows and of its noise make the same model of the chunks, small enough to be tried under many labellings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.decisions.rows_under import fitted_rows, rows_under
from pipeline.surfaces.coordinates import Ints
from pipeline.surfaces.day_blocks import Weights, covariance
from pipeline.surfaces.latent_wind import number_stretches
from pipeline.surfaces.parameters import named
from pipeline.surfaces.without_day import Basis

# Long enough to average out the noise of windows, short enough to find where a wrong name begins.
CHUNK_MINUTES = 3.0
# A season of more is cut into longer chunks: the work grows with the cube of their number.
MOST_CHUNKS = 1000
# Sails are mostly changed where the course is: chunks end there, and a wrong name may well.
TURN_DEG = 15.0


@dataclass(frozen=True, slots=True)
class Chunks:
    """n chunks in order of time, under any of k sets.

    `first`, `last`: windows; `logged` (n): number of the logged set; `unit` (n): runs of one logged set in one session;
    `stretch`, `day` (n); `y` (n): log speed; `rows[k]` (n, p): design under set k, `reached` (k, n) where that says
    anything; `noise` (n, n): covariance that does not hang on the labels; `tws_kn`, `twa_deg`, `minutes`, and `begins`,
    `ends` in minutes (n); `within` (windows): how far each window's log speed stands off its chunk's, its wind
    allowed for, and `noise_sd` (windows) its noise.
    """

    first: Ints
    last: Ints
    logged: Ints
    unit: Ints
    stretch: Ints
    day: Ints
    y: Floats
    rows: tuple[sparse.csr_matrix, ...]
    reached: np.ndarray
    noise: Floats
    tws_kn: Floats
    twa_deg: Floats
    minutes: Floats
    begins: Floats
    ends: Floats
    within: Floats
    noise_sd: Floats

    def turns(self, at: Ints) -> np.ndarray:
        """Whether the course changes before each of the chunks `at` but the first, (len(at) - 1)."""
        return _turns(self.twa_deg[at])

    @property
    def count(self) -> int:
        """Number of chunks."""
        return len(self.y)

    def design(self, labels: Ints, at: Ints | None = None) -> sparse.csr_matrix:
        """Rows of the chunks `at` (all by default), chunk i under the set `labels[i]`."""
        at = np.arange(self.count) if at is None else at
        order, parts = [], []
        for k in np.unique(labels):
            mine = np.flatnonzero(labels == k)
            order.append(mine)
            parts.append(self.rows[k][at[mine]])
        return sparse.vstack(parts).tocsr()[np.argsort(np.concatenate(order), kind="stable")]


def chunks_of(basis: Basis, boat: Boat) -> Chunks:
    """The windows of a fit in chunks, as logged."""
    seen = basis.seen
    stretch = number_stretches(seen)
    turned = np.cumsum(np.concatenate([[False], _turns(np.abs(seen.twa_deg))]))
    legs = np.unique(np.stack([stretch, turned]), axis=1, return_inverse=True)[1].ravel()
    chunk = _numbers(legs, seen.minutes)
    first = np.unique(chunk, return_index=True)[1]
    last = np.append(first[1:], seen.count) - 1
    weight = basis.weights.window
    total = np.bincount(chunk, weight)
    mean = sparse.csr_matrix((weight / total[chunk], (chunk, np.arange(seen.count))), shape=(len(first), seen.count))
    noise = np.zeros((len(first), len(first)))
    theta = {**named(basis.posterior.theta), "day_set_sd": 0.0, "stretch_sd": 0.0}
    for day in basis.problem.days:
        rows = day.block.rows
        each = Weights(weight[rows], np.ones(len(rows)), basis.weights.given[rows])
        mine = np.unique(chunk[rows])
        w = mean[mine][:, rows].toarray()
        noise[np.ix_(mine, mine)] = w @ covariance(day.block, theta, each)[0] @ w.T
    fitted = fitted_rows(basis)
    under = [rows_under(basis, boat, name, fitted) for name in seen.sets]
    cut = (np.diff(seen.set_number) != 0) | (np.diff(seen.session) != 0)
    unit = np.concatenate([[0], np.cumsum(cut)])
    begins = 60.0 * seen.hours
    left = basis.problem.y - fitted @ basis.posterior.mean
    return Chunks(
        first=first,
        last=last,
        logged=seen.set_number[first],
        unit=unit[first],
        stretch=stretch[first],
        day=seen.block[first],
        y=mean @ basis.problem.y,
        rows=tuple((mean @ rows).tocsr() for rows, _ in under),
        reached=np.stack([np.bincount(chunk, ~reached, len(first)) == 0 for _, reached in under]),
        noise=noise,
        tws_kn=mean @ seen.tws_kn,
        twa_deg=mean @ np.abs(seen.twa_deg),
        minutes=np.bincount(chunk, seen.minutes),
        begins=begins[first],
        ends=begins[last] + seen.minutes[last],
        within=left - (mean @ left)[chunk],
        noise_sd=np.hypot(basis.posterior.white_sd, theta["wander_sd"]),
    )


def _turns(twa_deg: Floats) -> np.ndarray:
    """Whether the course changes between each two that follow one another."""
    return np.abs(np.diff(twa_deg)) > TURN_DEG


def _numbers(stretch: Ints, minutes: Floats) -> Ints:
    """Number of the chunk of each window: stretches cut evenly."""
    length = max(CHUNK_MINUTES, float(minutes.sum()) / MOST_CHUNKS)
    total = np.bincount(stretch, minutes)
    pieces = np.maximum(1, np.rint(total / length)).astype(np.int64)
    done = np.cumsum(minutes) - minutes - (np.cumsum(total) - total)[stretch]
    part = np.minimum((pieces[stretch] * (done + 0.5 * minutes) / total[stretch]).astype(np.int64), pieces[stretch] - 1)
    return np.unique(stretch * (int(pieces.max()) + 1) + part, return_inverse=True)[1].astype(np.int64)
