"""Our surfaces against general-purpose ways, on the same steady windows: `python tests/benchmarks/compare_methods.py`.

Bins with medians, an additive model, a Gaussian process, gradient-boosted trees, and ours, scored alike by
tests/known_boat/score.py: by the chart of expected speeds where supported, by the designed chart elsewhere. The
rivals' variants and support rules were chosen for the least speed lost on seasons that are not scored by default;
`--tune` repeats that choice on the seasons given, and prints it. Needs the optional extra `bench`.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from importlib.util import find_spec
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from threadpoolctl import threadpool_limits  # noqa: E402

from tests.benchmarks.rivals import ours  # noqa: E402
from tests.benchmarks.rivals.common import grid_over, read_windows  # noqa: E402
from tests.benchmarks.rivals.judge import judge, judge_tables  # noqa: E402
from tests.benchmarks.rivals.seasons import SIMULATED, make  # noqa: E402
from tests.benchmarks.rivals.tuning import RIVALS, Choice, best_choice, regrets  # noqa: E402
from tests.known_boat.boats import ALL_BOATS, BOATS  # noqa: E402

METHODS = (*RIVALS, ours.NAME)
WITHOUT_INTERVALS = ("trees",)
TARGET = 0.4  # our speed lost, mean of the seasons, against that of the best rival

Scores = dict[str, float]


def score_season(task: tuple[str, int, tuple[str, ...]]) -> tuple[str, dict[str, Scores]]:
    """One season's name, and the scores of each method on it."""
    boat, seed, methods = task
    out: dict[str, Scores] = {}
    with threadpool_limits(1):
        season = make(boat, seed)
        windows = read_windows(season.windows)
        grid = grid_over(windows)
        for name in methods:
            begun, cpu = time.perf_counter(), time.process_time()
            if name == ours.NAME:
                tables = ours.tables(season)
            else:
                method = RIVALS[name]
                fitted = method.fit(windows, grid, method.VARIANT)
                chart = method.chart(windows, grid, fitted, method.RULE, method.VARIANT)
            spent = {"seconds": time.perf_counter() - begun, "cpu_seconds": time.process_time() - cpu}
            if name == ours.NAME:
                out[name] = judge_tables(tables, season.truth, intervals=True) | spent
            else:
                out[name] = judge(chart, season.truth, intervals=name not in WITHOUT_INTERVALS) | spent
    return season.name, out


def tune_season(task: tuple[str, int, tuple[str, ...]]) -> tuple[str, dict[str, dict[Choice, float]]]:
    """One season's name, and what each choice of each rival loses on it."""
    boat, seed, methods = task
    with threadpool_limits(1):
        season = make(boat, seed)
        windows = read_windows(season.windows)
        return season.name, {m: regrets(RIVALS[m], windows, season) for m in methods if m in RIVALS}


# --- printing ---


def show(seasons: list[dict[str, Scores]], methods: tuple[str, ...]) -> None:
    """The table: a row a method, means of the seasons unless said otherwise."""
    lost_by_design = np.array([s[methods[0]]["regret_designed_pct"] for s in seasons])
    print(f"\n{len(seasons)} seasons; designed chart loses {lost_by_design.mean():.3f} % of speed, mean of the seasons")
    print(
        "| method | rms weighted % | rms plain % | 90 % holds | two sets | lost % | against design | "
        "wrong best | clear wrong | border kn | border deg | found | s (CPU) |"
    )
    print("|---" * 13 + "|")
    for name in methods:
        of = lambda key, name=name: np.array([s[name].get(key, np.nan) for s in seasons], float)  # noqa: E731
        cells, clear = of("surface_cells"), of("clear_cells")
        lost = of("regret_measured_pct")
        figures = [
            f"{_mean(of('surface_rmse_pct')):.2f}",
            f"{_mean(of('surface_rmse_plain_pct')):.2f}",
            f"{_pooled(of('surface_coverage'), cells):.2f}",
            f"{_mean(of('two_supported_share')):.2f}",
            f"{lost.mean():.3f}",
            f"{lost.sum() / lost_by_design.sum():.2f}",
            f"{_mean(of('wrong_best_share')):.3f}",
            f"{_pooled(of('clear_wrong'), clear):.3f}",
            f"{_mean(of('border_error_kn')):.2f}",
            f"{_mean(of('border_error_deg')):.1f}",
            f"{of('border_found').sum() / max(of('border_true').sum(), 1):.2f} of {of('border_true').sum():.0f}",
            f"{of('cpu_seconds').mean():.1f}",
        ]
        print(f"| {name} | " + " | ".join(f.replace("nan", "") for f in figures) + " |")


def show_target(seasons: list[dict[str, Scores]], methods: tuple[str, ...]) -> None:
    """Ours against the best single rival: speed lost, mean of the seasons."""
    lost = {m: float(np.mean([s[m]["regret_measured_pct"] for s in seasons])) for m in methods}
    rivals = {m: v for m, v in lost.items() if m != ours.NAME}
    if ours.NAME not in lost or not rivals:
        return
    best = min(rivals, key=rivals.__getitem__)
    ratio = lost[ours.NAME] / rivals[best]
    verdict = "reached" if ratio <= TARGET else "not reached"
    print(f"ours against the best rival ({best}): {ratio:.2f}, at most {TARGET} wanted: {verdict}")


def _mean(x: np.ndarray) -> float:
    return float(x[np.isfinite(x)].mean()) if np.isfinite(x).any() else np.nan


def _pooled(x: np.ndarray, weight: np.ndarray) -> float:
    known = np.isfinite(x) & (weight > 0)
    return float(np.average(x[known], weights=weight[known])) if known.any() else np.nan


def main(arguments: list[str] | None = None) -> int:
    """Parse the command line, score every season, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3, help="seasons a boat (default 3)")
    parser.add_argument("--first", type=int, default=301, help="first seed (default 301)")
    parser.add_argument("--boats", nargs="*", default=list(BOATS), choices=[*ALL_BOATS, *SIMULATED])
    parser.add_argument("--methods", nargs="*", default=list(METHODS), choices=METHODS)
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--tune", action="store_true", help="only find the best variants and rules of the rivals")
    given = parser.parse_args(arguments)
    methods = tuple(given.methods)
    missing = [m for m in ("pygam", "sklearn") if find_spec(m) is None]
    if missing and set(methods) - {ours.NAME}:
        parser.error(f"{', '.join(missing)} is not installed: pip install -e '.[bench]', in an environment of its own")
    tasks = [(b, s, methods) for s in range(given.first, given.first + given.seeds) for b in given.boats]
    collected = []
    with ProcessPoolExecutor(given.jobs) as pool:
        for name, scores in pool.map(tune_season if given.tune else score_season, tasks):
            collected.append(scores)
            print(f"{name} done ({len(collected)} of {len(tasks)})", file=sys.stderr, flush=True)
    if given.tune:
        for m in collected[0]:
            choice, lost = best_choice([s[m] for s in collected])
            print(f"{m}: loses {lost:.4f} % with {choice}")
        return 0
    for boat in given.boats if len(given.boats) > 1 else []:
        print(f"\n{boat}", end="")
        show([s for s, t in zip(collected, tasks, strict=True) if t[0] == boat], methods)
    show(collected, methods)
    show_target(collected, methods)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
