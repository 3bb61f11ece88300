"""How drift is found and dated over many seasons of the known boats, and how often it is found where there is none.

    python tests/benchmarks/score_drift.py --seeds 5 --first 1
    python tests/benchmarks/score_drift.py --cases awa clean --days-after 1 --jobs 2

For each seed, boat and case one season: a step in mid-season, or none. `--days-after N` ends the season N days of
sailing after the step began, as on the evening of such a day. Printed: one line a season, then shares found and dated
to the right day, days named as possible, errors of size and date, false changes, and proposals against the truth of
each period (that of its middle day).
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.calibration.season import Calibrated, calibrate
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at, tag_sail_sets
from pipeline.sailing.wind_of_samples import add_true_wind
from tests.benchmarks.known_season import sailed_campaign, samples_of
from tests.known_boat.boats import ALL_BOATS, BOATS
from tests.known_boat.season import Options
from tests.known_boat.truth import Truth

CASES: dict[str, tuple[str, float] | None] = {
    "awa": ("awa_offset_deg", 2.0),
    "awa-back": ("awa_offset_deg", -2.0),
    "awa-small": ("awa_offset_deg", 1.0),
    "speed": ("boat_speed_factor", 0.03),
    "speed-back": ("boat_speed_factor", -0.03),
    "clean": None,
}
USUAL_CASES = ("awa", "speed", "clean")
Scores = list[tuple[str, float]]


def calibrated(seed: int, boat: str, case: str, kind: str, days_after: int | None) -> tuple[Truth, Calibrated, float]:
    """A season from the sensors on (without files), calibrated; and the seconds that took."""
    options = Options(calibration=kind, step=CASES[case], slips="sloppy")
    truth, logs, campaign = sailed_campaign(seed, boat, options)
    if days_after is not None:
        logs = logs[: len(logs) // 2 + days_after]
    samples = samples_of(logs)
    sessions = find_sessions(samples["time"])
    segments = tag_sail_sets(campaign.sail_log, campaign.boat, sessions)
    wind = add_true_wind(samples, campaign.boat, set_at(samples["time"], segments)).samples
    begun = time.perf_counter()
    return truth, calibrate(wind, segments, sessions, campaign.boat), time.perf_counter() - begun


def scored(job: tuple[int, str, str], kind: str, days_after: int | None) -> tuple[str, Scores]:
    """What one season prints and scores."""
    seed, boat, case = job
    with threadpool_limits(1):
        truth, found, took_s = calibrated(seed, boat, case, kind, days_after)
    drift = found.tables["calibration_drift"]
    listed = "; ".join(
        f"{r['parameter']} {r['kind']} {r['first']} ({r['earliest']} to {r['latest']}) "
        f"{r['size']:+.3g} p {r['chance']:.1g}"
        for r in drift.iter_rows(named=True)
    )
    said = f"{boat} {seed} {case} {took_s:.0f} s, true {truth.calibration.step_from}: {listed or 'none'}"
    scores = [(f"{case}: {name}", value) for name, value in _of_drift(truth, drift, case)]
    sailed = truth.days["start"].to_list()
    sailed = sailed if days_after is None else sailed[: len(sailed) // 2 + days_after]
    return said, scores + [(f"{case}: {name}", value) for name, value in _of_proposals(truth, found, sailed)]


def _of_drift(truth: Truth, drift: pl.DataFrame, case: str) -> Iterator[tuple[str, float]]:
    step = CASES[case]
    if step is None:
        yield "something false, share of seasons", drift.height > 0
        return
    true_day = truth.calibration.step_from
    assert true_day is not None
    yield "another parameter, share of seasons", drift.filter(pl.col("parameter") != step[0]).height > 0
    own = drift.filter(pl.col("parameter") == step[0])
    steps = own.filter(pl.col("kind") == "step")
    yield "found", steps.height > 0
    yield "right day", true_day in steps["first"].to_list()
    if steps.is_empty():
        return
    yield "of those found, changes beside the true one", own.height - 1
    sailed = truth.days["date"].to_list()
    nearest = min(steps.iter_rows(named=True), key=lambda r: abs(sailed.index(r["first"]) - sailed.index(true_day)))
    yield "of those found, day within those named", nearest["earliest"] <= true_day <= nearest["latest"]
    yield "of those found, days named", sailed.index(nearest["latest"]) - sailed.index(nearest["earliest"]) + 1
    yield "of those found, days off", abs(sailed.index(nearest["first"]) - sailed.index(true_day))
    yield "of those found, size inside its interval", nearest["size_low"] <= step[1] <= nearest["size_high"]
    yield "of those found, size off (rms)", nearest["size"] - step[1]


def _of_proposals(truth: Truth, found: Calibrated, sailed: Sequence[datetime]) -> Iterator[tuple[str, float]]:
    """Whether the intervals hold the truth; a step that was not found is left to the scores of drift."""
    known = truth.calibration
    for row in found.tables["calibration"].filter(pl.col("sail_set").is_null()).iter_rows(named=True):
        whole = row["from"] is None and row["until"] is None
        if row["proposed"] is None or (whole and row["parameter"] == known.step_parameter):
            continue
        held = [s for s in sailed if (not row["from"] or s >= row["from"]) and (not row["until"] or s < row["until"])]
        late = known.step_from is not None and held[len(held) // 2].date() >= known.step_from
        inside = row["proposed_low"] <= known.value(row["parameter"], late) <= row["proposed_high"]
        yield f"proposal {row['parameter']}{'' if whole else ' of a period'} inside", inside


def _printed(scores: Mapping[str, Sequence[float]]) -> None:
    for name, values in sorted(scores.items()):
        if "rms" in name:
            print(f"{name}: {np.sqrt(np.mean(np.square(values))):.4f} of {len(values)}")
        elif any(not isinstance(v, bool) for v in values):
            print(f"{name}: {np.mean(values):.2f} in the mean of {len(values)}")
        else:
            print(f"{name}: {sum(values)} of {len(values)}")


def main() -> None:
    """Print the scores."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--boats", nargs="*", default=list(BOATS), choices=ALL_BOATS)
    parser.add_argument("--cases", nargs="*", default=list(USUAL_CASES), choices=CASES)
    parser.add_argument("--calibration", default="hidden")
    parser.add_argument("--days-after", type=int, help="days of sailing from the step on (default: all)")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    jobs = list(product(range(given.first, given.first + given.seeds), given.boats, given.cases))
    one: Any = partial(scored, kind=given.calibration, days_after=given.days_after)
    scores: dict[str, list[float]] = defaultdict(list)
    with multiprocessing.get_context("spawn").Pool(given.jobs) as pool:
        for said, values in pool.imap(one, jobs) if given.jobs > 1 else map(one, jobs):
            print(said, flush=True)
            for name, value in values:
                scores[name].append(value)
    _printed(scores)


if __name__ == "__main__":
    main()
