"""The card on the bulkhead: each border as the displays show it, rounded, with what does not matter about it.

Side table `card`. A border is read in AWS where it runs across the wind (the angle hardly matters), and in AWA where it
runs along it; each pair of sets is given the way in which it is the better known.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat
from pipeline.crossovers.borders import FIXED_ANGLE
from pipeline.crossovers.crossing import CLEAR_WIDTH
from pipeline.decisions.apparent_borders import Readings, readings_of
from pipeline.decisions.border_lines import BorderLine, border_lines
from pipeline.decisions.change_rules import ALONG_WIND, reading_on
from pipeline.decisions.season import Season

# Nearer the border than this share of speed either set will do.
INDIFFERENT = 0.005
# The card's changes are for a wind that holds for a quarter of an hour.
HOLDS_MINUTES = 15.0
# Rounding: what a display can be read to, and a crew can remember.
AWS_STEP_KN, AWA_STEP_DEG, TWS_STEP_KN, TWA_STEP_DEG = 0.5, 1.0, 0.5, 5.0
# Lines a pair is given at: angles in steps of this, winds in steps of that.
ANGLE_LINES_DEG, WIND_LINES_KN = 15.0, 4.0

SCHEMA: dict[str, pl.DataType] = {
    "set_a": pl.String(),
    "set_b": pl.String(),
    "mode": pl.String(),
    "read": pl.String(),
    "aws_kn": pl.Float64(),
    "awa_deg": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "either_from": pl.Float64(),
    "either_to": pl.Float64(),
    "change_up_at": pl.Float64(),
    "change_down_at": pl.Float64(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "limit_aws_kn": pl.Float64(),
    "verdict": pl.String(),
}


def card_of(season: Season, apparent: pl.DataFrame, rules: pl.DataFrame) -> pl.DataFrame:
    """The card: `read` says which display counts (`aws` or `awa`).

    In its units are `low` to `high`, the border's 90 % interval (blank on an open side); `either_from` to `either_to`,
    the band in which either set costs less than half a per cent (blank where it leaves the supported range);
    `change_up_at` and `change_down_at` for a wind that holds for a quarter of an hour (blank where no change pays).
    `limit_aws_kn`: the lowest maker's limit of the two sets' sails. Sorted by mode, pair and line.
    """
    if apparent.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    chosen = _chosen(apparent)
    lines, readings = border_lines(season), readings_of(season)
    ahead = rules.filter(pl.col("minutes_ahead") == HOLDS_MINUTES)
    marks = {_key(r): r for r in ahead.iter_rows(named=True)}
    rows = [
        _row(season.campaign.boat, readings, line, place, marks.get(_key(line.row)))
        for line, place, wanted in zip(lines, apparent.iter_rows(named=True), chosen, strict=True)
        if wanted and place["aws_shown_kn"] is not None
    ]
    return pl.DataFrame(rows, schema=SCHEMA).sort("mode", "set_a", "set_b", "read", "tws_kn", "twa_deg")


def _key(row: dict[str, object]) -> tuple[object, ...]:
    return tuple(row[c] for c in ("set_a", "set_b", "mode", "along", "at", "crossing"))


def _chosen(apparent: pl.DataFrame) -> list[bool]:
    """Rows for the card: made-good borders, and of each pair's lines those the way its borders are the narrower."""
    unit = pl.col("along").replace_strict(CLEAR_WIDTH, return_dtype=pl.Float64)
    width = (
        pl.when(pl.col("along") == ALONG_WIND)
        .then(pl.col("aws_high_kn") - pl.col("aws_low_kn"))
        .otherwise(pl.col("awa_high_deg") - pl.col("awa_low_deg"))
    )
    fixed = apparent.filter(pl.col("mode") == FIXED_ANGLE).select(
        pl.min_horizontal("set_a", "set_b").alias("one"),
        pl.max_horizontal("set_a", "set_b").alias("other"),
        "along",
        (width / unit).fill_null(3.0).alias("width"),
    )
    best = (
        fixed.group_by("one", "other", "along")
        .agg(pl.col("width").median(), pl.len())
        .sort("width", "len", "along", descending=[False, True, True])
        .group_by("one", "other", maintain_order=True)
        .first()
    )
    way = {(a, b): along for a, b, along in best.select("one", "other", "along").rows()}
    step = {ALONG_WIND: ANGLE_LINES_DEG, "twa_deg": WIND_LINES_KN}
    return [
        mode != FIXED_ANGLE or (along == way[min(a, b), max(a, b)] and at % step[along] == 0.0)
        for a, b, mode, along, at in apparent.select("set_a", "set_b", "mode", "along", "at").rows()
    ]


def _row(
    boat: Boat, readings: Readings, line: BorderLine, place: dict[str, object], mark: dict[str, object] | None
) -> dict[str, object]:
    by_speed = line.row["along"] == ALONG_WIND
    read, unit, step = ("aws", "kn", AWS_STEP_KN) if by_speed else ("awa", "deg", AWA_STEP_DEG)
    ends = [reading_on(readings, line.row, e)[f"{read}_shown"] if e is not None else None for e in indifferent(line)]
    if None not in ends:
        ends = sorted(ends)  # type: ignore[type-var]
    column = f"shown_{read}_{unit}"
    up, down = (None if mark is None else mark[f"{way}_{column}"] for way in ("up", "down"))
    return {
        "set_a": line.row["set_a"],
        "set_b": line.row["set_b"],
        "mode": line.row["mode"],
        "read": read,
        "aws_kn": _rounded(place["aws_shown_kn"], AWS_STEP_KN),
        "awa_deg": _rounded(place["awa_shown_deg"], AWA_STEP_DEG if read == "awa" else TWA_STEP_DEG),
        "low": _rounded(place[f"{read}_shown_low_{unit}"], step),
        "high": _rounded(place[f"{read}_shown_high_{unit}"], step),
        "either_from": _rounded(ends[0], step),
        "either_to": _rounded(ends[1], step),
        "change_up_at": _rounded(up, step),
        "change_down_at": _rounded(down, step),
        "tws_kn": _rounded(place["tws_kn"], TWS_STEP_KN),
        "twa_deg": _rounded(place["twa_deg"], TWA_STEP_DEG),
        "limit_aws_kn": _limit(boat, str(line.row["set_a"]), str(line.row["set_b"])),
        "verdict": line.row["verdict"],
    }


def indifferent(line: BorderLine) -> tuple[float | None, float | None]:
    """Where along the line, below and above the crossing, the lead grows past half a per cent; None where support ends
    before.
    """
    small = np.abs(line.lead) < INDIFFERENT
    at = int(np.argmin(np.abs(line.x - line.crossing))) if len(line.x) else 0
    if not len(line.x) or not small[at]:
        return None, None
    below, above = np.flatnonzero(~small[:at]), np.flatnonzero(~small[at:])
    return (
        float(line.x[below[-1]]) if below.size else None,
        float(line.x[at + above[0]]) if above.size else None,
    )


def _rounded(value: object, step: float) -> float | None:
    if value is None or not np.isfinite(float(value)):  # type: ignore[arg-type]
        return None
    return round(float(value) / step) * step  # type: ignore[arg-type]


def _limit(boat: Boat, *sets: str) -> float | None:
    codes = {c for s in sets for c in sails_of(s, boat) or ()}
    limits = [boat.sails[c].max_aws_kn for c in codes if boat.sails[c].max_aws_kn is not None]
    return min(limits, default=None)  # type: ignore[type-var]
