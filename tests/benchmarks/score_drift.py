"""How drift is found and dated over many seasons of the known boats, and how often it is found where there is none.

    python tests/benchmarks/score_drift.py --seeds 5 --first 1

For each seed and boat three seasons: a step of 2 deg in AWA, one of 3 % in boat speed, none. Printed: found, dated to
the right day, false changes; and proposals against the truth of each period.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.calibration.season import Calibrated, calibrate
from pipeline.campaign.campaign import read_campaign
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at, tag_sail_sets
from pipeline.sailing.wind_of_samples import add_true_wind
from tests.known_boat.boats import BOATS
from tests.known_boat.logs import write_campaign
from tests.known_boat.season import VARIATION_DEG, Options, sail_season
from tests.known_boat.truth import Truth

CASES: dict[str, tuple[str, float] | None] = {
    "awa": ("awa_offset_deg", 2.0),
    "speed": ("boat_speed_factor", 0.03),
    "clean": None,
}


def calibrated(seed: int, boat: str, case: str, kind: str) -> tuple[Truth, Calibrated, float]:
    """A season from the sensors on (without files), calibrated; and the seconds that took."""
    options = Options(calibration=kind, step=CASES[case], slips="sloppy")
    truth, logs = sail_season(seed, boat, options)
    with tempfile.TemporaryDirectory() as folder:
        write_campaign(Path(folder), truth, logs, options, np.random.default_rng([seed, BOATS.index(boat), 5]))
        campaign = read_campaign(Path(folder))
    samples = pl.concat(logs, how="diagonal").sort("time").with_columns(variation=pl.lit(VARIATION_DEG))
    sessions = find_sessions(samples["time"])
    segments = tag_sail_sets(campaign.sail_log, campaign.boat, sessions)
    wind = add_true_wind(samples, campaign.boat, set_at(samples["time"], segments)).samples
    begun = time.perf_counter()
    return truth, calibrate(wind, segments, sessions, campaign.boat), time.perf_counter() - begun


def main() -> None:
    """Print the scores."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--boats", nargs="*", default=list(BOATS))
    parser.add_argument("--cases", nargs="*", default=list(CASES))
    parser.add_argument("--calibration", default="hidden")
    arguments = parser.parse_args()
    threadpool_limits(1)
    score: dict[str, list[bool]] = defaultdict(list)
    for seed in range(arguments.first, arguments.first + arguments.seeds):
        for boat in arguments.boats:
            for case in arguments.cases:
                truth, found, took_s = calibrated(seed, boat, case, arguments.calibration)
                drift = found.tables["calibration_drift"]
                step = CASES[case]
                extra = drift if step is None else drift.filter(pl.col("parameter") != step[0])
                score[f"{case}: something false"].append(extra.height > 0)
                if step is not None:
                    own = drift.filter((pl.col("parameter") == step[0]) & (pl.col("kind") == "step"))
                    score[f"{case}: found"].append(own.height > 0)
                    score[f"{case}: right day"].append(truth.calibration.step_from in own["first"].to_list())
                    in_span = (pl.col("earliest") <= truth.calibration.step_from) & (
                        pl.col("latest") >= truth.calibration.step_from
                    )
                    score[f"{case}: day within those named"].append(own.filter(in_span).height > 0)
                listed = drift.select("parameter", "kind", "first", "size", "chance").rows()
                print(f"{boat} {seed} {case} {took_s:.0f} s, true {truth.calibration.step_from}: {listed}", flush=True)
                for row in found.tables["calibration"].filter(pl.col("sail_set").is_null()).iter_rows(named=True):
                    late = row["from"] is not None
                    truth_value = truth.calibration.value(row["parameter"], late)
                    if row["proposed"] is not None:
                        inside = row["proposed_low"] <= truth_value <= row["proposed_high"]
                        score[f"{case}: {row['parameter']} inside"].append(inside)
    for name, values in sorted(score.items()):
        print(f"{name}: {sum(values)} of {len(values)}")


if __name__ == "__main__":
    main()
