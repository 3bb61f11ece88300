"""Gaps in the chart that no sail fills: the table `chart_gaps`."""

from __future__ import annotations

from itertools import pairwise, product
from typing import Any

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.crossovers.crossing import runs
from pipeline.decisions.area_changes import designed_share
from pipeline.decisions.judged import Bools, Judged
from pipeline.decisions.worth import HIGH, LOW
from pipeline.surfaces.season import SeasonFit

NO_SET_KNOWN, NO_SET_DESIGNED, HOLLOW = "no set known", "no set designed", "hollow"
# Closer to the wind a boat passes through, tacking; lighter winds are calms.
CLOSEST_COURSE_DEG, LIGHTEST_KN = 35.0, 4.0
LEAST_HOURS = 0.1
BLOCK_KN, BLOCK_DEG = 4.0, 20.0
# A hollow is reported from this depth on, by the whole interval: less is within what charts are drawn to.
LEAST_DEPTH_PCT = 0.5

SCHEMA: dict[str, pl.DataType] = {
    "kind": pl.String(),
    "tws_low_kn": pl.Float64(),
    "tws_high_kn": pl.Float64(),
    "twa_low_deg": pl.Float64(),
    "twa_high_deg": pl.Float64(),
    "hours": pl.Float64(),
    "sets": pl.String(),
    "depth_pct": pl.Float64(),
    "depth_low_pct": pl.Float64(),
    "depth_high_pct": pl.Float64(),
    "deepest_tws_kn": pl.Float64(),
    "deepest_twa_deg": pl.Float64(),
}


def chart_gaps(
    judged: Judged,
    fit: SeasonFit,
    log_draws: Floats,
    boat: Boat,
    designed: pl.DataFrame | None,
    speeds: pl.DataFrame | None,
) -> pl.DataFrame:
    """Gaps of three kinds, the largest of each kind first.

    `no set known`: conditions with hours but without a supported set, `sets` those within reach; a gap in the data, not
    yet in the inventory. `no set designed`: outside all designed areas. Both from 4 kn and 35 deg on, by blocks of 4 kn
    and 20 deg.
    `hollow`: winds in which it is faster to sail two angles in turn than the straight course between, for the sets on
    either side leave room for one in between. `twa_low_deg`, `twa_high_deg`: the two angles, or the widest of them;
    `depth_pct`: how much faster, where it is deepest (`deepest_tws_kn`, `deepest_twa_deg`), see `hollows`.
    """
    rows = _blocks(judged, ~judged.covered, NO_SET_KNOWN)
    share = designed_share(judged, fit, boat, designed, speeds)
    if share is not None:
        rows += _blocks(judged, share[1].sum(axis=0) < 0.5, NO_SET_DESIGNED)
    rows += joined(hollows(fit, log_draws, judged))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _blocks(judged: Judged, empty: Bools, kind: str) -> list[dict[str, Any]]:
    """Conditions with a gap by blocks of wind and angle, and the extent of the gap in each."""
    keep = np.flatnonzero(empty & (judged.twa_deg >= CLOSEST_COURSE_DEG) & (judged.tws_kn >= LIGHTEST_KN))
    block = np.column_stack([judged.tws_kn[keep] // BLOCK_KN, judged.twa_deg[keep] // BLOCK_DEG])
    _, number = np.unique(block, axis=0, return_inverse=True)
    rows = []
    for n in np.unique(number):
        here = keep[number.ravel() == n]
        hours = float(judged.hours[here].sum())
        if hours < LEAST_HOURS:
            continue
        near = judged.reached[:, here] @ judged.hours[here]
        order = [k for k in np.argsort(-near, kind="stable") if near[k] > 0]
        blank = dict.fromkeys(SCHEMA)
        rows.append(
            blank
            | {
                "kind": kind,
                "tws_low_kn": float(judged.tws_kn[here].min()),
                "tws_high_kn": float(judged.tws_kn[here].max()),
                "twa_low_deg": float(judged.twa_deg[here].min()),
                "twa_high_deg": float(judged.twa_deg[here].max()),
                "hours": hours,
                "sets": " ".join(judged.sets[k] for k in order) if kind == NO_SET_KNOWN else "",
            }
        )
    return sorted(rows, key=lambda r: -r["hours"])


def hollows(fit: SeasonFit, log_draws: Floats, judged: Judged) -> list[dict[str, Any]]:
    """Hollows of the polar of the fastest supported set, at each wind speed, between the best angles to windward and to
    leeward (beyond these, sailing two angles is tacking and gybing).

    The convex hull of the polar is what can be made good by sailing two angles in turn. Its depth: how much faster than
    the straight course, in per cent, at the deepest node, by the expected speeds; the 90 % interval is that of the same
    three places in the joint draws. Reported where all of it exceeds `LEAST_DEPTH_PCT` and such courses are sailed.
    """
    rows = []
    for t, tws in enumerate(fit.tws_kn):
        supported = fit.supported[:, t]
        best = np.where(supported, fit.log_speed[:, t], -np.inf).argmax(axis=0)
        for run in runs(supported.any(axis=0)):
            at = np.arange(run.start, run.stop)
            speed = np.exp(fit.log_speed[best[at], t, at])
            drawn = np.exp(log_draws[:, best[at], t, at])
            for a, m, b in _hull_gaps(speed, fit.twa_deg[at]):
                place = (fit.twa_deg[at][[a, m, b]], float(tws))
                depths = 100.0 * (_chord(drawn[:, a], drawn[:, b], *place[0]) / drawn[:, m] - 1.0)
                low, high = (float(q) for q in np.quantile(depths, [LOW, HIGH]))
                between = (judged.tws_kn == tws) & (judged.twa_deg > place[0][0]) & (judged.twa_deg < place[0][2])
                if low < LEAST_DEPTH_PCT or judged.hours[between].sum() < LEAST_HOURS:
                    continue
                sets = dict.fromkeys(fit.sets[best[k]] for k in (at[a], at[b]))
                rows.append(
                    {
                        "kind": HOLLOW,
                        "tws_low_kn": float(tws),
                        "tws_high_kn": float(tws),
                        "twa_low_deg": float(place[0][0]),
                        "twa_high_deg": float(place[0][2]),
                        "hours": float(judged.hours[between].sum()),
                        "sets": " ".join(sets),
                        "depth_pct": float(100.0 * (_chord(speed[a], speed[b], *place[0]) / speed[m] - 1.0)),
                        "depth_low_pct": low,
                        "depth_high_pct": high,
                        "deepest_tws_kn": float(tws),
                        "deepest_twa_deg": float(place[0][1]),
                    }
                )
    return rows


def joined(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Hollows of neighbouring wind speeds whose angles overlap as one, the one of most hours first."""
    out: list[dict[str, Any]] = []
    for row in sorted(rows, key=lambda r: (r["tws_low_kn"], r["twa_low_deg"])):
        for whole in out:
            beside = row["tws_low_kn"] - whole["tws_high_kn"] <= 1.0 + 1e-9
            if beside and row["twa_low_deg"] < whole["twa_high_deg"] and whole["twa_low_deg"] < row["twa_high_deg"]:
                deeper = row if row["depth_pct"] > whole["depth_pct"] else whole
                whole |= {k: v for k, v in deeper.items() if k.startswith("deep") or k.startswith("depth")} | {
                    "tws_high_kn": max(whole["tws_high_kn"], row["tws_high_kn"]),
                    "twa_low_deg": min(whole["twa_low_deg"], row["twa_low_deg"]),
                    "twa_high_deg": max(whole["twa_high_deg"], row["twa_high_deg"]),
                    "hours": whole["hours"] + row["hours"],
                    "sets": " ".join(dict.fromkeys(f"{whole['sets']} {row['sets']}".split())),
                }
                break
        else:
            out.append(dict(row))
    return sorted(out, key=lambda r: (-r["hours"], r["tws_low_kn"]))


def _hull_gaps(speed: Floats, twa_deg: Floats) -> list[tuple[int, int, int]]:
    """Stretches between neighbouring corners of the hull with nodes inside: (first, deepest node, last).

    Only between the best angles to windward and to leeward.
    """
    made_good = speed * np.cos(np.radians(twa_deg))
    first, last = int(made_good.argmax()), int(made_good.argmin())
    gaps = []
    corners = _corners(speed, twa_deg, first, last)
    for a, b in pairwise(corners):
        if b - a < 2:
            continue
        inner = np.arange(a + 1, b)
        depth = _chord(speed[a], speed[b], twa_deg[a], twa_deg[inner], twa_deg[b]) / speed[inner]
        gaps.append((a, int(inner[depth.argmax()]), b))
    return gaps


def _corners(speed: Floats, twa_deg: Floats, first: int, last: int) -> list[int]:
    """Nodes from `first` to `last` that no pair of others, one on either side, overtakes."""

    def stands(m: int) -> bool:
        pairs = product(range(first, m), range(m + 1, last + 1))
        return all(_chord(speed[a], speed[b], twa_deg[a], twa_deg[m], twa_deg[b]) <= speed[m] for a, b in pairs)

    return [first, *(m for m in range(first + 1, last) if stands(m)), last] if first < last else []


def _chord(
    speed_a: Floats | float, speed_b: Floats | float, a_deg: float, m_deg: Floats | float, b_deg: float
) -> Floats:
    """Speed made good along `m_deg` by sailing the angles a and b in turn: the radius of the polar's chord."""
    a, m, b = (np.radians(x) for x in (a_deg, m_deg, b_deg))
    return np.asarray(speed_a * speed_b * np.sin(b - a) / (speed_a * np.sin(m - a) + speed_b * np.sin(b - m)))
