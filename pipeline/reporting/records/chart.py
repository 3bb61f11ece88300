"""The measured chart: which set is fastest where, how surely, and where the designer put the borders."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl
from scipy import ndimage

from pipeline.campaign.settings import Boat
from pipeline.reporting.records.frames import window_minutes
from pipeline.reporting.records.limits import SetLimit, limits_of_sets

State = Literal["clear", "close", "alone"]

# How far beyond the sailed winds the designed chart is still shown, knots, and the margin where nothing is designed.
DESIGN_MARGIN_KN = 6.0
EMPTY_MARGIN_KN = 2.0
# An area is labelled where a label fits: this many grid cells from its edge at least, the deepest cell counting 1.
LABEL_DEPTH_CELLS = 2.0


@dataclass(frozen=True, slots=True)
class Cell:
    """One grid cell with a fastest set. `state` is "alone" where no other set is supported there.

    `measured` names all sets supported there, by name.
    """

    tws_kn: float
    twa_deg: float
    sail_set: str
    state: State
    probability: float | None
    margin_pct: float | None
    runner_up: str | None
    over_limit: bool
    measured: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AreaLabel:
    """Where the name of a connected area stands; `depth_cells` is how far that is from the area's edge."""

    sail_set: str
    tws_kn: float
    twa_deg: float
    cells: int
    depth_cells: int


@dataclass(frozen=True, slots=True)
class DesignedRing:
    """One ring of a set's designed area: its vertices, TWS in knots and TWA in degrees, not repeated at the end."""

    sail_set: str
    vertices: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class MeasuredChart:
    """All that the chart shows. `limits`: those exceeded somewhere; `limited`: any set has one. `tws_range` and
    `twa_range` are the limits of its axes.
    """

    cells: tuple[Cell, ...]
    tws_step_kn: float
    twa_step_deg: float
    labels: tuple[AreaLabel, ...]
    designed: tuple[DesignedRing, ...]
    limits: tuple[SetLimit, ...]
    limited: bool
    tws_range: tuple[float, float]
    twa_range: tuple[float, float]
    windows: int
    minutes: float
    days: int

    @property
    def sets(self) -> tuple[str, ...]:
        """Sets that are fastest somewhere, by the number of their cells, most first."""
        names = [c.sail_set for c in self.cells]
        return tuple(sorted(set(names), key=lambda n: (-names.count(n), n)))

    def share(self, state: State) -> float | None:
        """Share of the sailed cells in that state; None where nothing was sailed."""
        return sum(c.state == state for c in self.cells) / len(self.cells) if self.cells else None


def measured_chart(tables: Mapping[str, pl.DataFrame], boat: Boat, designed: pl.DataFrame | None) -> MeasuredChart:
    """The chart of `best_set`, with the designed rings and the makers' wind limits.

    A cell is over a limit where `limit_cells` says so of its fastest set.
    """
    best = tables["best_set"]
    windows = tables["windows"]
    limits = limits_of_sets(boat, sorted(set(best["best_set"].drop_nulls())))
    cells = _cells(best, tables["surfaces"], tables["limit_cells"])
    tws_step, twa_step = grid_step(best["tws_kn"], 1.0), grid_step(best["twa_deg"], 5.0)
    rings = designed_rings(designed)
    return MeasuredChart(
        cells=cells,
        tws_step_kn=tws_step,
        twa_step_deg=twa_step,
        labels=_labels(cells, tws_step, twa_step),
        designed=rings,
        limited=bool(limits),
        limits=tuple(x for x in limits if any(c.over_limit and c.sail_set == x.sail_set for c in cells)),
        tws_range=_tws_range(cells, rings, tws_step),
        twa_range=_twa_range(cells, rings, twa_step),
        windows=windows.height,
        minutes=float(windows.select(window_minutes().sum()).item() or 0.0),
        days=windows["start"].dt.date().n_unique(),
    )


def grid_step(values: pl.Series, otherwise: float) -> float:
    """Smallest distance between neighbouring grid values."""
    steps = np.diff(np.sort(values.unique().to_numpy()))
    steps = steps[steps > 1e-9]
    return float(steps.min()) if steps.size else otherwise


def designed_rings(designed: pl.DataFrame | None) -> tuple[DesignedRing, ...]:
    """Rings of the designed areas in the order of the file; an empty tuple without a design."""
    if designed is None:
        return ()
    rings = []
    for (name, _), part in designed.group_by(["sail_set", "part"], maintain_order=True):
        points = tuple(zip(part["tws_kn"].to_list(), part["twa_deg"].to_list(), strict=True))
        if len(points) > 1 and points[0] == points[-1]:
            points = points[:-1]
        rings.append(DesignedRing(str(name), points))
    return tuple(rings)


def _cells(best: pl.DataFrame, surfaces: pl.DataFrame, beyond: pl.DataFrame) -> tuple[Cell, ...]:
    over = {(name, round(w, 4), round(a, 4)) for name, w, a in beyond.select("sail_set", "tws_kn", "twa_deg").rows()}
    sailed = best.filter((pl.col("verdict") != "unsailed") & pl.col("best_set").is_not_null())
    measured = (
        surfaces.filter("supported").group_by("tws_kn", "twa_deg").agg(pl.col("sail_set").sort().alias("measured"))
    )
    joined = sailed.join(measured, on=["tws_kn", "twa_deg"], how="left").sort("twa_deg", "tws_kn")
    out = []
    for row in joined.iter_rows(named=True):
        out.append(
            Cell(
                tws_kn=row["tws_kn"],
                twa_deg=row["twa_deg"],
                sail_set=row["best_set"],
                state=state_of(row["verdict"], row["runner_up"], row["probability"]),
                probability=row["probability"],
                margin_pct=row["margin_pct"],
                runner_up=row["runner_up"],
                over_limit=(row["best_set"], round(row["tws_kn"], 4), round(row["twa_deg"], 4)) in over,
                measured=tuple(row["measured"] or ()),
            )
        )
    return tuple(out)


def state_of(verdict: str, runner_up: str | None, probability: float | None) -> State:
    """How sure the fastest set of a sailed cell is; "alone" where there is nothing to compare it with."""
    if verdict == "clear":
        return "clear"
    return "alone" if runner_up is None and probability is None else "close"


def _labels(cells: tuple[Cell, ...], tws_step: float, twa_step: float) -> tuple[AreaLabel, ...]:
    """One label for the largest area of each set and for others deep enough, at the cell farthest from the edge."""
    if not cells:
        return ()
    tws0 = min(c.tws_kn for c in cells)
    twa0 = min(c.twa_deg for c in cells)
    at = {(round((c.twa_deg - twa0) / twa_step), round((c.tws_kn - tws0) / tws_step)): c for c in cells}
    rows, columns = 1 + max(k[0] for k in at), 1 + max(k[1] for k in at)
    labels: list[AreaLabel] = []
    for name in sorted({c.sail_set for c in cells}):
        mask = np.zeros((rows + 2, columns + 2), dtype=bool)
        for (i, j), c in at.items():
            mask[i + 1, j + 1] = c.sail_set == name
        parts, number = ndimage.label(mask)
        found: list[AreaLabel] = []
        for part in range(1, number + 1):
            depth = ndimage.distance_transform_cdt(parts == part, metric="chessboard")
            deepest = depth.max()
            spots = np.argwhere(depth == deepest)
            i, j = spots[np.argmin(np.abs(spots - spots.mean(axis=0)).sum(axis=1))]
            where = tws0 + (int(j) - 1) * tws_step, twa0 + (int(i) - 1) * twa_step
            found.append(AreaLabel(name, *where, int((parts == part).sum()), int(deepest)))
        largest = max(found, key=lambda a: (a.cells, -a.tws_kn, -a.twa_deg))
        labels += [a for a in found if a is largest or a.depth_cells >= LABEL_DEPTH_CELLS]
    return tuple(labels)


def _tws_range(cells: tuple[Cell, ...], rings: tuple[DesignedRing, ...], step: float) -> tuple[float, float]:
    designed = [v[0] for r in rings for v in r.vertices]
    if not cells:
        return (math.floor(min(designed)), math.ceil(max(designed))) if designed else (0.0, 30.0)
    low = min(c.tws_kn for c in cells) - step / 2
    high = max(c.tws_kn for c in cells) + step / 2
    left = max(min([*designed, low - EMPTY_MARGIN_KN]), low - DESIGN_MARGIN_KN, 0.0)
    right = min(max([*designed, high + EMPTY_MARGIN_KN]), high + DESIGN_MARGIN_KN)
    return math.floor(left), math.ceil(right)


def _twa_range(cells: tuple[Cell, ...], rings: tuple[DesignedRing, ...], step: float) -> tuple[float, float]:
    angles = [v[1] for r in rings for v in r.vertices] + [c.twa_deg - step / 2 for c in cells]
    low = 10.0 * math.floor(min(angles) / 10.0) if angles else 20.0
    return max(0.0, low), 180.0
