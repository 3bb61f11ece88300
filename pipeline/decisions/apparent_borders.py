"""The borders in the apparent wind: true to the water, and as the crew's displays show them: `crossovers_apparent`.

At a border of equal speed and angle the apparent wind is the same with either set up; what the displays show may differ
by each set's heel, leeway and upwash, so both are given, and their mean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.crossovers.borders import FIXED_ANGLE
from pipeline.crossovers.made_good import MODES, best_made_good
from pipeline.decisions.displays import apparent_at_sensor, shown_on_displays
from pipeline.decisions.sailing_at import Trim, sailing_at, trim_of
from pipeline.decisions.season import Season
from pipeline.decisions.surface_lookup import Ints, look_up, places_of
from pipeline.tables import TABLES

EXTRA: dict[str, pl.DataType] = {
    **{"along": pl.String(), "at": pl.Float64(), "verdict": pl.String(), "bsp_kn": pl.Float64()},
    **dict.fromkeys(
        (
            *("tws_shown_kn", "twa_shown_deg"),
            *("awa_shown_starboard_deg", "awa_shown_port_deg"),
            *("aws_shown_a_kn", "awa_shown_a_deg", "aws_shown_b_kn", "awa_shown_b_deg"),
            *("aws_shown_low_kn", "aws_shown_high_kn", "awa_shown_low_deg", "awa_shown_high_deg"),
        ),
        pl.Float64(),
    ),
}
QUANTITIES = ("aws", "awa", "aws_shown", "awa_shown", "starboard", "port", "tws_shown", "twa_shown", "bsp", "twa")


@dataclass(frozen=True, slots=True)
class Readings:
    """Turns a true wind with a set into apparent wind and readings. `angle_of` (modes): best angles (sets, tws)."""

    season: Season
    trim: Trim
    angle_of: dict[str, Floats]

    def best_angle(self, mode: str, set_number: Ints, tws_kn: Floats) -> Floats:
        """Each set's own best angle in a mode, between the winds where it has one; NaN beyond."""
        out = np.full(len(tws_kn), np.nan)
        grid = self.season.fit.tws_kn
        for k in np.unique(set_number):
            known = np.isfinite(self.angle_of[mode][k])
            mine = set_number == k
            if known.any():
                near = np.interp(tws_kn[mine], grid[known], self.angle_of[mode][k][known])
                out[mine] = near
        return out

    def speed(self, set_number: Ints, tws_kn: Floats, twa_deg: Floats) -> Floats:
        """Expected speed in knots of each set at its wind."""
        every = look_up(self.season.fit.log_speed, places_of(self.season.fit, tws_kn, twa_deg))
        return np.exp(every[set_number, np.arange(len(set_number))])

    def read(self, set_number: Ints, tws_kn: Floats, twa_deg: Floats, bsp_kn: Floats) -> dict[str, Floats]:
        """`QUANTITIES` by name, NaN where the wind or the speed is."""
        boat = self.season.campaign.boat
        sailing = sailing_at(self.trim, tws_kn, twa_deg, set_number, bsp_kn)
        awa, aws = apparent_at_sensor(boat, tws_kn, twa_deg, sailing)
        shown = shown_on_displays(boat, tws_kn, twa_deg, sailing)
        return dict(
            zip(
                QUANTITIES,
                (
                    *(aws, awa, shown.aws_kn, shown.awa_deg, shown.awa_starboard_deg, shown.awa_port_deg),
                    *(shown.tws_kn, shown.twa_deg, bsp_kn, twa_deg),
                ),
                strict=True,
            )
        )


def readings_of(season: Season) -> Readings:
    """Ready to read a season's borders off."""
    fit = season.fit
    angles = {m: best_made_good(np.exp(fit.log_speed)[None], fit.twa_deg, fit.supported, m)[1] for m in MODES}
    return Readings(season, trim_of(season), angles)


def apparent_borders(season: Season) -> pl.DataFrame:
    """Table `crossovers_apparent`, a row for each row of `crossovers`, in its order.

    Low and high follow the border's interval; blank on a side where that is open or leaves the surfaces' reach. Beyond
    the table: where the border lies in `crossovers`, the displays' true wind, their angle on each tack, and with each
    set up.
    """
    schema = {**TABLES["crossovers_apparent"].columns, **EXTRA}
    crossovers = season.tables.get("crossovers", TABLES["crossovers"].empty())
    if crossovers.is_empty() or not season.fit.sets:
        return pl.DataFrame(schema=schema)
    readings = readings_of(season)
    number = {name: k for k, name in enumerate(season.fit.sets)}
    pair = [np.array([number[n] for n in crossovers[c].to_list()]) for c in ("set_a", "set_b")]
    middle, low, high = (_place(readings, crossovers, pair, c) for c in ("crossing", "crossing_low", "crossing_high"))
    both = {q: 0.5 * (middle[0][q] + middle[1][q]) for q in QUANTITIES}
    columns: dict[str, Floats | pl.Series] = {
        **{c: crossovers[c] for c in ("set_a", "set_b", "mode", "along", "at", "verdict")},
        "tws_kn": _tws(crossovers, "crossing"),
        "twa_deg": both["twa"],
        "bsp_kn": both["bsp"],
        "aws_kn": both["aws"],
        "awa_deg": both["awa"],
        "aws_shown_kn": both["aws_shown"],
        "awa_shown_deg": both["awa_shown"],
        "tws_shown_kn": both["tws_shown"],
        "twa_shown_deg": both["twa_shown"],
        "awa_shown_starboard_deg": both["starboard"],
        "awa_shown_port_deg": both["port"],
    }
    for side, values in zip("ab", middle, strict=True):
        columns[f"aws_shown_{side}_kn"], columns[f"awa_shown_{side}_deg"] = values["aws_shown"], values["awa_shown"]
    for name, quantity, unit in (
        *(("aws", "aws", "kn"), ("awa", "awa", "deg")),
        *(("aws_shown", "aws_shown", "kn"), ("awa_shown", "awa_shown", "deg")),
    ):
        ends = [0.5 * (end[0][quantity] + end[1][quantity]) for end in (low, high)]
        columns[f"{name}_low_{unit}"], columns[f"{name}_high_{unit}"] = _interval(both[quantity], *ends)
    series = [v.alias(k) if isinstance(v, pl.Series) else pl.Series(k, v, nan_to_null=True) for k, v in columns.items()]
    return TABLES["crossovers_apparent"].conform(pl.DataFrame(series).select(list(schema)))


def _tws(crossovers: pl.DataFrame, column: str) -> Floats:
    along_tws = (crossovers["along"] == "tws_kn").to_numpy()
    crossing, at = (crossovers[c].fill_null(np.nan).to_numpy().astype(float) for c in (column, "at"))
    return np.where(along_tws, crossing, at)


def _place(readings: Readings, crossovers: pl.DataFrame, pair: list[Ints], column: str) -> list[dict[str, Floats]]:
    """What is read with each of the two sets at the border, or at an end of its interval."""
    tws = _tws(crossovers, column)
    mode, along = crossovers["mode"].to_numpy(), crossovers["along"].to_numpy()
    crossing, at = (crossovers[c].fill_null(np.nan).to_numpy().astype(float) for c in (column, "at"))
    fixed = np.where(along == "tws_kn", at, crossing)
    angles = []
    for k in pair:
        angle = fixed.copy()
        for m in MODES:
            mine = mode == m
            angle[mine] = readings.best_angle(m, k[mine], tws[mine])
        angles.append(angle)
    missing = ~np.isfinite(tws) | ~np.isfinite(angles[0]) | ~np.isfinite(angles[1])
    tws = np.where(missing, np.nan, tws)
    speeds = [readings.speed(k, tws, a) for k, a in zip(pair, angles, strict=True)]
    # Equal at a border of fixed angle but for the grid; at the ends of its interval the two sets' mean.
    level = np.sqrt(speeds[0] * speeds[1])
    speeds = [np.where(mode == FIXED_ANGLE, level, v) for v in speeds]
    return [readings.read(k, tws, a, v) for k, a, v in zip(pair, angles, speeds, strict=True)]


def _interval(middle: Floats, one: Floats, other: Floats) -> tuple[Floats, Floats]:
    """Low and high of a quantity from its values at the two ends of a border's interval, either of them NaN if open."""
    ends = np.stack([one, other])
    below, above = np.where(ends <= middle, ends, np.inf), np.where(ends > middle, ends, -np.inf)
    low, high = below.min(axis=0), above.max(axis=0)
    closed = np.isfinite(ends).all(axis=0)
    low = np.where(closed, np.minimum(low, middle), np.where(np.isfinite(low), low, np.nan))
    high = np.where(closed, np.maximum(high, middle), np.where(np.isfinite(high), high, np.nan))
    return low, high
