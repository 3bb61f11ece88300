"""What a set's surface is made of: the hull's, its own departure, reefs and recuts that sets share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, time

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.campaign.sail_sets import reefs_of, sails_of
from pipeline.campaign.settings import Boat
from pipeline.surfaces.coordinates import Floats, Ints, Lattice, mode_weights, wind_coordinate

HULL = "hull"


def sails_in(sail_set: str, boat: Boat) -> tuple[str, ...]:
    """Codes of the sails of a set, mainsail included; empty where the name says nothing (`unlogged`)."""
    return sails_of(sail_set, boat) or ()


def recuts_of(sail_set: str, boat: Boat) -> tuple[tuple[str, datetime], ...]:
    """Every version of the set's sails: a label, and the moment (UTC) from which it is another sail."""
    return tuple(
        (f"recut {code} {v.start.isoformat()}", datetime.combine(v.start, time()))
        for code in sails_in(sail_set, boat)
        for v in boat.sails[code].versions
    )


@dataclass(frozen=True, slots=True)
class Component:
    """One smooth function on lattice nodes; `columns[node]` is its column in the design, -1 where it has none.

    `centre`: the wind and angle coordinate that a set is mostly sailed in.
    """

    name: str
    kind: str  # hull | set | reef | own reef | recut
    lattice: Lattice
    columns: Ints
    first: int
    count: int
    centre: tuple[float, float] = (0.0, 0.0)

    @property
    def active(self) -> Ints:
        """Node numbers that have a column, in the order of the columns."""
        return np.flatnonzero(self.columns >= 0)


@dataclass(frozen=True, slots=True)
class Layout:
    """All components, and which of them make up each set (as it is at the season's end) and each window."""

    sets: tuple[str, ...]
    components: tuple[Component, ...]
    of_set: dict[str, tuple[str, ...]]
    size: int
    extras: dict[str, slice] = field(default_factory=dict)

    def component(self, name: str) -> Component:
        """The component of that name."""
        return next(c for c in self.components if c.name == name)

    def rows(self, names: Sequence[str], tws_kn: Floats, twa_deg: Floats) -> sparse.csr_matrix:
        """Sparse rows (n, size) of the sum of the named components; a row is empty where a component lacks a node."""
        return self.rows_at(names, wind_coordinate(tws_kn), twa_deg)

    def rows_at(self, names: Sequence[str], wind: Floats, twa_deg: Floats, **derivative: int) -> sparse.csr_matrix:
        """The same at wind coordinates, or a derivative there (`d_wind`, `d_angle`)."""
        n = len(wind)
        inside = np.ones(n, dtype=bool)
        index: list[Ints] = []
        value: list[Floats] = []
        for name in names:
            part = self.component(name)
            nodes, weights = part.lattice.rows(wind, twa_deg, **derivative)
            columns = part.columns[nodes]
            inside &= np.all((columns >= 0) | (np.abs(weights) < 1e-12), axis=1)
            index.append(np.maximum(columns, part.first))
            value.append(weights)
        columns = np.hstack(index) if index else np.zeros((n, 0), dtype=np.int64)
        weights = np.hstack(value) if value else np.zeros((n, 0))
        weights = weights * inside[:, None]
        row = np.repeat(np.arange(n), columns.shape[1])
        out = sparse.csr_matrix((weights.ravel(), (row, columns.ravel())), shape=(n, self.size))
        out.eliminate_zeros()
        return out


def names_for(sail_set: str, boat: Boat, until: datetime | None) -> tuple[str, ...]:
    """Components of a set at a moment: hull, the set itself, each reef, its own way with them, recuts begun by then."""
    reefs = reefs_of(sail_set, boat)
    base = sail_set.removesuffix(f"+R{reefs}")
    names = [HULL, f"set {base}", *(f"reef {k}" for k in range(1, reefs + 1))]
    if reefs:
        names.append(f"own reef {sail_set}")
    names += [label for label, start in recuts_of(sail_set, boat) if until is not None and start <= until]
    return tuple(dict.fromkeys(names))


def kind_of(name: str) -> str:
    """Kind of a component from its name."""
    return next(k for k in ("own reef", "hull", "set", "reef", "recut") if name.startswith(k))


def lay_out(
    members: dict[str, tuple[Floats, Floats]],
    of_set: dict[str, tuple[str, ...]],
    hull: Lattice,
    departure: Lattice,
    extras: dict[str, int],
    centres: dict[str, tuple[float, float]],
) -> Layout:
    """Number the columns. `members`: for each component the points (TWS, TWA) that it must be able to evaluate;
    `centres`: where the sets among them are mostly sailed.
    """
    parts: list[Component] = []
    at = 0
    for name in sorted(members, key=lambda m: (m != HULL, m)):
        lattice = hull if name == HULL else departure
        tws_kn, twa_deg = members[name]
        nodes, weights = lattice.rows(wind_coordinate(tws_kn), twa_deg)
        active = np.unique(nodes[np.abs(weights) >= 1e-12])
        columns = np.full(lattice.size, -1, dtype=np.int64)
        columns[active] = at + np.arange(len(active))
        centre = centres.get(name, (0.0, 0.0))
        parts.append(Component(name, kind_of(name), lattice, columns, at, len(active), centre))
        at += len(active)
    slices: dict[str, slice] = {}
    for name, count in extras.items():
        slices[name] = slice(at, at + count)
        at += count
    return Layout(tuple(of_set), tuple(parts), of_set, at, slices)


def tack_rows(twa_deg: Floats) -> NDArray[np.float64]:
    """Covariates (n, 3) of the season's tack effect by mode: +1 on starboard, -1 on port, so that its mean is 0."""
    return np.sign(twa_deg)[:, None] * mode_weights(twa_deg)
