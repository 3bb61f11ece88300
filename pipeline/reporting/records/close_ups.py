"""A border from close by: both surfaces, their difference with its band, and the windows behind, at a few places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from pipeline.reporting.records.changes import Change
from pipeline.reporting.records.frames import window_minutes
from pipeline.reporting.records.ledger import LedgerRow

# A close-up shows this much beyond the designed and the measured crossing, along the wind and along the angle.
BEYOND = {"tws_kn": 4.0, "twa_deg": 20.0}
# The windows shown were sailed this near to what is held, as `minutes` of the surfaces counts them.
NEAR = {"tws_kn": 1.0, "twa_deg": 5.0}
MOST_DOTS = 120
# Places along a border at which it is shown: the middle of each third of its points.
PARTS = (1 / 6, 3 / 6, 5 / 6)


@dataclass(frozen=True, slots=True)
class Level:
    """Expected speed of one set with its 90 % interval, kn."""

    bsp_kn: float
    low_kn: float | None
    high_kn: float | None


@dataclass(frozen=True, slots=True)
class Node:
    """Both sets at one place `x` along the line. `difference_pct`: by how much set b is faster, with its 90 % interval
    and the chance that it is faster at all; `supported`: both sets are measured here.
    """

    x: float
    a: Level | None
    b: Level | None
    difference_pct: float | None
    low_pct: float | None
    high_pct: float | None
    chance: float | None
    supported: bool


@dataclass(frozen=True, slots=True)
class WindowDot:
    """One steady window near the line; `of_b`: sailed under set b. `bsp_kn` is moved to the line along its surface."""

    of_b: bool
    x: float
    bsp_kn: float


@dataclass(frozen=True, slots=True)
class Spot:
    """One place to look at: held value, designed and measured crossing, ends of the interval where closed; `sailed`:
    where on the line the boat was, for the evidence of a stretch.
    """

    at: float
    designed: float | None = None
    measured: float | None = None
    low: float | None = None
    high: float | None = None
    sailed: float | None = None


@dataclass(frozen=True, slots=True)
class Slice:
    """One line across a border. `windows` and `minutes`: of set a and set b near it; `days`: with either."""

    spot: Spot
    nodes: tuple[Node, ...]
    dots: tuple[WindowDot, ...]
    windows: tuple[int, int]
    minutes: tuple[float, float]
    days: int

    @property
    def thinned(self) -> bool:
        """Whether some windows are not drawn."""
        return sum(self.windows) > len(self.dots)


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A border between two sets along wind speed or angle (`along`), at up to three places."""

    set_a: str
    set_b: str
    along: str
    slices: tuple[Slice, ...]

    @property
    def unit(self) -> str:
        """Unit along the line."""
        return "kn" if self.along == "tws_kn" else "deg"


def close_up_of_row(tables: Mapping[str, pl.DataFrame], row: LedgerRow) -> CloseUp | None:
    """Of a row of the ledger: at its moved points if it has any, else at its decided or measured ones."""
    tested = [p for p in row.points if p.state != "untested" and p.at is not None and p.designed is not None]
    said = [p for p in tested if p.state == ("moved" if row.standing.startswith("moved") else "confirmed")] or tested
    spots = []
    for p in sorted(said, key=lambda p: p.at or 0.0):
        assert p.at is not None and p.designed is not None
        ends = [None if s is None or p.measured is None else p.designed + s for s in (p.shift_low, p.shift_high)]
        spots.append(Spot(p.at, p.designed, p.measured, ends[0], ends[1]))
    return close_up(tables, row.set_a, row.set_b, row.along, spots)


def close_up_of_changes(tables: Mapping[str, pl.DataFrame], rows: Sequence[Change]) -> CloseUp | None:
    """Of measured crossings of one pair along one direction, for borders that no design draws."""
    held = sorted((c for c in rows if c.at is not None and c.crossing is not None), key=lambda c: c.at or 0.0)
    if not held:
        return None
    first = held[0]
    spots = [Spot(c.at or 0.0, None, c.crossing, c.low, c.high) for c in held]
    return close_up(tables, first.set_a, first.set_b, first.along, spots)


def close_up(
    tables: Mapping[str, pl.DataFrame], set_a: str, set_b: str, along: str, spots: Sequence[Spot]
) -> CloseUp | None:
    """Slices at up to three of `spots` (sorted by `at`); None where the surfaces say nothing at any of them."""
    chosen = {min(len(spots) - 1, int(len(spots) * part)): None for part in PARTS} if spots else {}
    slices = tuple(s for k in chosen if (s := slice_at(tables, set_a, set_b, along, spots[k])) is not None)
    return CloseUp(set_a, set_b, along, slices) if slices else None


def slice_at(tables: Mapping[str, pl.DataFrame], set_a: str, set_b: str, along: str, spot: Spot) -> Slice | None:
    """Both sets along one line about `spot`; None where fewer than two of its nodes are reached by either."""
    held = "twa_deg" if along == "tws_kn" else "tws_kn"
    ends = [v for v in (spot.designed, spot.measured, spot.low, spot.high, spot.sailed) if v is not None]
    low, high = min(ends) - BEYOND[along], max(ends) + BEYOND[along]
    on_line = ((pl.col(held) - spot.at).abs() < 1e-6) & pl.col(along).is_between(low, high)
    surfaces = {name: tables["surfaces"].filter(pl.col("sail_set") == name) for name in (set_a, set_b)}
    levels = {name: _levels(surfaces[name].filter(on_line), along) for name in (set_a, set_b)}
    ahead = _differences(tables["set_differences"].filter(on_line), set_a, set_b, along)
    nodes = tuple(
        Node(x, levels[set_a].get(x), levels[set_b].get(x), *ahead.get(x, (None, None, None, None, False)))
        for x in sorted(levels[set_a].keys() | levels[set_b].keys())
    )
    if len(nodes) < 2:
        return None
    near = (
        tables["windows"]
        .with_columns(pl.col("twa_deg").abs())
        .filter(
            (pl.col(held) - spot.at).abs() <= NEAR[held],
            pl.col(along).is_between(nodes[0].x, nodes[-1].x),
            pl.col("sail_set").is_in([set_a, set_b]),
        )
        .sort("start", "sail_set")
        .with_columns(minutes=window_minutes())
    )
    thinned = near.gather_every(-(-near.height // MOST_DOTS)) if near.height > MOST_DOTS else near
    parts = [near.filter(pl.col("sail_set") == name) for name in (set_a, set_b)]
    return Slice(
        spot,
        nodes,
        tuple(d for name in (set_a, set_b) for d in _dots(thinned, surfaces[name], name, name == set_b, along, spot)),
        (parts[0].height, parts[1].height),
        (float(parts[0]["minutes"].sum() or 0.0), float(parts[1]["minutes"].sum() or 0.0)),
        near["start"].dt.date().n_unique(),
    )


def _dots(near: pl.DataFrame, surface: pl.DataFrame, name: str, of_b: bool, along: str, spot: Spot) -> list[WindowDot]:
    """Windows of one set as they would lie on the line: times the ratio of the surface there to that at the window."""
    own = near.filter(pl.col("sail_set") == name)
    if own.is_empty():
        return []
    place = own.select("tws_kn", "twa_deg").to_numpy()
    on_line = place.copy()
    on_line[:, 1 if along == "tws_kn" else 0] = spot.at
    ratio = _log_speeds(surface, on_line) - _log_speeds(surface, place)
    moved = own["bsp_kn"].to_numpy() * np.exp(np.where(np.isfinite(ratio), ratio, 0.0))
    return [WindowDot(of_b, float(x), float(v)) for x, v in zip(own[along], moved, strict=True)]


def _log_speeds(surface: pl.DataFrame, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log of the surface at (TWS, TWA), bilinear between nodes; NaN out of reach."""
    winds, angles = (np.unique(surface[c].to_numpy()) for c in ("tws_kn", "twa_deg"))
    if min(winds.size, angles.size) < 2:
        return np.full(len(places), np.nan)
    values = np.full((winds.size, angles.size), np.nan)
    at = np.searchsorted(winds, surface["tws_kn"]), np.searchsorted(angles, surface["twa_deg"])
    values[at] = surface["bsp_kn"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        return RegularGridInterpolator((winds, angles), np.log(values), bounds_error=False)(places)


def _levels(rows: pl.DataFrame, along: str) -> dict[float, Level]:
    told = rows.drop_nulls("bsp_kn").select(along, "bsp_kn", "bsp_low_kn", "bsp_high_kn").iter_rows()
    return {round(x, 4): Level(*speeds) for x, *speeds in told}


def _differences(rows: pl.DataFrame, set_a: str, set_b: str, along: str) -> dict[float, tuple]:
    """By place: how much faster b is than a, whichever way round the table holds the pair."""
    columns = (along, "set_a", "set_b", "difference_pct", "low_pct", "high_pct", "chance", "supported")
    out = {}
    for x, first, second, middle, low, high, chance, supported in rows.select(columns).iter_rows():
        if (first, second) == (set_a, set_b):
            out[round(x, 4)] = (middle, low, high, chance, supported)
        elif (first, second) == (set_b, set_a):
            out[round(x, 4)] = (_turned(middle), _turned(high), _turned(low), 1.0 - chance, supported)
    return out


def _turned(pct: float) -> float:
    """How much faster a is than b, from how much faster b is than a."""
    return 100.0 * (1.0 / (1.0 + pct / 100.0) - 1.0)
