"""Boat speed against true wind angle for chosen wind speeds, per set, with the windows behind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import polars as pl

from pipeline.reporting.records.chart import grid_step
from pipeline.reporting.records.frames import window_minutes

# A panel shows the windows sailed within this of its wind speed, as `minutes` of the surfaces counts them.
NEAR_KN = 1.0
# Wind speeds looked at first, and how many panels stand on paper.
USUAL_TWS_STEP_KN = 4.0
PANELS = 4
# More dots than this in one panel are thinned evenly in time, and said so.
MOST_DOTS = 150


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Expected speed and its 90 % interval at one angle."""

    twa_deg: float
    bsp_kn: float
    bsp_low_kn: float | None
    bsp_high_kn: float | None


@dataclass(frozen=True, slots=True)
class SetCurve:
    """One set's supported stretches at one wind speed; stretches are parted where the data have a gap."""

    sail_set: str
    stretches: tuple[tuple[CurvePoint, ...], ...]


@dataclass(frozen=True, slots=True)
class Dot:
    """One steady window; the angle is folded to 0..180."""

    sail_set: str
    twa_deg: float
    bsp_kn: float
    tws_kn: float


@dataclass(frozen=True, slots=True)
class CurvePanel:
    """One wind speed: curves, dots, and the data behind (`windows` counts all, also those not drawn)."""

    tws_kn: float
    curves: tuple[SetCurve, ...]
    dots: tuple[Dot, ...]
    windows: int
    minutes: float
    days: int


@dataclass(frozen=True, slots=True)
class SpeedCurves:
    """Every wind speed with a supported set, and those chosen for paper."""

    panels: tuple[CurvePanel, ...]
    chosen_tws_kn: tuple[float, ...]

    @property
    def chosen(self) -> tuple[CurvePanel, ...]:
        """The panels for paper, in rising wind."""
        return tuple(p for p in self.panels if p.tws_kn in self.chosen_tws_kn)


def speed_curves(tables: Mapping[str, pl.DataFrame]) -> SpeedCurves:
    """Panels at each whole knot of the grid where at least one set is supported."""
    supported = tables["surfaces"].filter(pl.col("supported") & pl.col("bsp_kn").is_not_null())
    step = grid_step(tables["surfaces"]["twa_deg"], 5.0)
    whole = [x for x in sorted(supported["tws_kn"].unique()) if abs(x - round(x)) < 1e-6]
    panels = tuple(_panel(tws, supported, tables["windows"], step) for tws in whole)
    return SpeedCurves(panels, _choose(panels))


def _panel(tws_kn: float, supported: pl.DataFrame, windows: pl.DataFrame, step: float) -> CurvePanel:
    here = supported.filter((pl.col("tws_kn") - tws_kn).abs() < 1e-6).sort("sail_set", "twa_deg")
    near = windows.filter((pl.col("tws_kn") - tws_kn).abs() <= NEAR_KN).sort("start", "sail_set")
    thinned = near.gather_every(-(-near.height // MOST_DOTS)) if near.height > MOST_DOTS else near
    return CurvePanel(
        tws_kn=tws_kn,
        curves=tuple(
            SetCurve(str(name), _stretches(rows, step))
            for (name,), rows in here.group_by("sail_set", maintain_order=True)
        ),
        dots=tuple(
            Dot(r["sail_set"], abs(r["twa_deg"]), r["bsp_kn"], r["tws_kn"]) for r in thinned.iter_rows(named=True)
        ),
        windows=near.height,
        minutes=float(near.select(window_minutes().sum()).item() or 0.0),
        days=near["start"].dt.date().n_unique(),
    )


def _stretches(rows: pl.DataFrame, step: float) -> tuple[tuple[CurvePoint, ...], ...]:
    points = [
        CurvePoint(r["twa_deg"], r["bsp_kn"], r["bsp_low_kn"], r["bsp_high_kn"]) for r in rows.iter_rows(named=True)
    ]
    out: list[list[CurvePoint]] = [[points[0]]]
    for before, point in pairwise(points):
        if point.twa_deg - before.twa_deg > 1.5 * step:
            out.append([])
        out[-1].append(point)
    return tuple(tuple(s) for s in out)


def _choose(panels: tuple[CurvePanel, ...]) -> tuple[float, ...]:
    """The usual wind speeds with most steady minutes; the best sailed ones where none of the usual was sailed."""
    ranked = sorted(panels, key=lambda p: (-p.minutes, p.tws_kn))
    usual = [p for p in ranked if p.tws_kn % USUAL_TWS_STEP_KN == 0 and p.windows]
    return tuple(sorted(p.tws_kn for p in (usual or ranked)[:PANELS]))
