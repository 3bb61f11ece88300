"""Where a set sails faster or slower than the designer predicted: the table `speed_comparison`."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.campaign.settings import Boat
from pipeline.crossovers.comparison import designed_wind
from pipeline.crossovers.designed_chart import speed_table
from pipeline.intervals import HALF_90
from pipeline.surfaces.season import SeasonFit

SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "predicted_kn": pl.Float64(),
    "measured_kn": pl.Float64(),
    "difference_pct": pl.Float64(),
    "low_pct": pl.Float64(),
    "high_pct": pl.Float64(),
    "verdict": pl.String(),
    "provisional": pl.Boolean(),
}


def speed_comparison(fit: SeasonFit, boat: Boat, speeds: pl.DataFrame | None) -> pl.DataFrame:
    """Measured against predicted speed on the nodes where the set is supported and `designed_speeds.csv` reaches.

    `tws_kn, twa_deg` in our wind; the prediction is read, bilinear, at the designer's height and angle. The difference
    in per cent of the prediction with its 90 % interval; `verdict` `faster` or `slower` where that leaves 0 out, else
    `as predicted`. `provisional` where `[design]` does not say what wind was meant.
    """
    frames = []
    if speeds is not None:
        convert = designed_wind(boat, fit)
        for k, name in enumerate(fit.sets):
            rows = speeds.filter(pl.col("sail_set") == name)
            i, j = np.nonzero(fit.supported[k])
            if rows.is_empty() or len(i) == 0:
                continue
            tws, twa = fit.tws_kn[i], fit.twa_deg[j]
            predicted = speed_table(rows)(np.column_stack(convert(tws, twa)))
            half = HALF_90 * fit.log_sd[k, i, j]
            excess = fit.log_speed[k, i, j] - np.log(predicted)
            frames.append(
                pl.DataFrame(
                    {
                        "sail_set": [name] * len(i),
                        "tws_kn": tws,
                        "twa_deg": twa,
                        "predicted_kn": predicted,
                        "measured_kn": np.exp(fit.log_speed[k, i, j]),
                        "difference_pct": 100.0 * np.expm1(excess),
                        "low_pct": 100.0 * np.expm1(excess - half),
                        "high_pct": 100.0 * np.expm1(excess + half),
                        "verdict": np.select([excess > half, excess < -half], ["faster", "slower"], "as predicted"),
                    }
                ).filter(pl.col("predicted_kn").is_finite())
            )
    if not frames:
        return pl.DataFrame(schema=SCHEMA)
    table = pl.concat(frames).with_columns(pl.lit(not boat.design.given).alias("provisional"))
    return table.cast(SCHEMA).sort("sail_set", "tws_kn", "twa_deg")  # type: ignore[arg-type]
