"""The design of the fit: which coefficients each window sees, at which wind, with which covariates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from pipeline.campaign.settings import Boat
from pipeline.surfaces import parameters, support
from pipeline.surfaces.components import Layout, lay_out, names_for, tack_rows
from pipeline.surfaces.coordinates import Axis, Floats, Ints, Lattice, angle_coordinate, wind_coordinate
from pipeline.surfaces.latent_wind import LatentWind
from pipeline.surfaces.observations import Observations

# Spacing of the spline nodes in sqrt(kn) and degrees of the angle coordinate, below the length scales that seasons have
# shown, so that the spline is a faithful stand-in for the process.
HULL_STEP = (0.45, 11.0)
DEPARTURE_STEP = (0.55, 15.0)
GRID_TWS_KN = 1.0
# To either side of a window's wind, where the curvature of its surface is taken.
GUST_STEP_KN = 0.5
GRID_TWA_DEG = 5.0


@dataclass(frozen=True, slots=True)
class Covariate:
    """Columns beyond the surfaces: name, prior standard deviation of each."""

    name: str
    sd: tuple[float, ...]


COVARIATES = (
    Covariate("tack", (parameters.TACK_SD,) * 3),
    Covariate("trend", (parameters.TREND_SD,)),
    Covariate("wind share", (parameters.SHARE_SD,)),
    Covariate("angle share", (parameters.SHARE_SD,)),
)
EXTRA_SD: Floats = np.array([s for c in COVARIATES for s in c.sd])


@dataclass(frozen=True, slots=True)
class Frame:
    """The output grid, the layout of coefficients, and the windows grouped by what makes up their set."""

    tws_kn: Floats
    twa_deg: Floats
    layout: Layout
    groups: tuple[tuple[tuple[str, ...], Ints], ...]

    @property
    def points(self) -> tuple[Floats, Floats]:
        """TWS and TWA of every grid node, wind-major."""
        tws, twa = np.meshgrid(self.tws_kn, self.twa_deg, indexing="ij")
        return tws.ravel(), twa.ravel()


def frame_season(seen: Observations, boat: Boat) -> Frame:
    """Grid and layout for the windows of a season (at least one)."""
    tws_grid, twa_grid = _grid(seen)
    tws_at, twa_at = (x.ravel() for x in np.meshgrid(tws_grid, twa_grid, indexing="ij"))
    angle = np.abs(seen.twa_deg)
    points: dict[str, list[tuple[Floats, Floats]]] = {}
    of_set: dict[str, tuple[str, ...]] = {}
    for k, name in enumerate(seen.sets):
        mine = seen.set_number == k
        near = support.within_reach(seen.tws_kn[mine], angle[mine], tws_at, twa_at, support.LEADING_REACH)
        tws = np.concatenate([tws_at[near], seen.tws_kn[mine]])
        twa = np.concatenate([twa_at[near], angle[mine]])
        of_set[name] = names_for(name, boat, seen.starts[-1])
        for part in of_set[name]:
            points.setdefault(part, []).append((tws, twa))
    members = {p: (np.concatenate([t for t, _ in v]), np.concatenate([a for _, a in v])) for p, v in points.items()}
    extras = {c.name: len(c.sd) for c in COVARIATES}
    layout = lay_out(members, of_set, *_lattices(tws_grid, twa_grid), extras, _centres(seen, of_set))
    made = [names_for(seen.sets[k], boat, t) for k, t in zip(seen.set_number, seen.starts, strict=True)]
    groups: dict[tuple[str, ...], list[int]] = {}
    for i, names in enumerate(made):
        groups.setdefault(names, []).append(i)
    return Frame(tws_grid, twa_grid, layout, tuple((g, np.array(groups[g])) for g in sorted(groups)))


def _centres(seen: Observations, of_set: dict[str, tuple[str, ...]]) -> dict[str, tuple[float, float]]:
    """Median wind and angle coordinate of each set's windows, those with reefs included."""
    own = np.array([next(n for n in of_set[s] if n.startswith("set ")) for s in seen.sets])[seen.set_number]
    wind, angle = wind_coordinate(seen.tws_kn), angle_coordinate(seen.twa_deg)
    return {str(n): (float(np.median(wind[own == n])), float(np.median(angle[own == n]))) for n in np.unique(own)}


def _grid(seen: Observations) -> tuple[Floats, Floats]:
    """Whole knots and multiples of 5 deg over the range of the data, one step beyond; stray windows left out."""
    low, high = np.quantile(seen.tws_kn, [0.002, 0.998])
    tws = np.arange(max(1.0, np.floor(low) - 1.0), np.ceil(high) + 1.5, GRID_TWS_KN)
    low, high = np.quantile(np.abs(seen.twa_deg), [0.002, 0.998])
    first = max(0.0, np.floor(low / GRID_TWA_DEG - 1.0) * GRID_TWA_DEG)
    last = min(180.0, np.ceil(high / GRID_TWA_DEG + 1.0) * GRID_TWA_DEG)
    return tws, np.arange(first, last + 0.5 * GRID_TWA_DEG, GRID_TWA_DEG)


def _lattices(tws: Floats, twa: Floats) -> tuple[Lattice, Lattice]:
    low, high = wind_coordinate(tws[[0, -1]])
    angle = angle_coordinate(twa[[0, -1]])
    hull, departure = (
        Lattice(Axis.over(low, high, step[0]), Axis.over(angle[0], angle[-1], step[1]))
        for step in (HULL_STEP, DEPARTURE_STEP)
    )
    return hull, departure


def surface_rows(frame: Frame, wind: Floats, angle: Floats, **derivative: int) -> sparse.csr_matrix:
    """Rows (n, size) of each window's own surface at a wind coordinate and |TWA|, or of a derivative of it."""
    parts = [frame.layout.rows_at(names, wind[rows], angle[rows], **derivative) for names, rows in frame.groups]
    order = np.argsort(np.concatenate([rows for _, rows in frame.groups]), kind="stable")
    return sparse.vstack(parts).tocsr()[order]


def gust_loss(frame: Frame, seen: Observations, latent: LatentWind, coefficients: Floats) -> Floats:
    """Log of mean speed in each window's varying wind over the speed at its mean wind, by the surfaces of a round.

    Second order: half the relative curvature of the speed times the variance, from winds a little to either side; 0
    where the surfaces do not reach these.
    """
    tws, angle = np.maximum(latent.wind.smooth, 0.0) ** 2, np.abs(seen.twa_deg)
    rows = [surface_rows(frame, wind_coordinate(tws + side), angle) for side in (0.0, -GUST_STEP_KN, GUST_STEP_KN)]
    middle, low, high = (r @ coefficients for r in rows)
    inside = (tws - GUST_STEP_KN >= frame.tws_kn[0]) & (tws + GUST_STEP_KN <= frame.tws_kn[-1])
    for r in rows:
        inside &= np.diff(r.indptr) > 0
    loss = (np.logaddexp(low, high) - np.log(2.0) - middle) * (seen.tws_sd_kn / GUST_STEP_KN) ** 2
    return np.where(inside, loss, 0.0)


def design_rows(
    frame: Frame, seen: Observations, latent: LatentWind, coefficients: Floats | None
) -> tuple[sparse.csr_matrix, Floats]:
    """The design, and the variance of log speed that doubt in the wind gives each window.

    With `coefficients` of an earlier round the slopes of the surfaces are known: the windows are then placed half-way
    between smooth and measured wind, and two covariates say how much of the jump was felt. Without, they stand at the
    smooth wind.
    """
    n = seen.count
    share = 0.0 if coefficients is None else parameters.SHARE_MEAN
    wind = latent.wind.smooth + share * latent.wind.jump
    angle = latent.angle.smooth + share * latent.angle.jump
    rows = surface_rows(frame, wind, angle)
    felt = np.zeros((n, 2))
    given = np.zeros(n)
    if coefficients is not None:
        slope_wind = surface_rows(frame, wind, angle, d_wind=1) @ coefficients
        slope_angle = surface_rows(frame, wind, angle, d_angle=1) @ coefficients
        felt = np.column_stack([slope_wind * latent.wind.jump, slope_angle * latent.angle.jump])
        at = frame.layout.extras["wind share"].start
        noise = np.clip(1.0 - parameters.SHARE_MEAN - coefficients[at : at + 2], 0.0, 1.0)
        given = noise[0] * slope_wind**2 * latent.wind.variance + noise[1] * slope_angle**2 * latent.angle.variance
    covariates = np.column_stack([tack_rows(seen.twa_deg), seen.trend_kn_min, felt])
    first = frame.layout.extras["tack"].start
    return sparse.hstack([rows[:, :first], sparse.csr_matrix(covariates)]).tocsr(), given
