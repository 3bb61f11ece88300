"""Score race losses and costs of changes on seasons of the known boats; see `python score_races.py --help`.

Each season is sailed and fitted in memory (no log files are written or read back: the windows are the same but for the
logs' rounding). Printed for each boat and for all: how many of the races' 90 % intervals hold the true seconds lost,
below and above; the same for single stretches; the costs of changes against the truth.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import polars as pl
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.decisions.change_cost import span_s  # noqa: E402
from pipeline.decisions.changes_and_races import changes_and_races  # noqa: E402
from pipeline.decisions.season import Season  # noqa: E402
from pipeline.decisions.tag_audit import tag_audit  # noqa: E402
from tests.benchmarks.known_season import fitted_season  # noqa: E402
from tests.known_boat.boats import ALL_BOATS, BOATS  # noqa: E402
from tests.known_boat.race_truth import RaceTruth, seconds_of  # noqa: E402
from tests.known_boat.truth import Truth  # noqa: E402

# Share of a race that must be judged at all for its total to be compared.
LEAST_COVERED = 0.5
TOLERANCE_S = 0.01


def main(arguments: list[str] | None = None) -> int:
    """Parse the command line, score, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2, help="seasons a boat (default 2)")
    parser.add_argument("--first", type=int, default=300, help="first seed (default 300)")
    parser.add_argument("--boats", nargs="*", default=list(BOATS), choices=ALL_BOATS, help="which boats (default all)")
    parser.add_argument("--slips", default="ordinary", choices=["none", "ordinary", "sloppy"])
    parser.add_argument("--calibration", default="by-set", choices=["none", "by-set", "set-upwash", "hidden", "known"])
    given = parser.parse_args(arguments)
    seeds = range(given.first, given.first + given.seeds)
    options = {"slips": given.slips, "calibration": given.calibration}
    scores = [score_season(*one) for one in seasons(given.boats, seeds, options)]
    report(scores)
    return 0


def seasons(boats: list[str], seeds: range, options: dict[str, str]) -> Iterator[tuple[str, int, Truth, Season]]:
    """Seasons sailed and fitted."""
    for seed in seeds:
        for boat in boats:
            with threadpool_limits(limits=1, user_api="blas"):
                truth, season = fitted_season(seed, boat, **options)
            yield boat, seed, truth, season


def score_season(boat: str, seed: int, truth: Truth, season: Season) -> dict[str, pl.DataFrame]:
    """Frames `races`, `stretches`, `changes`, `kinds`: what was said beside what is true, with `boat` and `seed`."""
    audit = tag_audit(season.windows, season.segments, season.fit, season.campaign.boat)
    tables = changes_and_races(season, audit)
    known = RaceTruth(truth)
    stretches = _stretches(tables["race_review"], known)
    races = (
        stretches.filter(pl.col("loss_s").is_not_null())
        .group_by("race")
        .agg(pl.col("true_s").sum())
        .join(tables["race_totals"], on="race")
        .filter(pl.col("covered_minutes") >= LEAST_COVERED * pl.col("minutes"))
    )
    changes = _changes(tables["sail_changes"], known, season.campaign.boat.loa_m)
    kinds = tables["change_costs"].join(
        changes.filter("alone").group_by("kind").agg(pl.col("true_s").mean().alias("true_s")), on="kind", how="inner"
    )
    frames = {
        "races": races,
        "stretches": stretches,
        "changes": changes,
        "kinds": kinds,
        "manoeuvres": _manoeuvres(tables["manoeuvres"], known),
    }
    named = (pl.lit(boat).alias("boat"), pl.lit(seed).alias("seed"))
    return {name: frame.with_columns(*named) for name, frame in frames.items()}


def _stretches(review: pl.DataFrame, known: RaceTruth) -> pl.DataFrame:
    return review.with_columns(
        pl.Series("true_s", known.lost_s(seconds_of(review["start"]), seconds_of(review["end"])))
    )


def _manoeuvres(manoeuvres: pl.DataFrame, known: RaceTruth) -> pl.DataFrame:
    turns = manoeuvres.filter(pl.col("kind").is_in(["tack", "gybe"]) & pl.col("counted").is_in(["beat", "run"]))
    start, end = seconds_of(turns["start"]), seconds_of(turns["end"])
    true = known.manoeuvre_loss_m(start, end + 1.0, (turns["kind"] == "gybe").to_numpy())
    return turns.with_columns(pl.Series("true_m", true, nan_to_null=True))


def _changes(changes: pl.DataFrame, known: RaceTruth, loa_m: float) -> pl.DataFrame:
    before, after = span_s(loa_m)
    at = seconds_of(changes["time"])
    metres, lost = known.change_cost(at, before, after)
    alone = known.without_manoeuvre(at, before, after)
    return changes.with_columns(
        pl.Series("true_m", metres), pl.Series("true_s", lost), pl.Series("alone", alone, dtype=pl.Boolean)
    )


def report(scores: list[dict[str, pl.DataFrame]]) -> None:
    """Print the scores of all seasons."""
    whole = {name: pl.concat([s[name] for s in scores]) for name in scores[0]}
    held = [
        (pl.col("true_s") < pl.col("loss_low_s") - TOLERANCE_S).mean().alias("below"),
        (pl.col("true_s") > pl.col("loss_high_s") + TOLERANCE_S).mean().alias("above"),
        pl.col("true_s").mean().alias("true_s"),
        pl.col("loss_s").mean().alias("said_s"),
        pl.col("likely_s").mean(),
        pl.col("beyond_doubt_s").mean(),
        (pl.col("beyond_doubt_s") > pl.col("true_s") + 1.0).mean().alias("doubtless_wrong"),
        (pl.col("loss_high_s") - pl.col("loss_low_s")).median().alias("width_s"),
        pl.len().alias("races"),
    ]
    with pl.Config(tbl_rows=60, tbl_cols=20, tbl_width_chars=160, tbl_hide_column_data_types=True, float_precision=3):
        print("Races: share of true losses below and above the 90 % interval (goal: 82 to 97 % within)")
        print(
            pl.concat(
                [whole["races"].group_by("boat").agg(held), whole["races"].select(pl.lit("all").alias("boat"), *held)]
            )
        )
        rows = whole["stretches"].filter(pl.col("loss_s").is_not_null())
        outside = (pl.col("true_s") < pl.col("loss_low_s") - 0.1) | (pl.col("true_s") > pl.col("loss_high_s") + 0.1)
        print("Stretches:", rows.select((1 - outside.mean()).alias("held"), pl.len().alias("stretches")).row(0))
        _report_changes(whole["changes"], whole["kinds"])
        _report_manoeuvres(whole["manoeuvres"])


def _report_changes(changes: pl.DataFrame, kinds: pl.DataFrame) -> None:
    error = pl.col("lost_s") - pl.col("true_s")
    known = changes.filter(pl.col("lost_s").is_not_null() & pl.col("alone"))
    print("Single changes without a tack or gybe near, seconds:")
    print(
        known.group_by("boat").agg(
            error.median().alias("median_error"),
            error.abs().median().alias("median_size"),
            pl.col("true_s").mean(),
            ((pl.col("lost_low_s") <= pl.col("true_s")) & (pl.col("true_s") <= pl.col("lost_high_s")))
            .mean()
            .alias("held"),
            pl.len().alias("changes"),
        )
    )
    print("Kinds of change, seconds: pooled cost against the mean of the true ones")
    print(
        kinds.filter(pl.col("measured") >= 5)
        .group_by("boat")
        .agg(
            error.mean().alias("bias"),
            (error**2).mean().sqrt().alias("rms"),
            ((pl.col("lost_low_s") <= pl.col("true_s")) & (pl.col("true_s") <= pl.col("lost_high_s")))
            .mean()
            .alias("held"),
            pl.len().alias("kinds"),
        )
    )


def _report_manoeuvres(manoeuvres: pl.DataFrame) -> None:
    error = pl.col("lost_m") - pl.col("true_m")
    print("Tacks and gybes, metres to windward or leeward:")
    print(
        manoeuvres.drop_nulls(["lost_m", "true_m"])
        .group_by("boat", "kind")
        .agg(
            pl.col("true_m").median(),
            pl.col("lost_m").median(),
            error.median().alias("median_error"),
            error.abs().median().alias("median_size"),
            pl.len().alias("manoeuvres"),
        )
        .sort("boat", "kind")
    )


if __name__ == "__main__":
    raise SystemExit(main())
