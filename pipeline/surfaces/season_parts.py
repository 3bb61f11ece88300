"""A fit's season in parts of consecutive days, each a basis of its own: for what grows with the square of the windows.

Parameters, layout and prior are those of the whole season; each part holds its own windows alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from typing import TypeVar

import numpy as np

from pipeline.surfaces.latent_wind import LatentWind
from pipeline.surfaces.model import Posterior
from pipeline.surfaces.without_day import Basis

T = TypeVar("T")


def parts_of(basis: Basis, most_windows: int) -> Iterator[tuple[int, Basis]]:
    """The parts in order of time, each with the number of its first window.

    No part holds more than `most_windows`, days (as the fit holds them at once) being whole; where one day has more it
    is a part by itself. A season of no more is one part, the basis itself.
    """
    if basis.seen.count <= most_windows:
        yield 0, basis
        return
    first = np.unique(basis.seen.block, return_index=True)[1]
    ends = np.append(first[1:], basis.seen.count)
    begin = 0
    for k, end in enumerate(ends):
        following = ends[k + 1] if k + 1 < len(ends) else end + most_windows + 1
        if following - begin > most_windows:
            yield int(begin), _part(basis, slice(int(begin), int(end)))
            begin = end


def _part(basis: Basis, rows: slice) -> Basis:
    count = basis.seen.count
    seen = _cut(basis.seen, rows, count)
    days = tuple(
        replace(day, block=replace(day.block, rows=day.block.rows - rows.start))
        for day in basis.problem.days
        if rows.start <= day.block.rows[0] < rows.stop
    )
    return Basis(
        seen=replace(seen, block=seen.block - seen.block[0]),
        latent=LatentWind(_cut(basis.latent.wind, rows, count), _cut(basis.latent.angle, rows, count)),
        problem=replace(basis.problem, days=days, y=basis.problem.y[rows]),
        posterior=_posterior(basis.posterior, rows),
        weights=_cut(basis.weights, rows, count),
    )


def _posterior(posterior: Posterior, rows: slice) -> Posterior:
    names = ("white_residual", "white_uncertainty", "white_sd", "stretch_effect", "stretch_uncertainty")
    return replace(posterior, **{name: getattr(posterior, name)[rows] for name in names})


def _cut(whole: T, rows: slice, count: int) -> T:
    """A record whose fields of one value a window are cut to the rows (`sets` of the observations has none)."""
    values = {f.name: getattr(whole, f.name) for f in fields(whole) if f.name != "sets"}  # type: ignore[arg-type]
    cut = {n: v[rows] for n, v in values.items() if isinstance(v, tuple | np.ndarray) and len(v) == count}
    return replace(whole, **cut)  # type: ignore[type-var]
