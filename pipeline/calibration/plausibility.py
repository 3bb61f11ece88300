"""Is the computed true wind plausible? Day by day, in plain numbers, worst first.

What should not depend on how the boat sails: the direction of the true wind before and after a tack or gybe, its speed
upwind and downwind within minutes, the speed through the water against the motion over ground once a steady current is
taken out. Crews tack on headers and the wind shifts by itself, so a single day's number is a hint; the season's
estimates weigh all days together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from pipeline.angles import Floats, circular_mean, difference, wrap_180
from pipeline.campaign.settings import Boat
from pipeline.sailing.manoeuvres import find_manoeuvres
from pipeline.sailing.stretches import runs, stretch_numbers
from pipeline.units import METRES_PER_NAUTICAL_MILE
from pipeline.wind.geodesy import distance_and_courses

# Time on either side of a turn whose mean wind is compared, and what is left out next to it (helm, damping, way).
SIDE_S, LEAST_SIDE_S, BEFORE_S, AFTER_S = 90.0, 30.0, 8.0, 20.0
# A stretch is upwind or downwind by its smoothed angle; two of them are compared when this close in time.
UPWIND_DEG, DOWNWIND_DEG = 70.0, 115.0
LEAST_STRETCH_S, MOST_STRETCH_S, LONGEST_BETWEEN_S = 60.0, 300.0, 240.0
MINUTE_S = 60.0
LEAST_MINUTES = 20
# Differences that an ordinary day of a well calibrated boat shows: the unit of the score. Common practice, no source.
ORDINARY: Mapping[str, float] = {
    "twd_step_tacks_deg": 4.0,
    "twd_step_gybes_deg": 5.0,
    "tws_down_over_up_pct": 8.0,
    "speed_error_pct": 3.0,
    "heading_error_deg": 2.0,
    "track_over_sog_pct": 2.0,
}
_US = 1e6
SCHEMA: dict[str, pl.DataType] = {
    "day": pl.Date(),
    "score": pl.Float64(),
    "worst": pl.String(),
    "tacks": pl.Int64(),
    "twd_step_tacks_deg": pl.Float64(),
    "gybes": pl.Int64(),
    "twd_step_gybes_deg": pl.Float64(),
    "up_down_pairs": pl.Int64(),
    "tws_down_over_up_pct": pl.Float64(),
    "speed_error_pct": pl.Float64(),
    "heading_error_deg": pl.Float64(),
    "track_over_sog_pct": pl.Float64(),
    "instrument_twd_deg": pl.Float64(),
    "instrument_tws_kn": pl.Float64(),
}


@dataclass(frozen=True, slots=True)
class Signs:
    """The signs of one season. `days`: one row a day, worst first (columns of `SCHEMA`); `steps`: one row a sign.

    `steps`: `time, kind` ("tack", "gybe", "up-down", "water"), `value` (deg or per cent), in order of time.
    """

    days: pl.DataFrame
    steps: pl.DataFrame


def plausibility(
    samples_with_wind: pl.DataFrame, sessions: pl.DataFrame, boat: Boat, *, manoeuvres: pl.DataFrame | None = None
) -> Signs:
    """Signs of each day of samples with wind (columns of `WindOfSamples.samples`).

    `twd_step_tacks_deg`: true wind direction on starboard less that on port, median over the day's tacks;
    `tws_down_over_up_pct`: true wind speed downwind over that upwind within minutes; `speed_error_pct`,
    `heading_error_deg`: what would have to be added to speed through the water and to heading to meet the motion over
    ground, a steady current of the day taken out; `track_over_sog_pct`: way between logged positions over that of the
    logged SOG; `instrument_*`: the instruments' own true wind less ours, medians. Null where a day cannot say. `score`:
    the largest of them, less its own uncertainty, in units of `ORDINARY`. A day is that of its session's start (UTC).
    """
    turns = find_manoeuvres(samples_with_wind, boat) if manoeuvres is None else manoeuvres
    seconds = _by_second(samples_with_wind)
    steps = pl.concat([_turn_steps(seconds, turns), _up_down(seconds)]).sort("time", "kind")
    day_of = sessions.sort("start").select(start=pl.col("start").cast(pl.Datetime("us")), day=pl.col("start").dt.date())
    steps = steps.join_asof(day_of, left_on="time", right_on="start", strategy="backward").drop("start")
    dated = seconds.with_columns(time=(pl.col("t") * _US).cast(pl.Int64).cast(pl.Datetime("us"))).join_asof(
        day_of, left_on="time", right_on="start", strategy="backward"
    )
    scatter = {k: _scatter(steps.filter(pl.col("kind") == k)["value"]) for k in ("tack", "gybe", "up-down")}
    rows = [
        _day_row(day, part, steps.filter(pl.col("day") == day), scatter)
        for (day,), part in dated.filter(pl.col("day").is_not_null()).group_by("day", maintain_order=True)
    ]
    days = pl.DataFrame(rows, schema=SCHEMA, orient="row")
    return Signs(days.sort(["score", "day"], descending=[True, False], nulls_last=True), steps)


def season_of(signs: Signs) -> dict[str, tuple[float, int]]:
    """The whole season in four numbers, each with how many it rests on: median sizes of the days' or steps' values."""
    out: dict[str, tuple[float, int]] = {}
    for kind in ("tack", "gybe", "up-down"):
        values = signs.steps.filter(pl.col("kind") == kind)["value"]
        out[kind] = (float(np.median(values)) if len(values) else float("nan"), len(values))
    for column in ("speed_error_pct", "heading_error_deg"):
        values = signs.days[column].drop_nulls()
        out[column] = (float(np.median(values)) if len(values) else float("nan"), len(values))
    return out


def _by_second(samples: pl.DataFrame) -> pl.DataFrame:
    """Means of whole seconds, wind and motions as components."""

    def get(name: str) -> pl.Expr:
        return pl.col(name).cast(pl.Float64) if name in samples.columns else pl.lit(None, pl.Float64)

    twd, twa, cog, ctw = (get(c).radians() for c in ("twd_deg", "twa_deg", "cog", "ctw_deg"))
    tws, sog = get("tws_kn"), get("sog")
    water = pl.col("speed_source").eq("water") if "speed_source" in samples.columns else pl.lit(True)
    bsp = pl.when(water.fill_null(False)).then(get("bsp_kn"))
    frame = samples.select(
        second=(pl.col("time").cast(pl.Datetime("us")).to_physical() / _US).floor(),
        dn=twd.cos(),
        de=twd.sin(),
        ac=twa.cos(),
        as_=twa.sin(),
        tws=tws,
        bsp=bsp,
        bn=bsp * ctw.cos(),
        be=bsp * ctw.sin(),
        gn=sog * cog.cos(),
        ge=sog * cog.sin(),
        sog=sog,
        lat=get("lat"),
        lon=get("lon"),
        own_tws=get("tws") - tws,
        own_twd=pl.when(get("twd").is_not_null()).then(get("twd") - get("twd_deg")),
    ).with_columns(pl.exclude("second").fill_nan(None))
    return frame.group_by("second").agg(pl.all().mean()).rename({"second": "t"}).sort("t")


def _turn_steps(seconds: pl.DataFrame, turns: pl.DataFrame) -> pl.DataFrame:
    """Wind direction on starboard less that on port at each tack and gybe."""
    t = seconds["t"].to_numpy()
    n, e, side = (seconds[c].fill_null(float("nan")).to_numpy() for c in ("dn", "de", "as_"))
    start = turns["start"].to_physical().to_numpy() / _US
    done = turns["turn_end"].to_physical().to_numpy() / _US
    rows: list[tuple[float, str, float]] = []
    for i, kind in enumerate(turns["kind"].to_list()):
        if kind not in ("tack", "gybe"):
            continue
        free_from = done[i - 1] + AFTER_S if i else -np.inf
        free_to = start[i + 1] - BEFORE_S if i + 1 < len(start) else np.inf
        before = (max(start[i] - BEFORE_S - SIDE_S, free_from), start[i] - BEFORE_S)
        after = (done[i] + AFTER_S, min(done[i] + AFTER_S + SIDE_S, free_to))
        sides = [_mean_wind(t, n, e, side, *span) for span in (before, after)]
        if any(s is None for s in sides) or sides[0][1] == sides[1][1]:  # type: ignore[index]
            continue
        (was, was_side), (now, _) = sides  # type: ignore[misc]
        rows.append((float(start[i]), kind, float(difference(now, was)) * (-1.0 if was_side > 0 else 1.0)))
    return _steps(rows)


def _mean_wind(
    t: Floats, north: Floats, east: Floats, side: Floats, begin: float, end: float
) -> tuple[float, float] | None:
    a, b = np.searchsorted(t, [begin, end])
    known = np.isfinite(north[a:b]) & np.isfinite(side[a:b])
    if end - begin < LEAST_SIDE_S or known.sum() < LEAST_SIDE_S / 2:
        return None
    heading = np.degrees(np.arctan2(np.nanmean(east[a:b]), np.nanmean(north[a:b])))
    return float(heading), float(np.sign(np.nanmedian(side[a:b])))


def _up_down(seconds: pl.DataFrame) -> pl.DataFrame:
    """Wind speed downwind over that upwind, in per cent, where one follows the other within minutes."""
    frame = seconds.drop_nulls(["tws", "ac", "as_"])
    t, tws = frame["t"].to_numpy(), frame["tws"].to_numpy()
    if len(t) == 0:
        return _steps([])
    group = stretch_numbers(t, MINUTE_S)
    angle = np.abs(wrap_180(np.degrees(np.arctan2(frame["as_"].to_numpy(), frame["ac"].to_numpy()))))
    found = []
    for mode, here in ((1.0, angle < UPWIND_DEG), (-1.0, angle > DOWNWIND_DEG)):
        for a, b in zip(*runs(here, group), strict=True):
            if t[b - 1] - t[a] >= LEAST_STRETCH_S:
                found.append((int(a), int(b), mode))
    found.sort()
    rows: list[tuple[float, str, float]] = []
    for (a, b, mode), (c, d, other) in pairwise(found):
        if mode == other or t[c] - t[b - 1] > LONGEST_BETWEEN_S:
            continue
        before = tws[max(a, int(np.searchsorted(t, t[b - 1] - MOST_STRETCH_S))) : b].mean()
        after = tws[c : min(d, int(np.searchsorted(t, t[c] + MOST_STRETCH_S)))].mean()
        if before > 0 and after > 0:
            rows.append((float(t[c]), "up-down", 100.0 * float(np.log(after / before)) * mode))
    return _steps(rows)


def _steps(rows: list[tuple[float, str, float]]) -> pl.DataFrame:
    frame = pl.DataFrame(rows, schema={"t": pl.Float64, "kind": pl.String, "value": pl.Float64}, orient="row")
    return frame.select((pl.col("t") * _US).cast(pl.Int64).cast(pl.Datetime("us")).alias("time"), "kind", "value")


def _scatter(values: pl.Series) -> float:
    """Spread of single steps about their median, robust; NaN where there are too few."""
    if len(values) < 3:
        return float("nan")
    off = np.abs(values.to_numpy() - np.median(values.to_numpy()))
    return float(1.4826 * np.median(off))


def _day_row(day: object, part: pl.DataFrame, steps: pl.DataFrame, scatter: Mapping[str, float]) -> dict[str, object]:
    row: dict[str, object] = {"day": day}
    doubt: dict[str, float] = {}
    for kind, count, column in (
        ("tack", "tacks", "twd_step_tacks_deg"),
        ("gybe", "gybes", "twd_step_gybes_deg"),
        ("up-down", "up_down_pairs", "tws_down_over_up_pct"),
    ):
        values = steps.filter(pl.col("kind") == kind)["value"].to_numpy()
        row[count] = len(values)
        row[column] = float(np.median(values)) if len(values) else None
        # 1.25: a median is that much less sure than a mean
        doubt[column] = 1.25 * float(np.nan_to_num(scatter[kind], nan=np.inf)) / np.sqrt(max(1, len(values)))
    row |= _water(part) | {"track_over_sog_pct": _track(part)} | _instruments(part)
    excess = {
        c: max(0.0, abs(float(row[c])) - doubt.get(c, 0.0)) / unit  # type: ignore[arg-type]
        for c, unit in ORDINARY.items()
        if row[c] is not None
    }
    worst = max(excess, key=lambda c: excess[c]) if excess else None
    row["score"] = excess[worst] if worst else None
    row["worst"] = worst if worst and excess[worst] > 0 else None
    return {c: row[c] for c in SCHEMA}


def _water(part: pl.DataFrame) -> dict[str, object]:
    """Speed and heading error by least squares over the day's minutes, with a steady current."""
    blank: dict[str, object] = {"speed_error_pct": None, "heading_error_deg": None}
    minutes = (
        part.drop_nulls(["bn", "be", "gn", "ge"])
        .group_by((pl.col("t") / MINUTE_S).floor().alias("minute"))
        .agg(pl.col("bn", "be", "gn", "ge").mean(), pl.len())
        .filter(pl.col("len") >= MINUTE_S / 4)
        .sort("minute")
    )
    if minutes.height < LEAST_MINUTES:
        return blank
    bn, be, gn, ge = (minutes[c].to_numpy() for c in ("bn", "be", "gn", "ge"))
    one, nil = np.ones_like(bn), np.zeros_like(bn)
    # ground - water = (factor cos(turn) - 1) water + factor sin(turn) x water turned by 90 deg + current
    x = np.vstack((np.column_stack((bn, -be, one, nil)), np.column_stack((be, bn, nil, one))))
    y = np.concatenate((gn - bn, ge - be))
    if np.linalg.cond(x) > 1e3:
        return blank
    found, *_ = np.linalg.lstsq(x, y, rcond=None)
    rest = y - x @ found
    # neighbouring minutes share their error; five of them count as one
    sd = np.sqrt(np.diag(np.linalg.inv(x.T @ x)) * float(rest @ rest) / max(1, len(y) - 4) * 5.0)
    tight = 2.0 * sd[0] < 0.05 and 2.0 * np.degrees(sd[1]) < 3.0
    return (
        {
            "speed_error_pct": 100.0 * (float(np.hypot(1.0 + found[0], found[1])) - 1.0),
            "heading_error_deg": float(np.degrees(np.arctan2(found[1], 1.0 + found[0]))),
        }
        if tight
        else blank
    )


def _track(part: pl.DataFrame) -> float | None:
    """Way between the positions of whole minutes over the way by the mean motion over ground, in per cent."""
    minutes = (
        part.drop_nulls(["lat", "lon", "gn", "ge"])
        .group_by((pl.col("t") / MINUTE_S).floor().alias("minute"))
        .agg(
            pl.col("t", "lat", "lon").first(),
            pl.col("gn", "ge").mean(),
            pl.len(),
            gn_first=pl.col("gn").first(),
            ge_first=pl.col("ge").first(),
        )
        .sort("minute")
    )
    if minutes.height < LEAST_MINUTES:
        return None
    t, lat, lon = (minutes[c].to_numpy() for c in ("t", "lat", "lon"))
    whole = (minutes["len"].to_numpy()[:-1] >= 0.9 * MINUTE_S) & (np.abs(np.diff(t) - MINUTE_S) < 0.5)
    way_m, _, _ = distance_and_courses(lat[:-1][whole], lon[:-1][whole], lat[1:][whole], lon[1:][whole])
    # by the trapezoid: half of the first second belongs to the minute before
    mean = [minutes[c].to_numpy()[:-1] + np.diff(minutes[f"{c}_first"].to_numpy()) / MINUTE_S / 2 for c in ("gn", "ge")]
    speed_kn = np.hypot(*mean)[whole]
    logged_m = speed_kn * METRES_PER_NAUTICAL_MILE * MINUTE_S / 3600.0
    if whole.sum() < LEAST_MINUTES or logged_m.sum() <= 0.0:
        return None
    return 100.0 * float(way_m.sum() / logged_m.sum() - 1.0)


def _instruments(part: pl.DataFrame) -> dict[str, object]:
    turn = part["own_twd"].drop_nulls().to_numpy()
    tws = part["own_tws"].drop_nulls().to_numpy()
    about = float(circular_mean(turn)) if len(turn) else float("nan")
    known = np.isfinite(about)
    return {
        "instrument_twd_deg": float(wrap_180(about + np.median(difference(turn, about)))) if known else None,
        "instrument_tws_kn": float(np.median(tws)) if len(tws) else None,
    }
