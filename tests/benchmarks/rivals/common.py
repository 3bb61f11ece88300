"""What the compared methods share: the windows as arrays, the grid, the rule of support, and the tables of a chart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from pipeline.surfaces.observations import observe

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DEG_A_KNOT = 5.0  # a grid step of TWA for a grid step of TWS; every reach has this shape
HALF_90 = float(norm.ppf(0.95))
CLEAR_PROBABILITY = 0.95


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Usable windows in order of time: log speed (kn), wind and folded angle, tack, day, hours, number of the set."""

    y: Floats
    tws_kn: Floats
    twa_deg: Floats
    tack: Floats
    day: Ints
    hours: Floats
    set_number: Ints
    sets: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Whole knots and multiples of 5 deg that cover the windows."""

    tws_kn: Floats
    twa_deg: Floats

    @property
    def points(self) -> Floats:
        """Shape (tws x twa, 2), TWS slowest."""
        return np.column_stack([x.ravel() for x in np.meshgrid(self.tws_kn, self.twa_deg, indexing="ij")])

    @property
    def shape(self) -> tuple[int, int]:
        """Numbers of winds and of angles."""
        return len(self.tws_kn), len(self.twa_deg)


@dataclass(frozen=True, slots=True)
class Fitted:
    """Log speed and its standard deviation (sets, tws, twa), NaN where a method has none."""

    log_speed: Floats
    log_sd: Floats


@dataclass(frozen=True, slots=True)
class Rule:
    """When a method's surface counts as supported, and when its chart is followed.

    At least `least_windows` of the set within `reach_kn` (and 5 deg a knot), a 90 % half interval of at most
    `widest_pct`; the chart speaks where `least_sets` sets are supported.
    """

    reach_kn: float
    least_windows: int
    widest_pct: float = np.inf
    least_sets: int = 1


@dataclass(frozen=True, slots=True)
class Chart:
    """Surfaces with their support, and the number of the fastest supported set (-1: blank), over the grid."""

    sets: tuple[str, ...]
    grid: Grid
    log_speed: Floats
    log_sd: Floats
    supported: Bools
    best: Ints


def read_windows(windows: pl.DataFrame) -> Windows:
    """The same windows that the project's own fit uses."""
    seen = observe(windows)
    return Windows(
        seen.y,
        seen.tws_kn,
        np.abs(seen.twa_deg),
        np.sign(seen.twa_deg),
        seen.block,
        seen.hours,
        seen.set_number,
        seen.sets,
    )


def grid_over(w: Windows) -> Grid:
    """The grid of a season."""
    low, high = np.floor(w.tws_kn.min()), np.ceil(w.tws_kn.max())
    return Grid(np.arange(low, high + 0.5), np.arange(25.0, 180.1, 5.0))


@lru_cache(maxsize=16)
def windows_near(w: Windows, grid: Grid, reach_kn: float) -> Ints:
    """Windows of each set in the box about each node, shape (sets, tws, twa)."""
    near_tws = np.abs(w.tws_kn[:, None] - grid.tws_kn[None, :]) <= reach_kn
    near_twa = np.abs(w.twa_deg[:, None] - grid.twa_deg[None, :]) <= reach_kn * DEG_A_KNOT
    rows = [w.set_number == k for k in range(len(w.sets))]
    # as floats, whose product is quick and exact for counts
    counts = [near_tws[mine].T.astype(float) @ near_twa[mine].astype(float) for mine in rows]
    return np.stack(counts).astype(np.int64)


def averaged(w: Windows, minutes: float) -> Windows:
    """Windows of one set, tack and cell of 1 kn x 5 deg within so many minutes, as their means."""
    parts = [w.day, w.set_number, w.tack, np.floor(w.hours * 60.0 / minutes), np.rint(w.tws_kn), np.rint(w.twa_deg / 5)]
    _, group = np.unique(np.column_stack(parts), axis=0, return_inverse=True)
    group = group.ravel()
    count = np.bincount(group)
    mean = lambda x: np.bincount(group, x) / count  # noqa: E731
    first = np.full(len(count), len(group))
    np.minimum.at(first, group, np.arange(len(group)))
    return Windows(
        mean(w.y),
        mean(w.tws_kn),
        mean(w.twa_deg),
        w.tack[first],
        w.day[first],
        mean(w.hours),
        w.set_number[first],
        w.sets,
    )


def chart_by_rule(w: Windows, grid: Grid, fitted: Fitted, rule: Rule) -> Chart:
    """Support by density and width, and the fastest supported set."""
    supported = windows_near(w, grid, rule.reach_kn) >= rule.least_windows
    supported &= np.isfinite(fitted.log_speed)
    if np.isfinite(rule.widest_pct):
        supported &= fitted.log_sd * HALF_90 <= rule.widest_pct / 100.0
    return chart_of(w, grid, fitted, supported, rule.least_sets)


def chart_of(w: Windows, grid: Grid, fitted: Fitted, supported: Bools, least_sets: int) -> Chart:
    """The chart by expected speed among supported sets."""
    held = np.where(supported, fitted.log_speed, -np.inf)
    best = np.where(supported.sum(axis=0) >= max(least_sets, 1), held.argmax(axis=0), -1)
    return Chart(w.sets, grid, fitted.log_speed, fitted.log_sd, supported, best)


# --- tables, as tests/known_boat/score.py reads them ---


def surfaces_table(chart: Chart) -> pl.DataFrame:
    """The table `surfaces`; a method without intervals gets the value itself as both ends."""
    n, points = len(chart.sets), chart.grid.points
    half = HALF_90 * np.nan_to_num(chart.log_sd, nan=0.0)
    return pl.DataFrame(
        {
            "sail_set": np.repeat(np.array(chart.sets, dtype=object), len(points)).tolist(),
            "tws_kn": np.tile(points[:, 0], n),
            "twa_deg": np.tile(points[:, 1], n),
            "bsp_kn": np.exp(chart.log_speed).ravel(),
            "bsp_low_kn": np.exp(chart.log_speed - half).ravel(),
            "bsp_high_kn": np.exp(chart.log_speed + half).ravel(),
            "supported": chart.supported.ravel(),
        }
    )


def best_set_table(chart: Chart) -> pl.DataFrame:
    """The table `best_set`: `clear` where each other supported set is slower with probability 0.95."""
    held = np.where(chart.supported, chart.log_speed, -np.inf)
    number = np.maximum(chart.best, 0)
    take = lambda a: np.take_along_axis(a, number[None], axis=0)[0]  # noqa: E731
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = np.sqrt(take(chart.log_sd) ** 2 + chart.log_sd**2)
        sure = norm.cdf((take(held) - held) / spread) >= CLEAR_PROBABILITY
    sure |= ~chart.supported
    np.put_along_axis(sure, number[None], True, axis=0)
    clear = sure.all(axis=0) & (chart.supported.sum(axis=0) >= 2)
    blank = chart.best < 0
    points = chart.grid.points
    names = np.array([*chart.sets, None], dtype=object)
    return pl.DataFrame(
        {
            "tws_kn": points[:, 0],
            "twa_deg": points[:, 1],
            "best_set": pl.Series(names[chart.best.ravel()].tolist(), dtype=pl.String),
            "verdict": np.where(blank, "unsailed", np.where(clear, "clear", "close")).ravel().tolist(),
        }
    )
