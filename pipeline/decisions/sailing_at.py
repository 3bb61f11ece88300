"""How each set sails at a wind: heel, pitch and leeway of its windows near there, speed by the surface, calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.decisions.displays import Sailing
from pipeline.decisions.season import Season
from pipeline.decisions.surface_lookup import Ints
from pipeline.sailing.corrections_in_force import corrections_in_force

# Widths of the Gaussian window over which windows are averaged, and the weight of them that a set needs to stand alone.
WIDTH_TWS_KN, WIDTH_TWA_DEG = 2.0, 8.0
ENOUGH = 3.0
CHANNELS = ("heel_deg", "pitch_deg", "leeway_deg")


@dataclass(frozen=True, slots=True)
class Trim:
    """Windows of a season: where they lie, with which set (index in the fit's sets), heel, pitch, leeway of each."""

    tws_kn: Floats
    twa_deg: Floats
    set_number: Ints
    values: Floats  # (3, n): heel to leeward, pitch, size of the leeway
    corrections: dict[str, Floats]  # (sets,) in force at the season's end


def trim_of(season: Season) -> Trim:
    """Read from the windows, and from the samples within them."""
    windows = season.windows.sort("start").with_row_index("window")
    samples = season.wind.select(
        "time",
        *(
            (pl.col(c) if c in season.wind.columns else pl.lit(None, pl.Float64)).cast(pl.Float64).alias(c)
            for c in ("pitch", "leeway_deg")
        ),
    ).sort("time")
    inside = samples.join_asof(windows.select("window", "start", "end"), left_on="time", right_on="start").filter(
        pl.col("time") < pl.col("end")
    )
    means = inside.group_by("window").agg(pl.col("pitch").mean(), pl.col("leeway_deg").abs().mean())
    rows = windows.select(
        "window", "sail_set", "tws_kn", "twa_deg", (-pl.col("twa_deg").sign() * pl.col("heel_deg")).alias("heel_deg")
    ).join(means, on="window", how="left", maintain_order="left")
    numbers = {name: k for k, name in enumerate(season.fit.sets)}
    return Trim(
        rows["tws_kn"].to_numpy().astype(float),
        np.abs(rows["twa_deg"].to_numpy().astype(float)),
        np.array([numbers.get(n, -1) for n in rows["sail_set"].to_list()], dtype=np.int64),
        np.stack([rows[c].fill_null(np.nan).to_numpy().astype(float) for c in ("heel_deg", "pitch", "leeway_deg")]),
        _corrections(season, season.campaign.boat),
    )


def _corrections(season: Season, boat: Boat) -> dict[str, Floats]:
    sets = pl.Series(list(season.fit.sets), dtype=pl.String)
    last = season.wind["time"].max()
    time = pl.Series([last] * len(sets), dtype=pl.Datetime("us"))
    return corrections_in_force(boat.calibration, time, sets)


def sailing_at(trim: Trim, tws_kn: Floats, twa_deg: Floats, set_number: Ints, bsp_kn: Floats) -> Sailing:
    """At n winds, each with a set and its speed. Where a set has too few windows near, those of all sets stand in;
    where nothing was logged, 0.
    """
    out = np.zeros((len(CHANNELS), len(tws_kn)))
    for i, (tws, twa, k) in enumerate(zip(tws_kn, twa_deg, set_number, strict=True)):
        near = np.exp(-0.5 * (((trim.tws_kn - tws) / WIDTH_TWS_KN) ** 2 + ((trim.twa_deg - twa) / WIDTH_TWA_DEG) ** 2))
        own = np.where(trim.set_number == k, near, 0.0)
        for c, values in enumerate(trim.values):
            known = np.isfinite(values)
            weight = own if own[known].sum() >= ENOUGH else near
            total = weight[known].sum()
            out[c, i] = (weight[known] @ values[known]) / total if total > 1e-9 else 0.0
    heel, pitch, leeway = out
    c = {name: values[set_number] for name, values in trim.corrections.items()}
    return Sailing(
        bsp_kn,
        heel,
        pitch,
        leeway,
        c["boat_speed_factor"],
        c["awa_offset_deg"],
        c["aws_factor"],
        c["upwash_deg"],
    )
