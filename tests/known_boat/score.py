"""Scores of a run's tables against the truth of the season they came from.

Every score is a plain number, NaN where there is nothing to judge. Sets that the boat does not have are counted, not
judged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl

from tests.known_boat.boat import Floats
from tests.known_boat.designer import CHART_TWA_DEG, CHART_TWS_KN
from tests.known_boat.truth import Truth

WRONG_BEYOND = 0.002  # of speed: a `clear` verdict is wrong when another supported set is faster by more
# A border counts as reported when its row's interval holds it, or its crossing lies so near.
NEAR = {"tws_kn": 2.0, "twa_deg": 8.0}
SLOWEST_KN, CLOSEST_DEG = 4.0, 35.0  # conditions below are calms and tacks, no courses


def read_tables(folder: Path) -> dict[str, pl.DataFrame]:
    """`OUT/tables/*.parquet` by name, times without their zone."""
    out = {}
    for path in sorted(folder.glob("*.parquet")):
        frame = pl.read_parquet(path)
        zoned = [c for c, t in frame.schema.items() if isinstance(t, pl.Datetime) and t.time_zone is not None]
        out[path.stem] = frame.with_columns(pl.col(c).dt.replace_time_zone(None) for c in zoned)
    return out


def score(tables: Mapping[str, pl.DataFrame], truth: Truth) -> dict[str, float]:
    """Everything that can be scored of the tables given."""
    out: dict[str, float] = {}
    if "segments" in tables:
        out |= score_segments(tables["segments"], truth)
    if "windows" in tables:
        out |= score_windows(tables["windows"], truth)
    if "surfaces" in tables:
        out |= score_surfaces(tables["surfaces"], truth)
        if "best_set" in tables:
            out |= score_charts(tables["surfaces"], tables["best_set"], truth)
        if "crossovers" in tables:
            out |= score_borders(tables["surfaces"], tables["crossovers"], truth)
    if "calibration" in tables:
        out |= score_calibration(tables["calibration"], truth)
    if "current" in tables:
        out |= score_current(tables["current"], truth)
    return out


# --- tagging and windows ---


def score_segments(segments: pl.DataFrame, truth: Truth) -> dict[str, float]:
    """Share of the logged time tagged with the set that was up."""
    tagged = truth.samples.select("time", "sail_set").join_asof(
        segments.sort("start").select(pl.col("start"), pl.col("end"), pl.col("sail_set").alias("tag")),
        left_on="time",
        right_on="start",
    )
    right = (pl.col("tag") == pl.col("sail_set")) & (pl.col("time") <= pl.col("end"))
    return {"minutes_tagged_right": float(tagged.select(right.fill_null(False).mean()).item())}


def score_windows(windows: pl.DataFrame, truth: Truth) -> dict[str, float]:
    """How true the windows' wind and set are: the set at mid-window, and the mean error of wind and speed."""
    if windows.height == 0:
        return {"windows": 0.0}
    middle = windows.with_columns((pl.col("start") + (pl.col("end") - pl.col("start")) / 2).alias("time")).sort("time")
    smooth = truth.samples.select(
        "time",
        pl.col("sail_set").alias("up"),
        pl.col("tws_kn").rolling_mean_by("time", "40s").alias("tws"),
        pl.col("twa_deg").abs().rolling_mean_by("time", "40s").alias("twa"),
        pl.col("bsp_kn").rolling_mean_by("time", "40s").alias("bsp"),
    ).with_columns(pl.col("time").dt.offset_by("-20s"))
    both = middle.join_asof(smooth, on="time")
    d = both.select(
        (pl.col("tws_kn") - pl.col("tws")).alias("tws"),
        (pl.col("twa_deg").abs() - pl.col("twa")).alias("twa"),
        (pl.col("bsp_kn") / pl.col("bsp") - 1.0).alias("bsp"),
        (pl.col("sail_set") == pl.col("up")).alias("right"),
    )
    return {
        "windows": float(windows.height),
        "windows_set_right": float(d["right"].mean() or 0.0),
        "windows_tws_bias_kn": _number(d["tws"].median()),
        "windows_twa_bias_deg": _number(d["twa"].median()),
        "windows_bsp_bias_pct": 100.0 * _number(d["bsp"].median()),
    }


# --- surfaces ---


def score_surfaces(surfaces: pl.DataFrame, truth: Truth) -> dict[str, float]:
    """Error and coverage on supported cells, plain and weighted by the time sailed there with that set."""
    known = surfaces.filter(pl.col("sail_set").is_in(truth.boat.set_names))
    strangers = surfaces.filter(~pl.col("sail_set").is_in(truth.boat.set_names))["sail_set"].n_unique()
    cells = _with_truth(known.filter("supported"), truth)
    if cells.height == 0:
        return {"surface_cells": 0.0, "surface_strangers": float(strangers)}
    error = (cells["bsp_kn"] / cells["true_kn"] - 1.0).to_numpy() * 100.0
    held = ((cells["bsp_low_kn"] <= cells["true_kn"]) & (cells["true_kn"] <= cells["bsp_high_kn"])).to_numpy()
    weight = _minutes_of(cells, truth)
    total = weight.sum()
    width = ((cells["bsp_high_kn"] - cells["bsp_low_kn"]) / cells["true_kn"]).to_numpy() * 100.0
    return {
        "surface_cells": float(cells.height),
        "surface_strangers": float(strangers),
        "surface_rmse_pct": float(np.sqrt((weight * error**2).sum() / total)) if total > 0 else np.nan,
        "surface_rmse_plain_pct": float(np.sqrt(np.mean(error**2))),
        "surface_bias_pct": float((weight * error).sum() / total) if total > 0 else np.nan,
        "surface_coverage": float(held.mean()),
        "surface_coverage_as_sailed": float((weight * held).sum() / total) if total > 0 else np.nan,
        "surface_width_pct": float(np.median(width)),
    }


def _with_truth(cells: pl.DataFrame, truth: Truth) -> pl.DataFrame:
    true = np.full(cells.height, np.nan)
    names = cells["sail_set"].to_numpy()
    tws, twa = cells["tws_kn"].to_numpy(), cells["twa_deg"].to_numpy()
    for name in np.unique(names):
        here = names == name
        true[here] = truth.surface(str(name), tws[here], twa[here])
    return cells.with_columns(pl.Series("true_kn", true, dtype=pl.Float64))


def _minutes_of(cells: pl.DataFrame, truth: Truth) -> Floats:
    """Minutes sailed in the 1 kn x 5 deg cell that a grid point lies in, shared among the points of that cell."""
    keys = cells.select(
        "sail_set", pl.col("tws_kn").round().alias("tws_kn"), ((pl.col("twa_deg") / 5.0).round() * 5.0).alias("twa_deg")
    )
    shared = keys.join(truth.conditions(), on=["sail_set", "tws_kn", "twa_deg"], how="left", maintain_order="left")
    points = keys.select(pl.len().over("sail_set", "tws_kn", "twa_deg")).to_series().to_numpy()
    return shared["minutes"].fill_null(0.0).to_numpy() / points


class SupportGrid:
    """Which sets the run supports where, looked up at the nearest grid point."""

    def __init__(self, surfaces: pl.DataFrame, names: tuple[str, ...]) -> None:
        self.names = names
        self.tws = np.sort(surfaces["tws_kn"].unique().to_numpy())
        self.twa = np.sort(surfaces["twa_deg"].unique().to_numpy())
        self.supported = np.zeros((len(names), self.tws.size, self.twa.size), dtype=bool)
        for k, name in enumerate(names):
            mine = surfaces.filter((pl.col("sail_set") == name) & pl.col("supported"))
            self.supported[
                k,
                np.searchsorted(self.tws, mine["tws_kn"].to_numpy()),
                np.searchsorted(self.twa, mine["twa_deg"].to_numpy()),
            ] = True

    def at(self, tws_kn: Floats, twa_deg: Floats) -> np.ndarray:
        """Shape (sets, points); False beyond the grid by more than its step."""
        if self.supported.size == 0:
            return np.zeros((len(self.names), *np.shape(tws_kn)), dtype=bool)
        i, near_i = nearest(self.tws, tws_kn)
        j, near_j = nearest(self.twa, twa_deg)
        return self.supported[:, i, j] & (near_i & near_j)


def nearest(axis: Floats, value: Floats) -> tuple[np.ndarray, np.ndarray]:
    """Index of the nearest point of a rising axis, and whether the value lies within one step of it."""
    value = np.asarray(value, float)
    if axis.size < 2:
        return np.zeros(value.shape, dtype=int), np.full(value.shape, axis.size > 0)
    i = np.clip(np.searchsorted(0.5 * (axis[:-1] + axis[1:]), value), 0, axis.size - 1)
    return i, np.abs(axis[i] - value) <= np.max(np.diff(axis))


# --- the chart ---


def score_charts(surfaces: pl.DataFrame, best_set: pl.DataFrame, truth: Truth) -> dict[str, float]:
    """Regret of the charts over the season's conditions, the share with two sets supported, and wrong `clear`s.

    Conditions are taken at the middle of their 1 kn x 5 deg cells, so that the chart is not charged for its grid.
    """
    names = truth.boat.set_names
    sailed = (
        truth.conditions()
        .group_by("tws_kn", "twa_deg")
        .agg(pl.col("minutes").sum())
        .filter((pl.col("tws_kn") >= SLOWEST_KN) & (pl.col("twa_deg") >= CLOSEST_DEG))
        .sort("tws_kn", "twa_deg")
    )
    tws, twa, weight = (sailed[c].to_numpy() for c in ("tws_kn", "twa_deg", "minutes"))
    speeds = truth.surfaces(names, tws, twa)
    grid = SupportGrid(surfaces, names)
    designed = designed_choice(truth, tws, twa)
    measured = _measured_choice(best_set, names, tws, twa)
    followed = np.where(measured >= 0, measured, designed)
    mean = lambda x: float((weight * x).sum() / weight.sum())  # noqa: E731
    point = np.arange(tws.size)
    loss = lambda choice: 100.0 * mean(1.0 - speeds[choice, point] / speeds.max(axis=0))  # noqa: E731
    of_design, of_measured = loss(designed), loss(followed)
    out = {
        "two_supported_share": mean(grid.at(tws, twa).sum(axis=0) >= 2),
        "one_supported_share": mean(grid.at(tws, twa).sum(axis=0) >= 1),
        "charted_share": mean(measured >= 0),
        "regret_designed_pct": of_design,
        "regret_measured_pct": of_measured,
        "regret_ratio": of_measured / of_design if of_design > 0 else np.nan,
    }
    return out | _wrong_clears(best_set, grid, truth)


def designed_choice(truth: Truth, tws_kn: Floats, twa_deg: Floats) -> np.ndarray:
    """Index of the set that the designed chart calls for; beyond the chart its edge holds."""
    tws = np.clip(tws_kn, CHART_TWS_KN[0], CHART_TWS_KN[-1])
    return truth.designer.speeds_at(tws, np.clip(twa_deg, CHART_TWA_DEG[0], CHART_TWA_DEG[-1])).argmax(axis=-1)


def _measured_choice(best_set: pl.DataFrame, names: tuple[str, ...], tws_kn: Floats, twa_deg: Floats) -> np.ndarray:
    """Index of the measured best set at the nearest cell of the chart, -1 where it is blank."""
    out = np.full(tws_kn.shape, -1)
    said = best_set.filter(pl.col("best_set").is_in(names) & (pl.col("verdict") != "unsailed"))
    if best_set.height == 0:
        return out
    axes = [np.sort(best_set[c].unique().to_numpy()) for c in ("tws_kn", "twa_deg")]
    chart = np.full((axes[0].size, axes[1].size), -1)
    order = {s: i for i, s in enumerate(names)}
    chart[np.searchsorted(axes[0], said["tws_kn"].to_numpy()), np.searchsorted(axes[1], said["twa_deg"].to_numpy())] = [
        order[s] for s in said["best_set"].to_list()
    ]
    i, near_i = nearest(axes[0], tws_kn)
    j, near_j = nearest(axes[1], twa_deg)
    return np.where(near_i & near_j, chart[i, j], -1)


def _wrong_clears(best_set: pl.DataFrame, grid: SupportGrid, truth: Truth) -> dict[str, float]:
    clear = best_set.filter((pl.col("verdict") == "clear") & pl.col("best_set").is_in(grid.names))
    out = {
        "clear_cells": float(clear.height),
        "clear_share": clear.height / max(best_set.filter(pl.col("verdict") != "unsailed").height, 1),
    }
    if clear.height == 0:
        return out | {"clear_wrong": np.nan}
    tws, twa = clear["tws_kn"].to_numpy(), clear["twa_deg"].to_numpy()
    speeds = np.where(grid.at(tws, twa), truth.surfaces(grid.names, tws, twa), 0.0)
    mine = np.concatenate(
        [truth.surface(s, tws[i : i + 1], twa[i : i + 1]) for i, s in enumerate(clear["best_set"].to_list())]
    )
    return out | {"clear_wrong": float(np.mean(mine < (1.0 - WRONG_BEYOND) * speeds.max(axis=0)))}


# --- borders ---


@dataclass(frozen=True)
class BorderErrors:
    """Of the border rows between known sets: `size` of the crossings' errors by `along`, whether the interval `held`
    the truth, row by row, how many were `closed` on both sides, and crossings where there is none (`phantoms`).
    """

    size: dict[str, list[float]]
    held: list[bool]
    closed: int
    phantoms: int


def border_errors(crossovers: pl.DataFrame, truth: Truth) -> BorderErrors:
    """Each reported crossing against the nearest true one of the same two sets on the same line."""
    names = truth.boat.set_names
    rows = crossovers.filter(pl.col("set_a").is_in(names) & pl.col("set_b").is_in(names))
    error: dict[str, list[float]] = {"tws_kn": [], "twa_deg": []}
    held, phantoms = [], 0

    @cache
    def crossings(a: str, b: str, mode: str, along: str, at: float | None) -> tuple[Floats, float]:
        return truth.crossings(a, b, mode, along, at)

    for row in rows.iter_rows(named=True):
        true, start = crossings(row["set_a"], row["set_b"], row["mode"], row["along"], row["at"])
        low = -np.inf if row["crossing_low"] is None else row["crossing_low"]
        high = np.inf if row["crossing_high"] is None else row["crossing_high"]
        if true.size == 0:
            # the truth lies beyond the chart, on the side where set_b would at last be faster
            held.append(bool(np.isinf(high) if start < 0 else np.isinf(low)))
            phantoms += row["crossing"] is not None
            continue
        held.append(bool(np.any((low <= true) & (true <= high))))
        if row["crossing"] is not None:
            error[row["along"]].append(float(np.min(np.abs(true - row["crossing"]))))
    closed = rows.filter(pl.col("crossing_low").is_not_null() & pl.col("crossing_high").is_not_null()).height
    return BorderErrors(error, held, closed, phantoms)


def score_borders(surfaces: pl.DataFrame, crossovers: pl.DataFrame, truth: Truth) -> dict[str, float]:
    """Error, coverage, share closed and recall of the crossings reported."""
    names = truth.boat.set_names
    rows = crossovers.filter(pl.col("set_a").is_in(names) & pl.col("set_b").is_in(names))
    of = border_errors(crossovers, truth)
    found, there = _recall(surfaces, rows, truth)
    return {
        "border_rows": float(rows.height),
        "border_error_kn": float(np.median(of.size["tws_kn"])) if of.size["tws_kn"] else np.nan,
        "border_error_deg": float(np.median(of.size["twa_deg"])) if of.size["twa_deg"] else np.nan,
        "border_coverage": float(np.mean(of.held)) if of.held else np.nan,
        "border_closed": of.closed / rows.height if rows.height else np.nan,
        "border_phantoms": float(of.phantoms),
        "border_true": float(there),
        "border_recall": found / there if there else np.nan,
    }


def supported_borders(surfaces: pl.DataFrame, truth: Truth) -> pl.DataFrame:
    """The true borders where the run supports both sets, at the point where they are equally fast."""
    names = truth.boat.set_names
    grid = SupportGrid(surfaces, names)
    order = {s: i for i, s in enumerate(names)}
    true = truth.borders()
    keep = []
    for a, b, mode, along, at, crossing in true.rows():
        if mode == "fixed-angle":
            points = [(crossing, at) if along == "tws_kn" else (at, crossing)] * 2
        else:
            points = [(crossing, _own_angle(truth, s, crossing, mode)) for s in (a, b)]
        supported = [
            bool(grid.at(np.array([w]), np.array([g]))[order[s], 0]) for s, (w, g) in zip((a, b), points, strict=True)
        ]
        keep.append(all(supported))
    return true.filter(pl.Series(keep, dtype=pl.Boolean))


def _own_angle(truth: Truth, sail_set: str, tws_kn: float, mode: str) -> float:
    angles = np.arange(28.0, 85.0, 0.5) if mode == "close-hauled" else np.arange(100.0, 180.0, 0.5)
    made_good = truth.surface(sail_set, tws_kn, angles) * np.abs(np.cos(np.radians(angles)))
    return float(angles[made_good.argmax()])


def _recall(surfaces: pl.DataFrame, rows: pl.DataFrame, truth: Truth) -> tuple[int, int]:
    true = supported_borders(surfaces, truth)
    found = 0
    said = rows.partition_by("set_a", "set_b", "mode", "along", "at", as_dict=True)
    for a, b, mode, along, at, crossing in true.rows():
        here = said.get((a, b, mode, along, at))
        if here is None:
            continue
        low, high = here["crossing_low"].fill_null(-np.inf), here["crossing_high"].fill_null(np.inf)
        near = (here["crossing"] - crossing).abs() <= NEAR[along]
        found += bool((((low <= crossing) & (crossing <= high)) | near.fill_null(False)).any())
    return found, true.height


# --- calibration and current ---


def score_calibration(calibration: pl.DataFrame, truth: Truth) -> dict[str, float]:
    """Of what is proposed for the whole boat: error by parameter, and the share of intervals that hold the truth."""
    out: dict[str, float] = {}
    held = []
    for row in calibration.filter(pl.col("proposed").is_not_null()).iter_rows(named=True):
        if row["sail_set"] is not None:
            true = (
                truth.calibration.upwash_by_set_deg.get(row["sail_set"]) if row["parameter"] == "upwash_deg" else None
            )
        elif hasattr(truth.calibration, row["parameter"]):
            step_from = truth.calibration.step_from
            begun = row["from"]
            stepped = step_from is not None and begun is not None and _day_of(begun) >= step_from
            true = truth.calibration.value(row["parameter"], stepped)
            out[f"calibration_error_{row['parameter']}"] = row["proposed"] - true
        else:
            true = None
        if true is not None and row["proposed_low"] is not None and row["proposed_high"] is not None:
            held.append(row["proposed_low"] <= true <= row["proposed_high"])
    return out | {
        "calibration_coverage": float(np.mean(held)) if held else np.nan,
        "calibration_proposals": float(len(held)),
    }


def _day_of(moment: object) -> object:
    return moment.date() if hasattr(moment, "date") else moment


def score_current(current: pl.DataFrame, truth: Truth) -> dict[str, float]:
    """Median size of the current's vector error, kn."""
    said = current.drop_nulls().sort("time").with_columns(pl.col("set_deg").radians().alias("to"))
    if said.height == 0:
        return {"current_error_kn": np.nan}
    true = truth.samples.select("time", "current_east_kn", "current_north_kn")
    both = said.join_asof(true, on="time", strategy="nearest", tolerance="5m").drop_nulls()
    east = pl.col("drift_kn") * pl.col("to").sin() - pl.col("current_east_kn")
    north = pl.col("drift_kn") * pl.col("to").cos() - pl.col("current_north_kn")
    return {"current_error_kn": _number(both.select((east**2 + north**2).sqrt().median()).item())}


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")
