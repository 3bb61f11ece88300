"""A small season made by hand: two jibs and a spinnaker whose borders are straight lines, sailed second by second."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.campaign.campaign import Campaign
from pipeline.campaign.settings import Boat, Instruments, Sail, SailSet
from pipeline.crossovers.borders import borders_on, lattice_lines
from pipeline.crossovers.made_good import MODES, made_good_line
from pipeline.decisions.season import Season
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

START = datetime(2027, 6, 12, 10)
SETS = ("HJ", "LJ", "SP")
TWS_KN, TWA_DEG = np.arange(4.0, 25.0), np.arange(30.0, 176.0, 5.0)
DRAWS = 200
DRAW_SD = 0.002
# The heavy jib gains so much log speed a knot on the light one, and is its equal at 14 kn; the spinnaker so much a
# degree on the light jib, and is its equal at 100 deg.
JIB_SLOPE, JIB_BORDER_KN, SPINNAKER_SLOPE, SPINNAKER_BORDER_DEG = 0.01, 14.0, 0.004, 100.0

BOAT = Boat(
    "invented",
    10.0,
    Instruments(wind_sensor_height_m=15.0),
    sails={
        "MN": Sail("MN", "mainsail", "mast"),
        "LJ": Sail("LJ", "headsail", "forestay"),
        "HJ": Sail("HJ", "headsail", "forestay"),
        "SP": Sail("SP", "spinnaker", "bowsprit", max_aws_kn=22.0),
    },
    sail_sets=tuple(SailSet(name, ("MN", name)) for name in ("LJ", "HJ", "SP")),
)


def log_speed(sail_set: str, tws_kn: np.ndarray, twa_deg: np.ndarray) -> np.ndarray:
    """Log of boat speed in knots."""
    light = np.log(0.55 * tws_kn**0.8 * np.sin(np.radians(twa_deg * 0.6 + 10.0)))
    if sail_set == "HJ":
        return light + JIB_SLOPE * (tws_kn - JIB_BORDER_KN)
    if sail_set == "SP":
        return light + SPINNAKER_SLOPE * (twa_deg - SPINNAKER_BORDER_DEG)
    return light


def made_fit(supported: np.ndarray | None = None) -> tuple[SeasonFit, np.ndarray]:
    """The exact surfaces as a fit, and draws in which each set is off by a little everywhere."""
    tws, twa = np.meshgrid(TWS_KN, TWA_DEG, indexing="ij")
    mean = np.stack([log_speed(s, tws, twa) for s in SETS])
    known = np.ones(mean.shape, dtype=bool) if supported is None else supported
    mean = np.where(known, mean, np.nan)
    noise = DRAW_SD * np.random.default_rng(1).standard_normal((DRAWS, len(SETS), 1, 1))
    sd = np.full(mean.shape, DRAW_SD)
    fit = SeasonFit(
        TABLES["surfaces"].empty(),
        SETS,
        TWS_KN,
        TWA_DEG,
        mean,
        sd,
        known,
        np.full(mean.shape, 10.0),
        {},
        np.zeros(0),
        np.zeros(mean.shape[1:]),
    )
    return fit, mean + noise


@dataclass(frozen=True)
class Leg:
    """So many minutes with a set, at a wind and a signed angle; `slow` multiplies the speed."""

    minutes: float
    sail_set: str
    tws_kn: float
    twa_deg: float
    slow: float = 1.0


def sail(legs: list[Leg], dips: dict[float, tuple[float, float]] | None = None, heel_deg: float = 0.0) -> pl.DataFrame:
    """Samples with wind of the legs, one a second, the boat always at her surface; `dips`: at so many minutes, a loss
    of so much of the speed for so many seconds from then on.
    """
    parts = {"tws_kn": [], "twa_deg": [], "bsp_kn": []}
    for leg in legs:
        n = round(leg.minutes * 60)
        speed = np.exp(log_speed(leg.sail_set, np.full(n, leg.tws_kn), np.full(n, abs(leg.twa_deg)))) * leg.slow
        parts["tws_kn"].append(np.full(n, leg.tws_kn))
        parts["twa_deg"].append(np.full(n, leg.twa_deg))
        parts["bsp_kn"].append(speed)
    c = {k: np.concatenate(v) for k, v in parts.items()}
    for minute, (share, seconds) in (dips or {}).items():
        c["bsp_kn"][round(minute * 60) : round(minute * 60 + seconds)] *= 1.0 - share
    n = len(c["tws_kn"])
    hdg = np.mod(200.0 - c["twa_deg"], 360.0)
    return pl.DataFrame(
        {
            "time": [START + timedelta(seconds=k) for k in range(n)],
            **c,
            "twd_deg": np.full(n, 200.0),
            "hdg_deg": hdg,
            "aws_kn": c["tws_kn"],
            "awa_deg": c["twa_deg"],
            "heel_deg": -np.sign(c["twa_deg"]) * heel_deg,
            "leeway_deg": np.zeros(n),
        }
    ).with_columns(pl.col("time").cast(pl.Datetime("us")))


def segments_of(legs: list[Leg]) -> pl.DataFrame:
    """The time line of the legs, neighbours of one set joined."""
    rows: list[list[object]] = []
    at = START
    for leg in legs:
        end = at + timedelta(minutes=leg.minutes)
        if rows and rows[-1][2] == leg.sail_set:
            rows[-1][1] = end
        else:
            rows.append([at, end, leg.sail_set, "sail log", "logged"])
        at = end
    return pl.DataFrame(rows, schema=TABLES["segments"].columns, orient="row")


def made_season(
    legs: list[Leg],
    *,
    dips: dict[float, tuple[float, float]] | None = None,
    boat: Boat = BOAT,
    race: bool = True,
    supported: np.ndarray | None = None,
    heel_deg: float = 0.0,
) -> Season:
    """The season of these legs, one race from the first to the last minute."""
    fit, draws = made_fit(supported)
    wind = sail(legs, dips, heel_deg)
    end = wind["time"][-1]
    races = pl.DataFrame({"name": ["Cup"], "start": [START], "finish": [end]}).cast(
        {"start": pl.Datetime("us"), "finish": pl.Datetime("us")}
    )
    campaign = Campaign(Path(), boat, None, None, None, None, races if race else None, None, None, (), ())
    windows = wind.gather_every(60).with_columns(
        pl.col("time").alias("start"), pl.col("time").dt.offset_by("60s").alias("end"), pl.lit("LJ").alias("sail_set")
    )
    sessions = pl.DataFrame({"session": [1], "start": [START], "end": [end]})
    lines = [*lattice_lines(fit, draws), *(made_good_line(fit, draws, mode) for mode in MODES)]
    rows = [row for line in lines for row in borders_on(line, fit.sets)]
    tables = {"crossovers": pl.DataFrame(rows, schema=TABLES["crossovers"].columns, orient="row")}
    none = pl.DataFrame()
    return Season(campaign, wind, segments_of(legs), sessions, windows, fit, draws, tables, none)
