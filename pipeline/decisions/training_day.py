"""Table `training_day`: the tests of the plan as a running order, for each wind that a day may have."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.decisions.paired_test import TURNS

# A day's wind is one of these ranges; a plan for another wind is of no use on it.
WIND_STEP_KN = 4.0
# Three hours on the water leave so many half hours beside getting there.
MOST_HALF_HOURS = 5
SCHEMA: dict[str, pl.DataType] = {
    "wind_from_kn": pl.Float64(),
    "wind_to_kn": pl.Float64(),
    "order": pl.Int64(),
    "start_minute": pl.Float64(),
    "minutes": pl.Float64(),
    "sail_set": pl.String(),
    "against": pl.String(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "tacks": pl.String(),
    "rank": pl.Int64(),
    "narrows": pl.String(),
}
# Which tacks each turn of the half hour is sailed on; on the other at half time.
TACKS = ("one tack", "both, changing tack half-way", "the other tack")


def training_day(plan: pl.DataFrame) -> pl.DataFrame:
    """Running orders from the table `test_plan`: one for each range of 4 kn in which the plan has a test.

    `wind_from_kn, wind_to_kn, order, start_minute, minutes, sail_set, against, tws_kn, twa_deg, tacks, rank, narrows`:
    each half hour is three turns (one set, the other for twice as long, the first again). Half hours follow
    each other so that as few sails as possible are changed between them; where the wind has fewer tests than half
    hours, the one worth most is sailed again.
    """
    rows: list[dict[str, object]] = []
    if plan.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    ranges = plan.select((pl.col("tws_kn") / WIND_STEP_KN).floor() * WIND_STEP_KN).to_series().unique().sort()
    for low in ranges.to_list():
        inside = plan.filter((pl.col("tws_kn") >= low) & (pl.col("tws_kn") < low + WIND_STEP_KN)).sort("rank")
        chosen = _half_hours(inside.head(MOST_HALF_HOURS).to_dicts())
        rows += _running_order(chosen, low)
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _half_hours(tests: list[dict]) -> list[dict]:
    """The tests, repeated in turn from the best on until the day is full, but none more than twice."""
    return (tests + tests)[:MOST_HALF_HOURS]


def _running_order(tests: list[dict], low: float) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    minute = 0.0
    for first, second, test in in_sequence(tests):
        for k, (which, length) in enumerate(TURNS):
            rows.append(
                {
                    "wind_from_kn": low,
                    "wind_to_kn": low + WIND_STEP_KN,
                    "order": len(rows) + 1,
                    "start_minute": minute,
                    "minutes": length,
                    "sail_set": (first, second)[which],
                    "against": (second, first)[which],
                    "tws_kn": test["tws_kn"],
                    "twa_deg": test["twa_deg"],
                    "tacks": TACKS[k],
                    "rank": test["rank"],
                    "narrows": _narrows(test),
                }
            )
            minute += length
    return rows


def in_sequence(tests: list[dict]) -> list[tuple[str, str, dict]]:
    """Order of the tests, each with the set that begins and ends it and the other: the best first, then always one
    that can go on with what is up, the nearest in angle of those.
    """
    left = list(tests)
    out: list[tuple[str, str, dict]] = []
    up: str | None = None
    angle = 0.0
    while left:
        if up is None:
            nxt = left[0]
        else:
            nxt = min(left, key=lambda t: (up not in (t["set_a"], t["set_b"]), abs(t["twa_deg"] - angle), t["rank"]))
        left.remove(nxt)
        pair = (nxt["set_a"], nxt["set_b"])
        if up in pair:
            first = str(up)
        else:
            # begin with the set that a later test can go on with
            later = [sum(s in (t["set_a"], t["set_b"]) for t in left) for s in pair]
            first = pair[int(np.argmax(later))]
        second = pair[1] if first == pair[0] else pair[0]
        out.append((first, second, nxt))
        up, angle = first, nxt["twa_deg"]
    return out


def _narrows(test: dict) -> str:
    unit = "kn" if test["along"] == "tws_kn" else "deg"
    held = f"{test['at']:g} deg" if unit == "kn" else f"{test['at']:g} kn"
    at_least = "at least " if test["open_now"] else ""
    after = test["band_after_half_hour"]
    to = "" if after is None else f" to {'at least ' if test['open_after'] else ''}{after:.1f} {unit}"
    return f"{test['set_a']} | {test['set_b']} at {held}: from {at_least}{test['band_now']:.1f}{to}"
