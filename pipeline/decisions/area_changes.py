"""Which set's area on the chart grew or shrank against the design: the table `area_changes`."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.crossovers.comparison import designed_wind
from pipeline.crossovers.designed_chart import areas
from pipeline.decisions.conditions import STEP_DEG, STEP_KN
from pipeline.decisions.judged import Bools, Judged, fastest
from pipeline.decisions.worth import HIGH, LOW
from pipeline.surfaces.season import SeasonFit

# A condition is a cell of 1 kn x 5 deg; the share of it that lies in a designed area is counted on so many points each
# way, none of them on the lattice that charts are drawn along.
POINTS = 6
# An area that changed by less than this share of the designed one, whatever the draw, is as designed.
AS_DESIGNED = 0.1

SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "hours_designed": pl.Float64(),
    "hours_tested": pl.Float64(),
    "hours_measured": pl.Float64(),
    "change_hours": pl.Float64(),
    "change_low": pl.Float64(),
    "change_high": pl.Float64(),
    "gained_from": pl.String(),
    "lost_to": pl.String(),
    "verdict": pl.String(),
}


def area_changes(
    judged: Judged, fit: SeasonFit, boat: Boat, designed: pl.DataFrame | None, speeds: pl.DataFrame | None
) -> pl.DataFrame:
    """Hours of the conditions in each set's designed and measured area, a row a set of the chart or the season.

    `hours_designed`: in the set's designed area (areas that overlap share the time). The rest only over the conditions
    where the data can judge: at least two sets supported, the designed ones among them. `hours_tested`: of
    `hours_designed`; `hours_measured`: the set is expected the fastest of the supported; `change_hours` = measured -
    tested, with its 90 % interval from the joint draws; `gained_from`, `lost_to`: sets, by hours. `verdict`:
    `as designed` (within a tenth), `grew`, `shrank`, `undecided` where the interval leaves it open, or `untested` where
    nothing could be judged.
    """
    share = designed_share(judged, fit, boat, designed, speeds)
    if share is None:
        return pl.DataFrame(schema=SCHEMA)
    names, inside = share
    tested = _tested(judged, names, inside)
    best = fastest(judged.log_speed, judged.supported)
    contest = np.where(judged.supported, judged.log_draws, -np.inf)
    draws = contest.argmax(axis=1) if judged.sets else np.zeros((1, len(judged.hours)), dtype=int)
    rows = []
    for name in sorted(set(names) | set(judged.sets)):
        mine = inside[names.index(name)] if name in names else np.zeros(len(judged.hours))
        k = judged.sets.index(name) if name in judged.sets else -2
        then = float(judged.hours[tested] @ mine[tested])
        now = float(judged.hours[tested & (best == k)].sum())
        change = (draws[:, tested] == k) @ judged.hours[tested] - then
        low, high = (float(q) for q in np.quantile(change, [LOW, HIGH]))
        held = then + now > 0
        rows.append(
            {
                "sail_set": name,
                "hours_designed": float(judged.hours @ mine),
                "hours_tested": then,
                "hours_measured": now,
                "change_hours": now - then if held else None,
                "change_low": min(low, now - then) if held else None,
                "change_high": max(high, now - then) if held else None,
                "gained_from": _by_hours(names, inside * (judged.hours * (tested & (best == k))), name),
                "lost_to": _takers(judged, best, mine * judged.hours * tested, name),
                "verdict": _verdict(then, low, high) if held else "untested",
            }
        )
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def designed_share(
    judged: Judged, fit: SeasonFit, boat: Boat, designed: pl.DataFrame | None, speeds: pl.DataFrame | None
) -> tuple[tuple[str, ...], Floats] | None:
    """Sets of the designed chart and the share (sets, n) of each condition's cell in their areas; None without chart.

    In the designer's wind: his height and angle.
    """
    chart = areas(designed, speeds)
    if chart is None:
        return None
    names, inside = chart
    aside = (np.arange(POINTS) + 0.5) / POINTS - 0.5
    tws = judged.tws_kn[:, None, None] + STEP_KN * aside[None, :, None] + np.zeros(POINTS)
    twa = judged.twa_deg[:, None, None] + STEP_DEG * aside[None, None, :] + np.zeros((POINTS, 1))
    # A cell at the end of the scale is held inside it.
    points = np.maximum(tws.ravel(), 0.0), np.clip(twa.ravel(), 0.0, 180.0 - 1e-6)
    member = inside(*designed_wind(boat, fit)(*points)).reshape(len(names), len(judged.hours), -1).astype(float)
    return names, np.asarray((member / np.maximum(member.sum(axis=0), 1.0)).mean(axis=2))


def _tested(judged: Judged, names: tuple[str, ...], inside: Floats) -> Bools:
    """Conditions (n) in a designed area where at least two sets are supported, all those designed there among them."""
    out = (judged.supported.sum(axis=0) >= 2) & (inside.sum(axis=0) > 0.5)
    for k, name in enumerate(names):
        known = judged.supported[judged.sets.index(name)] if name in judged.sets else np.zeros(len(out), dtype=bool)
        out &= known | (inside[k] == 0)
    return np.asarray(out, dtype=bool)


def _by_hours(names: tuple[str, ...], hours: Floats, left_out: str) -> str:
    total = hours.sum(axis=1)
    order = np.argsort(-total, kind="stable")
    return " ".join(names[k] for k in order if total[k] > 0 and names[k] != left_out)


def _takers(judged: Judged, best: np.ndarray, hours: Floats, left_out: str) -> str:
    by_set = np.stack([hours * (best == k) for k in range(len(judged.sets))]) if judged.sets else np.zeros((0, 1))
    return _by_hours(judged.sets, by_set, left_out)


def _verdict(designed: float, low: float, high: float) -> str:
    if max(-low, high) <= AS_DESIGNED * designed:
        return "as designed"
    return "grew" if low > 0 else "shrank" if high < 0 else "undecided"
