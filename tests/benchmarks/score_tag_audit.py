"""How well the tag audit finds wrong names on the known boats: run by hand.

`python tests/benchmarks/score_tag_audit.py [FIRST-LAST] [boat ...]`. Every season has six stretches of 10 to 20 minutes
under a wrong name; even seeds also a sloppy sail log (late by minutes, changes never written). Pooled over seasons: of
the wrong stretches of 10 minutes and more, in conditions where both sets are supported and differ by over 4 %, the
share found, and with the right name; false alarms in 10 hours. "Known": of those where both sets are supported by
rightly named windows alone, as wrong names support their set, too. For the change times: error of the logged and of the
likelier time.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.decisions.as_sailed import as_sailed  # noqa: E402
from pipeline.decisions.change_times import change_times  # noqa: E402
from pipeline.decisions.season import Season  # noqa: E402
from pipeline.decisions.tag_audit import tag_audit  # noqa: E402
from pipeline.surfaces.season import SeasonFit, without_windows  # noqa: E402
from tests.benchmarks.known_season import fitted_season  # noqa: E402
from tests.known_boat.boats import BOATS  # noqa: E402
from tests.known_boat.score import SupportGrid  # noqa: E402
from tests.known_boat.truth import Truth  # noqa: E402

LEAST_MINUTES, LEAST_DIFFERENCE = 10.0, 0.04
MOST_OVERLAP_OF_A_FALSE_ALARM = 0.5


def compared(truth: Truth, segments: pl.DataFrame) -> pl.DataFrame:
    """Samples of the truth with the tag that the time line gives them."""
    tags = segments.sort("start").select("start", "end", pl.col("sail_set").alias("tag"))
    return (
        truth.samples.select("time", "day", "sail_set", "tws_kn", pl.col("twa_deg").abs())
        .join_asof(tags, left_on="time", right_on="start")
        .filter(pl.col("time") <= pl.col("end"))
        .drop("end")
    )


def wrong_stretches(truth: Truth, season: Season) -> pl.DataFrame:
    """Stretches under a wrong name: `start, end, sail_set, tag, minutes, difference, supported, known` (shares of the
    time).
    """
    names = truth.boat.set_names
    grids = [SupportGrid(fit.surfaces, names) for fit in (season.fit, rightly_named(truth, season))]
    number = {s: i for i, s in enumerate(names)}
    samples = compared(truth, season.segments).with_columns(pl.struct("day", "sail_set", "tag").rle_id().alias("run"))
    wrong = samples.filter((pl.col("sail_set") != pl.col("tag")) & pl.col("tag").is_in(names))
    rows = []
    for part in wrong.partition_by("run", maintain_order=True):
        true, tag = part["sail_set"][0], part["tag"][0]
        tws, twa = part["tws_kn"].to_numpy(), part["twa_deg"].to_numpy()
        held = [grid.at(tws, twa) for grid in grids]
        both = [float((h[number[true]] & h[number[tag]]).mean()) for h in held]
        difference = np.mean(np.log(truth.surface(true, tws, twa) / truth.surface(tag, tws, twa)))
        start, end = part["time"][0], part["time"][-1]
        rows.append((start, end, true, tag, (end - start).total_seconds() / 60, abs(float(difference)), *both))
    columns = ("start", "end", "sail_set", "tag", "minutes", "difference", "supported", "known")
    return pl.DataFrame(rows, schema=columns, orient="row")


def rightly_named(truth: Truth, season: Season) -> SeasonFit:
    """The fit where windows under a wrong name have no say and give no support."""
    fit = season.fit
    basis = fit.as_logged or fit.basis
    if basis is None:
        return fit
    seen = basis.seen
    windows = pl.DataFrame({"start": seen.starts, "tag": [seen.sets[k] for k in seen.set_number]})
    true = truth.samples.select("time", "sail_set").sort("time")
    joined = windows.join_asof(true, left_on="start", right_on="time", strategy="nearest")
    wrong = (joined["sail_set"] != joined["tag"]).to_numpy()
    return without_windows(replace(fit, basis=basis), season.campaign.boat, wrong)


def score_audit(audit: pl.DataFrame, truth: Truth, season: Season) -> dict[str, float]:
    """Counts of one season: `there`, `found`, `named` right, `known`, `found_known`, `false`, `alarms`, `hours`."""
    wrong = wrong_stretches(truth, season)
    judged = wrong.filter(
        (pl.col("minutes") >= LEAST_MINUTES) & (pl.col("difference") > LEAST_DIFFERENCE) & (pl.col("supported") > 0.5)
    )
    found = named = known = found_known = 0
    for row in judged.iter_rows(named=True):
        hits = [
            r
            for r in audit.iter_rows(named=True)
            if _overlap(r, row) > 0.5 * min(row["minutes"], r["minutes"]) and r["logged"] == row["tag"]
        ]
        found += bool(hits)
        named += any(r["likelier"] == row["sail_set"] for r in hits)
        known += row["known"] > 0.5
        found_known += bool(hits) and row["known"] > 0.5
    false = 0
    for row in audit.iter_rows(named=True):
        share = sum(_overlap(row, w) for w in wrong.iter_rows(named=True)) / row["minutes"]
        false += share < MOST_OVERLAP_OF_A_FALSE_ALARM
    hours = truth.samples.height * float(truth.options["dt_s"]) / 3600.0
    counts = {"there": judged.height, "found": found, "named": named, "known": known, "found_known": found_known}
    return {**counts, "false": false, "alarms": audit.height, "hours": hours}


def _overlap(a: dict, b: dict) -> float:
    """Minutes that two stretches share."""
    return max(0.0, (min(a["end"], b["end"]) - max(a["start"], b["start"])).total_seconds() / 60.0)


def score_times(changes: pl.DataFrame, truth: Truth) -> pl.DataFrame:
    """Of each judged change that truly happened within 10 minutes: `verdict`, seconds logged and likelier after it,
    `held` (the interval holds it).
    """
    line = truth.timeline.with_columns(old=pl.col("sail_set").shift(1), before=pl.col("end").shift(1))
    true = line.filter((pl.col("before") == pl.col("start")) & (pl.col("old") != pl.col("sail_set")))
    rows = []
    for row in changes.iter_rows(named=True):
        same = true.filter((pl.col("old") == row["from_set"]) & (pl.col("sail_set") == row["to_set"]))
        late = [(row["time"] - t).total_seconds() for t in same["start"]]
        if late and min(map(abs, late)) <= 600:
            happened = same["start"][int(np.argmin(np.abs(late)))]
            off = [(row[c] - happened).total_seconds() for c in ("time", "likelier")]
            rows.append((row["verdict"], *off, row["low"] <= happened <= row["high"]))
    return pl.DataFrame(rows, schema=["verdict", "logged_s", "likelier_s", "held"], orient="row")


def main() -> None:
    """Print counts a season, the pooled shares, and the change times by verdict."""
    first, last = (int(s) for s in (sys.argv[1] if len(sys.argv) > 1 else "201-205").split("-"))
    total: dict[str, float] = {}
    times = []
    with threadpool_limits(1):
        for seed in range(first, last + 1):
            for boat in sys.argv[2:] or list(BOATS):
                slips = "ordinary" if seed % 2 else "sloppy"
                truth, season = fitted_season(seed, boat, mislabelled=6, slips=slips)
                audit = tag_audit(season.windows, season.segments, season.fit, season.campaign.boat)
                counts = score_audit(audit, truth, season)
                loa_m = season.campaign.boat.loa_m
                changes = change_times(as_sailed(season), season.fit, season.log_draws, season.segments, loa_m)
                times.append(score_times(changes, truth))
                print(boat, seed, counts, flush=True)
                total = {k: total.get(k, 0.0) + v for k, v in counts.items()}
    print(
        f"found {total['found']:.0f} of {total['there']:.0f}, {total['named']:.0f} with the right name; "
        f"of the known {total['found_known']:.0f} of {total['known']:.0f}; "
        f"{total['alarms']:.0f} listed, {total['false']:.0f} false alarms in {total['hours']:.0f} h: "
        f"{10 * total['false'] / total['hours']:.2f} in 10 h"
    )
    size = pl.col("logged_s").abs(), pl.col("likelier_s").abs()
    print(
        pl.concat(times)
        .group_by("verdict")
        .agg(
            pl.len(),
            *(f(e).alias(f"{e.meta.output_name()}_{n}") for e in size for n, f in SUMMARIES.items()),
            pl.col("held").mean(),
        )
    )


SUMMARIES = {"median": pl.Expr.median, "mean": pl.Expr.mean}

if __name__ == "__main__":
    main()
