"""Judging a chart: all figures of tests/known_boat/score.py, crossings of charts without draws, and a quick regret."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from tests.benchmarks.rivals.common import Chart, Floats, Ints, best_set_table, surfaces_table
from tests.known_boat.score import (
    CLOSEST_DEG,
    NEAR,
    SLOWEST_KN,
    WRONG_BEYOND,
    designed_choice,
    nearest,
    score_charts,
    score_surfaces,
    supported_borders,
)

BORDERS: dict[str, Any] = {
    "set_a": pl.String(), "set_b": pl.String(), "along": pl.String(), "at": pl.Float64(), "crossing": pl.Float64(),
}  # fmt: skip


def judge(chart: Chart, truth: Any, *, intervals: bool) -> dict[str, float]:
    """Scores of a rival's chart."""
    tables = {
        "surfaces": surfaces_table(chart),
        "best_set": best_set_table(chart),
        "crossovers": leading_changes(chart),
    }
    return judge_tables(tables, truth, intervals=intervals)


def judge_tables(tables: dict[str, pl.DataFrame], truth: Any, *, intervals: bool) -> dict[str, float]:
    """Scores of tables `surfaces, best_set, crossovers`; every method's borders by their crossings alone."""
    out = score_surfaces(tables["surfaces"], truth)
    if not intervals:
        out["surface_coverage"] = np.nan
    out |= score_charts(tables["surfaces"], tables["best_set"], truth)
    out["wrong_best_share"] = Conditions(truth).wrong_share(*chart_of_table(tables["best_set"], truth))
    return out | _borders(tables["surfaces"], tables["crossovers"], truth)


class Conditions:
    """The season's conditions by cell, true speeds there, and what the designed chart calls for."""

    def __init__(self, truth: Any) -> None:
        self.names = tuple(truth.boat.set_names)
        sailed = (
            truth.conditions()
            .group_by("tws_kn", "twa_deg")
            .agg(pl.col("minutes").sum())
            .filter((pl.col("tws_kn") >= SLOWEST_KN) & (pl.col("twa_deg") >= CLOSEST_DEG))
            .sort("tws_kn", "twa_deg")
        )
        self.tws, self.twa, self.weight = (sailed[c].to_numpy() for c in ("tws_kn", "twa_deg", "minutes"))
        speeds = truth.surfaces(self.names, self.tws, self.twa)
        self.loss = 1.0 - speeds / speeds.max(axis=0)
        self.designed = designed_choice(truth, self.tws, self.twa)

    def choice(self, tws_axis: Floats, twa_axis: Floats, best: Ints) -> Ints:
        """Number of the set (of the boat's) that a chart names in each cell, -1 where blank."""
        i, near_i = nearest(tws_axis, self.tws)
        j, near_j = nearest(twa_axis, self.twa)
        return np.where(near_i & near_j, best[i, j], -1)

    def regret_pct(self, tws_axis: Floats, twa_axis: Floats, best: Ints) -> float:
        """Speed lost by following the chart, and the designed one where it is blank."""
        choice = self.choice(tws_axis, twa_axis, best)
        followed = np.where(choice >= 0, choice, self.designed)
        return 100.0 * float(np.average(self.loss[followed, np.arange(len(followed))], weights=self.weight))

    def wrong_share(self, tws_axis: Floats, twa_axis: Floats, best: Ints) -> float:
        """Of the time in which the chart speaks, the share in which its set is slower by more than 0.2 %."""
        choice = self.choice(tws_axis, twa_axis, best)
        said = choice >= 0
        if not said.any():
            return np.nan
        wrong = self.loss[choice, np.arange(len(choice))] > WRONG_BEYOND
        return float(np.average(wrong[said], weights=self.weight[said]))


def in_boat_order(chart: Chart, names: tuple[str, ...]) -> Ints:
    """The chart's numbers in the boat's order of sets; sets that the boat does not have are blank."""
    order = np.array([names.index(s) if s in names else -1 for s in chart.sets] + [-1])
    return order[chart.best]


def chart_of_table(best_set: pl.DataFrame, truth: Any) -> tuple[Floats, Floats, Ints]:
    """Axes, and numbers of the sets in the boat's order, of a table `best_set`."""
    tws, twa = (np.sort(best_set[c].unique().to_numpy()) for c in ("tws_kn", "twa_deg"))
    best = np.full((len(tws), len(twa)), -1)
    names = tuple(truth.boat.set_names)
    said = best_set.filter(pl.col("best_set").is_in(names) & (pl.col("verdict") != "unsailed"))
    best[np.searchsorted(tws, said["tws_kn"].to_numpy()), np.searchsorted(twa, said["twa_deg"].to_numpy())] = [
        names.index(s) for s in said["best_set"]
    ]
    return tws, twa, best


# --- borders ---


def leading_changes(chart: Chart) -> pl.DataFrame:
    """Where the leader among supported sets changes along each line of the grid, both supported on either side."""
    rows: list[tuple[str, str, str, float, float]] = []
    held = np.where(chart.supported, chart.log_speed, -np.inf)
    grid = chart.grid
    for j, angle in enumerate(grid.twa_deg):
        rows += [(*r[:2], "tws_kn", float(angle), r[2]) for r in _along(chart, held[:, :, j], grid.tws_kn)]
    for i, wind in enumerate(grid.tws_kn):
        rows += [(*r[:2], "twa_deg", float(wind), r[2]) for r in _along(chart, held[:, i, :], grid.twa_deg)]
    return pl.DataFrame(rows, schema=BORDERS, orient="row")


def _along(chart: Chart, held: Floats, x: Floats) -> list[tuple[str, str, float]]:
    lead = held.argmax(axis=0)
    out = []
    for k in np.flatnonzero(lead[:-1] != lead[1:]):
        a, b = int(lead[k]), int(lead[k + 1])
        if not np.isfinite(held[[a, b], k : k + 2]).all():
            continue
        d = held[b, k : k + 2] - held[a, k : k + 2]
        if d[1] > d[0]:
            out.append((chart.sets[a], chart.sets[b], float(x[k] + (x[k + 1] - x[k]) * d[0] / (d[0] - d[1]))))
    return out


def _borders(surfaces: pl.DataFrame, crossovers: pl.DataFrame, truth: Any) -> dict[str, float]:
    """Median error of the crossings at fixed angle, and the share of true borders with one near (2 kn, 8 deg)."""
    names = truth.boat.set_names
    rows = crossovers.filter(
        pl.col("set_a").is_in(names) & pl.col("set_b").is_in(names) & pl.col("crossing").is_not_null()
    ).select(*BORDERS)
    error: dict[str, list[float]] = {along: [] for along in NEAR}
    phantoms = 0
    for a, b, along, at, crossing in rows.rows():
        true, _ = truth.crossings(a, b, "fixed-angle", along, at)
        if true.size:
            error[along].append(float(np.abs(true - crossing).min()))
        else:
            phantoms += 1
    there = supported_borders(surfaces, truth).filter(pl.col("mode") == "fixed-angle").select(*BORDERS).rows()
    said = {
        key[:4]: frame["crossing"].to_numpy()
        for key, frame in rows.partition_by(*list(BORDERS)[:4], as_dict=True).items()
    }
    found = sum(bool((np.abs(said[r[:4]] - r[4]) <= NEAR[r[2]]).any()) for r in there if r[:4] in said)
    return {
        "border_error_kn": float(np.median(error["tws_kn"])) if error["tws_kn"] else np.nan,
        "border_error_deg": float(np.median(error["twa_deg"])) if error["twa_deg"] else np.nan,
        "border_rows": float(rows.height),
        "border_phantoms": float(phantoms),
        "border_found": float(found),
        "border_true": float(len(there)),
    }
