"""How long a large fit takes, against the bare linear algebra that no fit could go without. Not collected by pytest.

    python tests/benchmarks/bench_fit.py [WINDOWS [SETS [DAYS]]]

The season is of the window simulator (another generator than the model's): 50,000 windows of 20 sail sets on 200 days
by default. Measured in processes of their own, so that each has its own peak of memory:

* `fit_season` and the draws of the borders;
* NumPy and SciPy alone, on matrices of the same sizes: for each day the Cholesky factor of its covariance and the
  design solved by it, its cross-product, and once the Cholesky factor and inverse of the whole system. That is one
  evaluation; the fit looks at some dozens for its parameters and weights.

Wanted: at most 60 s and 2 GB for the default size, and time at most in proportion to the windows.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import linalg
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from tests.known_boat import window_simulator as simulator  # noqa: E402

SEED = 7
STEP_MIN, KEPT = 0.75, 0.6


def many_rigs(count: int) -> simulator.KnownBoat:
    """A boat with `count` sail sets: the rigs of the 16 m boat, their areas and limits drawn apart."""
    base = simulator.boats()["cruiser16"]
    rigs = []
    for k in range(count):
        rig = base.rigs[k % len(base.rigs)]
        size = 1.0 - 0.13 * (k // len(base.rigs))
        rigs.append(
            replace(rig, name=f"{rig.name}x{k}", area=rig.area * size, aws_limit=rig.aws_limit / size**2)
            if k >= len(base.rigs)
            else rig
        )
    return replace(base, name=f"sets{count}", rigs=tuple(rigs))


def season_of(windows: int, sets: int, days: int) -> simulator.Season:
    """A season of about so many windows."""
    boat = many_rigs(sets)
    simulator._TRUTHS[boat.name] = simulator.Truth.of(boat)
    hours = windows / days / KEPT * STEP_MIN / 60.0
    return simulator.season(boat.name, SEED, simulator.Conditions(days=days, hours=hours, design_error=0.06))


def fit(windows: int, sets: int, days: int) -> dict[str, float]:
    """Seconds and sizes of one fit with its draws."""
    from pipeline.campaign.settings import Boat, Instruments
    from pipeline.crossovers.season import DRAWS, SEED
    from pipeline.surfaces.season import fit_season

    boat = Boat(name="known", loa_m=12.0, instruments=Instruments(wind_sensor_height_m=10.0))
    season = season_of(windows, sets, days)
    before_mb = _peak_mb()
    begin, cpu = time.perf_counter(), time.process_time()
    found = fit_season(season.windows, boat)
    fitted = time.perf_counter() - begin
    found.draws(DRAWS, SEED)
    return {
        "windows": season.windows.height,
        "sets": len(found.sets),
        "coefficients": found.basis.problem.layout.size if found.basis else 0,
        "days": days,
        "fit_s": fitted,
        "draws_s": time.perf_counter() - begin - fitted,
        "cpu_s": time.process_time() - cpu,
        "before_mb": before_mb,
        "peak_mb": _peak_mb(),
    }


def bare(coefficients: int, windows: int, days: int) -> float:
    """Seconds of the linear algebra of one evaluation, on random matrices of its sizes, one thread."""
    rng = np.random.default_rng(SEED)
    n, touched = windows // days, min(coefficients, 400)
    root = rng.standard_normal((n, n))
    covariance = root @ root.T + n * np.eye(n)
    design = rng.standard_normal((n, touched))
    with threadpool_limits(limits=1, user_api="blas"):
        begin = time.perf_counter()
        system = np.eye(coefficients)
        for _ in range(days):
            factor = linalg.cholesky(covariance, lower=True, check_finite=False)
            z = linalg.solve_triangular(factor, design, lower=True, check_finite=False)
            system[:touched, :touched] += z.T @ z
        factor = linalg.cholesky(system, lower=True, check_finite=False)
        linalg.lapack.dpotri(factor, lower=1)
        return time.perf_counter() - begin


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1 << (10 if sys.platform != "darwin" else 20))


def main(windows: int = 50_000, sets: int = 20, days: int = 200) -> None:
    """Fits at a quarter of the size and at the size, each in a process of its own, and prints the figures."""
    rows = []
    for share in (4, 1):
        size = [str(v) for v in ("--fit", windows // share, sets, days // share)]
        out = subprocess.run([sys.executable, __file__, *size], check=True, capture_output=True, text=True)
        row = json.loads(out.stdout)
        row["bare_s"] = bare(row["coefficients"], row["windows"], row["days"])
        rows.append(row)
        print(
            f"{row['windows']:6d} windows, {row['days']:3d} days, {row['sets']} sets, {row['coefficients']} "
            f"coefficients: fit {row['fit_s']:.1f} s (processor {row['cpu_s']:.1f} s), draws {row['draws_s']:.2f} s, "
            f"peak {row['peak_mb']:.0f} MB ({row['before_mb']:.0f} before); one bare evaluation {row['bare_s']:.2f} s, "
            f"ratio {row['fit_s'] / row['bare_s']:.0f}",
            flush=True,
        )
    small, large = rows
    print(f"windows x {large['windows'] / small['windows']:.1f}: time x {large['fit_s'] / small['fit_s']:.1f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--fit"]:
        print(json.dumps(fit(*(int(v) for v in sys.argv[2:]))))
    else:
        main(*(int(v) for v in sys.argv[1:]))
