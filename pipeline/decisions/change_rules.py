"""When a change pays: how far beyond the border the wind must be, by how long it will hold. Table `change_rules`.

A change costs seconds (`change_pools`); the other set gains a share of every second that it is up. The margin is where
the gain over the minutes ahead is the cost. A change up goes from set_a to set_b, a change down back.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.crossovers.borders import FIXED_ANGLE
from pipeline.decisions.apparent_borders import Readings, readings_of
from pipeline.decisions.border_lines import BorderLine, border_lines
from pipeline.decisions.change_pools import ChangeCosts
from pipeline.decisions.sail_change_kinds import kind_of_change
from pipeline.decisions.season import Season
from pipeline.tables import TABLES

MINUTES_AHEAD = (5.0, 15.0, 30.0, 60.0)
SECONDS = 60.0
ALONG_WIND, ALONG_ANGLE = "tws_kn", "twa_deg"

EXTRA: dict[str, pl.DataType] = {
    **{"along": pl.String(), "at": pl.Float64(), "crossing": pl.Float64(), "verdict": pl.String()},
    **dict.fromkeys(
        (
            *("up_at", "down_at", "up_awa_deg", "down_awa_deg"),
            *("up_shown_aws_kn", "down_shown_aws_kn", "up_shown_awa_deg", "down_shown_awa_deg"),
            *("cost_up_s", "cost_down_s"),
        ),
        pl.Float64(),
    ),
}


def change_rules(season: Season, costs: ChangeCosts) -> pl.DataFrame:
    """Table `change_rules`, four rows for each row of `crossovers`; none where no change of the season was measured.

    `up_aws_kn`, `down_aws_kn`: knots of apparent wind (true to the water) above the border for a change up, below it
    for a change down; blank where it never pays within the supported range, and for borders along the angle, for which
    `up_awa_deg`, `down_awa_deg` say how much wider, or closer, the apparent wind must be. Beyond the table: the same as
    a place on the line (`up_at`, `down_at`, in the units of `along`) and as a reading of the displays (`.._shown_..`).
    """
    lines = border_lines(season) if costs.usual_s is not None else []
    rows = []
    readings = readings_of(season) if lines else None
    for line in lines:
        assert readings is not None
        rows += _rows(season, readings, line, costs)
    schema = {**TABLES["change_rules"].columns, **EXTRA}
    return TABLES["change_rules"].conform(pl.DataFrame(rows, schema=schema, orient="row"))


def pays_beyond(x: Floats, lead: Floats, crossing: float, needed: float, *, up: bool) -> float | None:
    """First place beyond the crossing where the lead (log of the ratio of speeds, of set_b over set_a) is so large that
    the share `needed` of the time is gained; None where it never is. Up is towards larger `x`.
    """
    gained = -np.expm1(-lead) if up else -np.expm1(lead)
    beyond = (x >= crossing) if up else (x <= crossing)
    enough = np.flatnonzero(beyond & (gained >= needed))
    if enough.size == 0:
        return None
    at = int(enough[0] if up else enough[-1])
    near = at - 1 if up else at + 1
    if not 0 <= near < len(x) or not beyond[near]:
        return float(x[at])
    share = (needed - gained[near]) / (gained[at] - gained[near])
    return float(x[near] + np.clip(share, 0.0, 1.0) * (x[at] - x[near]))


def _rows(season: Season, readings: Readings, line: BorderLine, costs: ChangeCosts) -> list[dict[str, object]]:
    row, boat = line.row, season.campaign.boat
    pair = str(row["set_a"]), str(row["set_b"])
    cost = {
        "up": costs.seconds_of(kind_of_change(*pair, boat)),
        "down": costs.seconds_of(kind_of_change(*pair[::-1], boat)),
    }
    named = {c: row[c] for c in ("set_a", "set_b", "mode", "along", "at", "crossing", "verdict")}
    border = reading_on(readings, row, line.crossing)
    out = []
    for minutes in MINUTES_AHEAD:
        one = {**named, "minutes_ahead": minutes, "cost_up_s": cost["up"], "cost_down_s": cost["down"]}
        for way, seconds in cost.items():
            if seconds is None or len(line.x) == 0:
                continue
            place = pays_beyond(line.x, line.lead, line.crossing, seconds / (minutes * SECONDS), up=way == "up")
            if place is None:
                continue
            there = reading_on(readings, row, place)
            sign = 1.0 if way == "up" else -1.0
            one[f"{way}_at"] = place
            one[f"{way}_shown_aws_kn"], one[f"{way}_shown_awa_deg"] = there["aws_shown"], there["awa_shown"]
            quantity, column = ("aws", "aws_kn") if row["along"] == ALONG_WIND else ("awa", "awa_deg")
            margin = sign * (there[quantity] - border[quantity])
            one[f"{way}_{column}"] = margin if np.isfinite(margin) else None
        out.append(one)
    return out


def reading_on(readings: Readings, row: dict[str, object], place: float) -> dict[str, float]:
    """What is read at a place along a border's line, mean of the two sets; NaN out of reach."""
    fit = readings.season.fit
    both = [fit.sets.index(str(row[c])) for c in ("set_a", "set_b")]
    number = np.array(both)
    along_wind = row["along"] == ALONG_WIND
    tws = np.full(2, place if along_wind else float(row["at"]))  # type: ignore[arg-type]
    if row["mode"] == FIXED_ANGLE:
        twa = np.full(2, float(row["at"]) if along_wind else place)  # type: ignore[arg-type]
    else:
        twa = readings.best_angle(str(row["mode"]), number, tws)
    speed = readings.speed(number, tws, twa)
    if row["mode"] == FIXED_ANGLE:
        speed = np.full(2, float(np.sqrt(speed.prod())))
    return {name: float(values.mean()) for name, values in readings.read(number, tws, twa, speed).items()}
