"""Port against starboard beside each border: how differently the two sets go on the two tacks, and what that shifts."""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy import linalg

from pipeline.angles import Floats
from pipeline.diagnostics.borders import KEYS, BorderLine, border_lines
from pipeline.diagnostics.residuals import residuals_of
from pipeline.intervals import HALF_90
from pipeline.surfaces import parameters
from pipeline.surfaces.coordinates import angle_coordinate
from pipeline.surfaces.day_blocks import covariance
from pipeline.surfaces.season import SeasonFit
from pipeline.surfaces.support import REACH_ANGLE_DEG, REACH_TWS_KN
from pipeline.surfaces.without_day import Basis

TACKS_SCHEMA: dict[str, pl.DataType] = {
    **KEYS,
    "port_less_starboard_a_pct": pl.Float64(),
    "low_a_pct": pl.Float64(),
    "high_a_pct": pl.Float64(),
    "port_less_starboard_b_pct": pl.Float64(),
    "low_b_pct": pl.Float64(),
    "high_b_pct": pl.Float64(),
    "port_less_starboard": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "windows": pl.Int64(),
}
# On each tack at least so many windows of a set, on so many days in all.
LEAST_WINDOWS, LEAST_DAYS = 4, 2


def tack_table(fit: SeasonFit, crossovers: pl.DataFrame) -> pl.DataFrame:
    """The table `port_starboard`: for each border the speed on port less that on starboard of either set, in per cent.

    From the windows of the two sets within reach of the border, by generalised least squares on their residuals with
    the fit's own covariance of days, stretches and neighbours; intervals (90 %). `port_less_starboard`: the border on
    port tack less that on starboard, in kn or deg as its `along`: the difference of the two sets' figures over the
    growth of their speed difference at the border (first order). Blank where a set was not sailed enough on both tacks.
    """
    if fit.basis is None or crossovers.is_empty():
        return pl.DataFrame(schema=TACKS_SCHEMA)
    near = _Near(fit.basis)
    rows = [row for line in border_lines(fit, crossovers, fit.log_speed[None]) if (row := _row(near, line)) is not None]
    return pl.DataFrame(rows, schema=TACKS_SCHEMA, orient="row")


class _Near:
    """Windows about a place, with the covariance of their residuals."""

    def __init__(self, basis: Basis) -> None:
        self.seen = basis.seen
        self.residual = residuals_of(basis)
        self.angle = angle_coordinate(basis.seen.twa_deg)
        theta = parameters.named(basis.posterior.theta)
        self.days = [
            (d.block.rows, covariance(d.block, theta, basis.weights.of(d.block.rows))[0]) for d in basis.problem.days
        ]

    def windows(self, number: int, place: tuple[float, float]) -> np.ndarray:
        """Which windows (n) of a set lie within reach of a place (TWS, |TWA|)."""
        d_tws = (self.seen.tws_kn - place[0]) / REACH_TWS_KN
        d_twa = (self.angle - angle_coordinate(np.array([place[1]]))[0]) / REACH_ANGLE_DEG
        return (self.seen.set_number == number) & (d_tws**2 + d_twa**2 <= 1.0)

    def both_tacks(self, mine: np.ndarray) -> bool:
        """Whether those windows tell anything of the tacks."""
        port = self.seen.twa_deg[mine] < 0
        enough = min(port.sum(), (~port).sum()) >= LEAST_WINDOWS
        return bool(enough) and len(np.unique(self.seen.block[mine])) >= LEAST_DAYS

    def contrasts(self, groups: tuple[np.ndarray, np.ndarray]) -> tuple[Floats, Floats]:
        """Port less starboard of two groups of windows in log speed (2), and the covariance (2, 2)."""
        side = -0.5 * np.sign(self.seen.twa_deg)
        x = np.column_stack([groups[0], groups[1], groups[0] * side, groups[1] * side]).astype(float)
        used = groups[0] | groups[1]
        information, projected = np.zeros((4, 4)), np.zeros(4)
        for rows, v in self.days:
            inside = used[rows]
            if inside.any():
                here = rows[inside]
                factor = linalg.cho_factor(v[np.ix_(inside, inside)], lower=True, check_finite=False)
                solved = linalg.cho_solve(factor, np.column_stack([x[here], self.residual[here]]), check_finite=False)
                information += x[here].T @ solved[:, :4]
                projected += x[here].T @ solved[:, 4]
        doubt = linalg.inv(information)
        return (doubt @ projected)[2:], doubt[2:, 2:]


def _row(near: _Near, line: BorderLine) -> tuple[object, ...] | None:
    groups = near.windows(line.a, line.places[0]), near.windows(line.b, line.places[1])
    if not all(near.both_tacks(g) for g in groups):
        return None
    value, doubt = near.contrasts(groups)
    sd = np.sqrt(np.diagonal(doubt))
    sets = [100.0 * float(v) for k in (0, 1) for v in value[k] + HALF_90 * sd[k] * np.array([0.0, -1.0, 1.0])]
    slope = line.slope()
    between: tuple[float | None, ...] = (None, None, None)
    if slope > 0.0:
        apart, apart_sd = value[1] - value[0], np.sqrt(doubt[0, 0] + doubt[1, 1] - 2.0 * doubt[0, 1])
        between = tuple(float(-(apart - s * HALF_90 * apart_sd) / slope) for s in (0.0, -1.0, 1.0))
    return (*line.key, *sets, *between, int(groups[0].sum() + groups[1].sum()))
