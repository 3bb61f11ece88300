"""Score the chain on seasons of the known boats: `python tests/benchmarks/score_seasons.py --help`.

Generates seasons, runs the whole chain on each, and prints one table of scores: a row a score, a column a season, and
the mean of all. The figures to reach stand beside.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.known_boat.boats import ALL_BOATS, BOATS  # noqa: E402
from tests.known_boat.score import BorderErrors, border_errors, read_tables, score  # noqa: E402
from tests.known_boat.season import make_season  # noqa: E402

GOALS = {
    "minutes_tagged_right": ">= 0.97",
    "surface_rmse_pct": "<= 1.2",
    "surface_coverage": "0.85 .. 0.95",
    "two_supported_share": ">= 0.30",
    "regret_ratio": "<= 0.34",
    "clear_wrong": "<= 0.03",
    "border_error_kn": "<= 0.6",
    "border_error_deg": "<= 2.5",
    "border_coverage": "0.85 .. 0.95",
    "border_closed": ">= 0.60",
    "border_recall": ">= 0.60",
    "current_error_kn": "<= 0.15",
}


def main(arguments: list[str] | None = None) -> int:
    """Parse the command line, score, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3, help="seasons a boat (default 3)")
    parser.add_argument("--first", type=int, default=100, help="first seed (default 100)")
    parser.add_argument("--boats", nargs="*", default=list(BOATS), choices=ALL_BOATS, help="which boats (default all)")
    parser.add_argument("--days", type=int, default=16)
    parser.add_argument("--hours", type=float, default=3.0)
    parser.add_argument("--slips", default="ordinary", choices=["none", "ordinary", "sloppy"])
    parser.add_argument("--calibration", default="by-set", choices=["none", "by-set", "set-upwash", "hidden", "known"])
    parser.add_argument("--recut", action="store_true", help="one sail is recut in mid-season")
    parser.add_argument("--keep", type=Path, help="keep campaigns, truths and outputs in this folder")
    parser.add_argument("--stages", nargs="*", default=["ingest", "fit"], help="stages of the chain to run")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="known-boats-") as temporary:
        place = given.keep or Path(temporary)
        columns, borders = {}, []
        for boat in given.boats:
            for seed in range(given.first, given.first + given.seeds):
                scores, errors = _one(place / f"{boat}-{seed}", seed, boat, given)
                columns[f"{boat.replace('balance', 'bal')[:6]}-{seed}"] = scores
                borders.append(errors)
    _print(columns)
    _print_pooled(borders)
    return 0


def _print_pooled(borders: list[BorderErrors]) -> None:
    """All seasons' border rows alike: a season with three of them does not count as much as one with seventy."""
    for along, unit in (("tws_kn", "kn"), ("twa_deg", "deg")):
        sizes = [e for b in borders for e in b.size[along]]
        name = f"border_error_{unit}"
        if sizes:
            print(f"{name + ', pooled':34}{GOALS[name]:>14}{statistics.median(sizes):>10.3f}  of {len(sizes)}")
    held = [h for b in borders for h in b.held]
    if held:
        closed = sum(b.closed for b in borders) / len(held)
        name, share = "border_coverage", statistics.fmean(held)
        print(f"{name + ', pooled':34}{GOALS[name]:>14}{share:>10.3f}  of {len(held)}")
        print(f"{'border_closed, pooled':34}{GOALS['border_closed']:>14}{closed:>10.3f}")


def _one(place: Path, seed: int, boat: str, given: argparse.Namespace) -> tuple[dict[str, float], BorderErrors]:
    from pipeline.chain import run_campaign

    campaign, out = place / "campaign", place / "out"
    truth = make_season(
        campaign,
        seed,
        boat,
        days=given.days,
        hours=given.hours,
        slips=given.slips,
        calibration=given.calibration,
        recut=given.recut,
    )
    if given.keep:
        truth.save(place / "truth")
    begun = time.perf_counter()
    run_campaign(campaign, out, stages=tuple(given.stages))
    took = time.perf_counter() - begun
    tables = read_tables(out / "tables")
    scores = score(tables, truth)
    print(f"{boat} {seed}: {took:.0f} s", file=sys.stderr, flush=True)
    return {**scores, "seconds": took}, border_errors(tables["crossovers"], truth)


def _print(columns: dict[str, dict[str, float]]) -> None:
    names = list(dict.fromkeys(n for scores in columns.values() for n in scores))
    print(f"{'':34}{'goal':>14}{'mean':>10}" + "".join(f"{c[-10:]:>12}" for c in columns))
    for name in names:
        values = [scores.get(name, math.nan) for scores in columns.values()]
        finite = [v for v in values if not math.isnan(v)]
        mean = statistics.fmean(finite) if finite else math.nan
        print(f"{name:34}{GOALS.get(name, ''):>14}{mean:>10.3f}" + "".join(f"{v:>12.3f}" for v in values))
    lost, designed = (sum(s.get(f"regret_{c}_pct", 0.0) for s in columns.values()) for c in ("measured", "designed"))
    if designed > 0:
        # a season whose design happens to be right makes a wild ratio; all seasons' losses together do not
        print(f"{'regret_ratio, pooled':34}{GOALS['regret_ratio']:>14}{lost / designed:>10.3f}")


if __name__ == "__main__":
    raise SystemExit(main())
