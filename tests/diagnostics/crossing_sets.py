"""Two sets that cross at 12 kn, sailed side by side on eight days: small, and every answer known."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.campaign.settings import Boat, Instruments

BOAT = Boat("known", 12.0, Instruments(wind_sensor_height_m=10.0))
DAYS, PER_DAY, CROSSING_KN, SLOPE = 8, 60, 12.0, 0.01
DAY_SD = 0.012


def windows(
    seed: int,
    *,
    port_of_b: float = 0.0,
    slow_day: tuple[int, float] | None = None,
    spoilt: tuple[int, float] | None = None,
    twa: tuple[float, float] = (75.0, 110.0),
) -> pl.DataFrame:
    """Windows of sets A and B in turns of ten minutes, tacks in turns of five.

    B overtakes A at `CROSSING_KN` by `SLOPE` a knot; B is faster on port than on starboard by `port_of_b` (log);
    `slow_day`: that day's effect; `spoilt`: on that day B alone is faster by so much.
    """
    rng = np.random.default_rng(seed)
    n = DAYS * PER_DAY
    day, place = np.divmod(np.arange(n), PER_DAY)
    is_b, port = (place // 10) % 2 == 1, (place // 5) % 2 == 1
    tws = rng.uniform(8.0, 16.0, DAYS)[day] * 0.5 + rng.uniform(3.5, 8.5, n)
    angle = rng.uniform(*twa, n)
    y = np.log(2.4 * np.sqrt(tws)) - 0.5 * ((angle - 92.0) / 90.0) ** 2
    y += np.where(is_b, 0.5, -0.5) * SLOPE * (tws - CROSSING_KN)
    y += rng.normal(0.0, DAY_SD, DAYS)[day] + rng.normal(0.0, 0.008, n)
    y += np.where(is_b, port_of_b * np.where(port, 0.5, -0.5), 0.0)
    if slow_day is not None:
        y += np.where(day == slow_day[0], slow_day[1], 0.0)
    if spoilt is not None:
        y += np.where((day == spoilt[0]) & is_b, spoilt[1], 0.0)
    starts = [
        datetime(2027, 6, 1, 10) + timedelta(days=int(d) * 2, minutes=int(p)) for d, p in zip(day, place, strict=True)
    ]
    return pl.DataFrame(
        {
            "start": starts,
            "end": [t + timedelta(seconds=45) for t in starts],
            "session": day,
            "sail_set": np.where(is_b, "B", "A"),
            "tws_kn": tws,
            "twa_deg": np.where(port, -angle, angle),
            "bsp_kn": np.exp(y),
        },
        schema_overrides={"start": pl.Datetime("us"), "end": pl.Datetime("us")},
    )
