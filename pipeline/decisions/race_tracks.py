"""Where each race was sailed, in what wind: a thinned track a race, for the evidence behind its stretches."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.angles import Floats, wrap_180, wrap_360
from pipeline.decisions.race_stretches import race_names

SCHEMA: dict[str, pl.DataType] = {
    "race": pl.String(),
    "race_start": pl.Datetime("us"),
    "time": pl.Datetime("us"),
    "east_nm": pl.Float64(),
    "north_nm": pl.Float64(),
    "basis": pl.String(),
    "tws_kn": pl.Float64(),
    "twd_deg": pl.Float64(),
    "bsp_kn": pl.Float64(),
}
# A race is told in at most so many points, none closer than that.
MOST_POINTS, SHORTEST_STEP_S = 240, 10.0
POSITION, RECKONED = "position", "reckoned"
MINUTES_A_DEGREE = 60.0


def race_tracks(wind: pl.DataFrame, races: pl.DataFrame | None) -> pl.DataFrame:
    """Table `race_tracks` from samples with wind and `races` (`name, start, finish`); races without samples are absent.

    Wind and speed are means over each step (direction on the circle). `east_nm`, `north_nm` are from the first point
    of the race: from positions where every step has one, else reckoned from course and speed through the water, which
    knows no current (`basis`). Blank where neither was logged.
    """
    frames = [pl.DataFrame(schema=SCHEMA)]
    if races is None or races.is_empty():
        return frames[0]
    samples = _columns(wind)
    for name, (start, finish) in zip(race_names(races), races.select("start", "finish").iter_rows(), strict=True):
        inside = samples.filter(pl.col("time").is_between(start, finish))
        if inside.height:
            frames.append(_track(inside, name, start, (finish - start).total_seconds()))
    return pl.concat(frames)


def _columns(wind: pl.DataFrame) -> pl.DataFrame:
    names = ("lat", "lon", "tws_kn", "twd_deg", "bsp_kn", "ctw_deg")
    columns = [pl.col(c).cast(pl.Float64) if c in wind.columns else pl.lit(None, pl.Float64).alias(c) for c in names]
    return wind.select(pl.col("time").cast(pl.Datetime("us")), *columns).with_columns(pl.col(*names).fill_nan(None))


def _track(samples: pl.DataFrame, name: str, start: object, length_s: float) -> pl.DataFrame:
    step_s = max(SHORTEST_STEP_S, length_s / MOST_POINTS)
    since_s = (pl.col("time") - pl.lit(start)).dt.total_microseconds() / 1e6
    course = pl.col("ctw_deg").radians()
    steps = (
        samples.sort("time")
        .with_columns(
            step=(since_s / step_s).floor().clip(upper_bound=MOST_POINTS - 1),
            wind_x=pl.col("twd_deg").radians().sin(),
            wind_y=pl.col("twd_deg").radians().cos(),
            go_x=pl.col("bsp_kn") * course.sin(),
            go_y=pl.col("bsp_kn") * course.cos(),
        )
        .group_by("step", maintain_order=True)
        .agg(
            pl.col("time", "lat", "lon").first(), pl.col("tws_kn", "bsp_kn", "wind_x", "wind_y", "go_x", "go_y").mean()
        )
    )
    east, north, basis = _places(steps)
    return steps.select(
        race=pl.lit(name, pl.String),
        race_start=pl.lit(start, pl.Datetime("us")),
        time="time",
        east_nm=pl.Series(east, nan_to_null=True, dtype=pl.Float64),
        north_nm=pl.Series(north, nan_to_null=True, dtype=pl.Float64),
        basis=pl.lit(basis, pl.String),
        tws_kn="tws_kn",
        twd_deg=pl.Series(
            wrap_360(np.degrees(np.arctan2(_floats(steps["wind_x"]), _floats(steps["wind_y"])))),
            nan_to_null=True,
            dtype=pl.Float64,
        ),
        bsp_kn="bsp_kn",
    )


def _floats(column: pl.Series) -> Floats:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy()


def _places(steps: pl.DataFrame) -> tuple[Floats, Floats, str | None]:
    lat, lon = _floats(steps["lat"]), _floats(steps["lon"])
    if np.isfinite(lat).all() and np.isfinite(lon).all():
        across = wrap_180(lon - lon[0]) * np.cos(np.radians(lat.mean()))
        return MINUTES_A_DEGREE * across, MINUTES_A_DEGREE * (lat - lat[0]), POSITION
    go_x, go_y = (np.nan_to_num(_floats(steps[c])) for c in ("go_x", "go_y"))
    if not (go_x.any() or go_y.any()):
        nothing = np.full(steps.height, np.nan)
        return nothing, nothing, None
    hours = steps["time"].diff().fill_null(timedelta(0)).dt.total_microseconds().to_numpy() / 3.6e9
    # Each step is sailed with the mean of the one before it.
    return (*(np.cumsum(hours * np.append(0.0, go[:-1])) for go in (go_x, go_y)), RECKONED)
