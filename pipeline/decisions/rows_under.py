"""Rows of a fit's design as if one set had been up in every window."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from pipeline.campaign.settings import Boat
from pipeline.surfaces.components import names_for
from pipeline.surfaces.parameters import SHARE_MEAN
from pipeline.surfaces.without_day import Basis


def rows_under(basis: Basis, boat: Boat, name: str, fitted: sparse.csr_matrix) -> tuple[sparse.csr_matrix, np.ndarray]:
    """Design rows (n, p) of all windows as if the set `name` had been up, and where (n) its surface reaches.

    The wind is the one that the fit believes in on average; the covariates are those of `fitted`, as of `fitted_rows`.
    """
    seen, latent, layout = basis.seen, basis.latent, basis.problem.layout
    wind = latent.wind.smooth + SHARE_MEAN * latent.wind.jump
    angle = latent.angle.smooth + SHARE_MEAN * latent.angle.jump
    groups: dict[tuple[str, ...], list[int]] = {}
    for i, start in enumerate(seen.starts):
        groups.setdefault(names_for(name, boat, start), []).append(i)
    parts, order = [], []
    for parts_of, at in groups.items():
        known = all(any(c.name == p for c in layout.components) for p in parts_of)
        part = layout.rows_at(parts_of, wind[at], angle[at]) if known else sparse.csr_matrix((len(at), layout.size))
        parts.append(part)
        order += at
    surface = sparse.vstack(parts).tocsr()[np.argsort(order, kind="stable")]
    reached = np.asarray(np.abs(surface).sum(axis=1)).ravel() > 0
    first = layout.extras["tack"].start
    return sparse.hstack([surface[:, :first], fitted[:, first:]]).tocsr(), reached


def fitted_rows(basis: Basis) -> sparse.csr_matrix:
    """Design rows (n, p) of all windows as they were fitted."""
    rows, columns, values = [], [], []
    for day in basis.problem.days:
        i, j = np.nonzero(day.x)
        rows.append(day.block.rows[i])
        columns.append(day.columns[j])
        values.append(day.x[i, j])
    place = np.concatenate(rows), np.concatenate(columns)
    return sparse.csr_matrix((np.concatenate(values), place), shape=(basis.seen.count, basis.problem.layout.size))
