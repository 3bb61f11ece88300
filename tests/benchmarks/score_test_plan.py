"""Whether a day sailed by the test plan narrows the borders it names more than the same day sailed as usual.

`python tests/benchmarks/score_test_plan.py [FIRST-LAST] [boat ...]`. A season of 16 days is fitted and planned for; its
17th day is sailed as usual and, in the same weather, by the running order for that day's wind; both are fitted with the
first 16. Printed for the borders that the order names: length of line on which neither set is surely the faster, and
standard deviation of the difference of log speed where it was tested, after over before.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import polars as pl
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.crossovers.crossing import refine  # noqa: E402
from pipeline.decisions.paired_test import habits_of  # noqa: E402
from pipeline.decisions.season import Season  # noqa: E402
from pipeline.decisions.test_plan import Line, test_plan  # noqa: E402
from pipeline.decisions.training_day import TACKS, training_day  # noqa: E402
from pipeline.intervals import HALF_90  # noqa: E402
from tests.benchmarks.known_season import sailed_campaign, samples_of, season_of  # noqa: E402
from tests.known_boat.boats import BOATS  # noqa: E402
from tests.known_boat.planned_day import Turn, sailed_by  # noqa: E402
from tests.known_boat.season import Options  # noqa: E402

DAYS = 16


def sailed(seed: int, boat: str, days: int = DAYS + 1) -> tuple[float, pl.DataFrame, Season]:
    """Mean wind of the last day, samples of all days, and the season of the first `days`."""
    options = Options(days=DAYS + 1)
    truth, logs, campaign = sailed_campaign(seed, boat, options)
    samples = samples_of(logs[:days])
    wind = truth.samples.filter(pl.col("day") == DAYS)["tws_kn"].mean()
    return float(wind), samples, season_of(campaign, samples)  # type: ignore[arg-type]


def doubt(season: Season, line: Line, tws_kn: float, twa_deg: float, span: tuple[float, float]) -> tuple[float, float]:
    """Length of the line within `span` on which neither set is surely faster, and doubt (per cent) at the test."""
    fit = season.fit
    a, b = fit.sets.index(line.set_a), fit.sets.index(line.set_b)
    x, held = (fit.tws_kn, fit.twa_deg) if line.along == "tws_kn" else (fit.twa_deg, fit.tws_kn)
    at = int(np.argmin(np.abs(held - line.at)))
    draws = season.log_draws[:, b] - season.log_draws[:, a]
    i, j = int(np.argmin(np.abs(fit.tws_kn - tws_kn))), int(np.argmin(np.abs(fit.twa_deg - twa_deg)))
    along = draws[:, :, at] if line.along == "tws_kn" else draws[:, at]
    known = np.isfinite(along).all(axis=0)
    fine, mean = refine(x[known], along[:, known].mean(axis=0))
    sd = np.interp(fine, x[known], along[:, known].std(axis=0))
    inside = (fine >= span[0]) & (fine <= span[1])
    step = float(np.median(np.diff(fine)))
    return float((np.abs(mean) < HALF_90 * sd)[inside].sum() * step), 100.0 * float(draws[:, i, j].std())


def span_of(season: Season, line: Line) -> tuple[float, float]:
    """The part of the line that both surfaces reach in the season before."""
    fit = season.fit
    a, b = fit.sets.index(line.set_a), fit.sets.index(line.set_b)
    both = np.isfinite(fit.log_speed[a]) & np.isfinite(fit.log_speed[b])
    if line.along == "tws_kn":
        x = fit.tws_kn[both[:, int(np.argmin(np.abs(fit.twa_deg - line.at)))]]
    else:
        x = fit.twa_deg[both[int(np.argmin(np.abs(fit.tws_kn - line.at)))]]
    return float(x[0]), float(x[-1])


def score(seed: int, boat: str) -> list[dict[str, object]]:
    """A row a border named for the day's wind; none where the plan has no test in that wind."""
    wind_kn, _, before = sailed(seed, boat, DAYS)
    habits = habits_of(before.windows, 60.0 * float(before.conditions["hours"].sum()))
    plan = test_plan(before.fit, before.log_draws, before.tables["crossovers"], before.conditions, habits)
    order = training_day(plan).filter((pl.col("wind_from_kn") <= wind_kn) & (pl.col("wind_to_kn") > wind_kn))
    if order.is_empty():
        return []
    turns = [
        Turn(r["sail_set"], r["minutes"], r["twa_deg"], r["tacks"] == TACKS[1]) for r in order.iter_rows(named=True)
    ]
    usual = sailed(seed, boat)[2]
    with sailed_by(turns, DAYS):
        planned = sailed(seed, boat)[2]
    rows = []
    for row in plan.filter(pl.col("rank").is_in(order["rank"].unique().to_list())).iter_rows(named=True):
        line = Line(row["set_a"], row["set_b"], row["along"], row["at"], row["crossing"])
        span = span_of(before, line)
        lengths, sds = zip(
            *(doubt(s, line, row["tws_kn"], row["twa_deg"], span) for s in (before, usual, planned)), strict=True
        )
        unit = "kn" if row["along"] == "tws_kn" else "deg"
        rows.append({"seed": seed, "boat": boat, "wind": wind_kn, "unit": unit, "length": lengths, "sd": sds, **row})
    return rows


def main() -> None:
    """Print a line a border, and the means of the ratios."""
    first, last = (int(s) for s in (sys.argv[1] if len(sys.argv) > 1 else "301-310").split("-"))
    boats = sys.argv[2:] or list(BOATS)
    ratios: list[tuple[float, float, float, float]] = []
    by_day: list[tuple[float, float]] = []
    with threadpool_limits(1):
        for k, seed in enumerate(range(first, last + 1)):
            boat = boats[k % len(boats)]
            rows = score(seed, boat)
            here = []
            for r in rows:
                (l0, l1, l2), (s0, s1, s2) = r["length"], r["sd"]  # type: ignore[misc]
                print(
                    f"{boat} {seed} {r['wind']:4.1f} kn  {r['set_a']} | {r['set_b']} {r['tws_kn']:g} kn "
                    f"{r['twa_deg']:g} deg: unsure {l0:.2f} usual {l1:.2f} planned {l2:.2f} {r['unit']} (foretold "
                    f"{r['band_now']:.2f} to {r['band_after_half_hour']:.2f}); doubt {s0:.2f} {s1:.2f} {s2:.2f} %"
                )
                if l0 > 0:
                    here.append((l1 / l0, l2 / l0, s1 / s0, s2 / s0))
            if here:
                ratios += here
                by_day.append((float(np.mean([h[0] for h in here])), float(np.mean([h[1] for h in here]))))
            else:
                print(f"{boat} {seed}: nothing named in that day's wind")
    usual_length, planned_length, usual_sd, planned_sd = np.mean(ratios, axis=0)
    better = sum(p < u for u, p in by_day)
    print(
        f"{len(by_day)} days, {len(ratios)} borders: unsure length x {usual_length:.2f} as usual, "
        f"x {planned_length:.2f} planned; doubt x {usual_sd:.2f}, x {planned_sd:.2f}; planned better on "
        f"{better} of {len(by_day)} days"
    )


if __name__ == "__main__":
    main()
