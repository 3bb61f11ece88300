"""How well the fit recovers known boats: run by hand (seeds and boats may be given).

`python tests/benchmarks/score_surfaces.py [FIRST-LAST] [boat ...]`.

Prints, for each boat and pooled, the figures the project sets itself: surface error, coverage, share of the
conditions with two supported sets, regret against the designed chart, wrong `clear` verdicts, border errors.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.campaign.settings import Boat, Instruments  # noqa: E402
from pipeline.crossovers.season import DRAWS, SEED, cross  # noqa: E402
from pipeline.decisions.fit_by_names import fit_by_names  # noqa: E402
from pipeline.intervals import HALF_90  # noqa: E402
from pipeline.surfaces.season import SeasonFit  # noqa: E402


def _load(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


simulator = _load("window_simulator", ROOT / "tests/known_boat/window_simulator.py")
BOAT = Boat(name="known", loa_m=12.0, instruments=Instruments(wind_sensor_height_m=10.0))
WRONG_BY = 0.002  # a verdict is wrong when its set is slower than the best supported by more than this


def true_surfaces(season, fit: SeasonFit) -> np.ndarray:
    tws, twa = np.meshgrid(fit.tws_kn, fit.twa_deg, indexing="ij")
    return np.stack([season.truth.log_speed(s, tws, twa) for s in fit.sets])


def _nodes(season, fit: SeasonFit) -> tuple[np.ndarray, np.ndarray]:
    tws, twa = season.states["tws_kn"].to_numpy(), season.states["twa_deg"].to_numpy()
    i = np.clip(np.rint(tws - fit.tws_kn[0]).astype(int), 0, len(fit.tws_kn) - 1)
    j = np.clip(np.rint((twa - fit.twa_deg[0]) / 5.0).astype(int), 0, len(fit.twa_deg) - 1)
    return i, j


def regret(season, fit: SeasonFit) -> tuple[float, float]:
    """Mean loss of log speed by the measured chart (designed where blank) and by the designed chart."""
    sets = season.truth.sets
    tws, twa = season.states["tws_kn"].to_numpy(), season.states["twa_deg"].to_numpy()
    true = np.stack([season.truth.log_speed(s, tws, twa) for s in sets])
    design = np.stack([season.designed[s](np.column_stack([tws, twa])) for s in sets]).argmax(axis=0)
    i, j = _nodes(season, fit)
    mean = np.where(fit.supported, fit.log_speed, -np.inf)
    pick = np.array([sets.index(s) for s in fit.sets])[mean.argmax(axis=0)[i, j]]
    pick = np.where(fit.supported.any(axis=0)[i, j], pick, design)
    n = np.arange(len(tws))
    return float((true.max(0) - true[pick, n]).mean()), float((true.max(0) - true[design, n]).mean())


def border_scores(season, fit: SeasonFit, crossovers) -> dict[str, list]:
    """Errors, coverage and closure of fixed-angle borders, and which true borders were reported."""
    out: dict[str, list] = {"err_kn": [], "err_deg": [], "held": [], "closed": [], "found": []}
    rows = [r for r in crossovers.iter_rows(named=True) if r["mode"] == "fixed-angle"]
    lines = [("tws_kn", float(a), fit.tws_kn) for a in fit.twa_deg] + [
        ("twa_deg", float(w), fit.twa_deg) for w in fit.tws_kn
    ]
    for along, at, nodes in lines:
        x = np.arange(nodes[0], nodes[-1], 0.02 if along == "tws_kn" else 0.1)
        tws, twa = (x, np.full_like(x, at)) if along == "tws_kn" else (np.full_like(x, at), x)
        true = np.stack([season.truth.log_speed(s, tws, twa) for s in fit.sets])
        here = [r for r in rows if r["along"] == along and r["at"] == at]
        limit = 4.0 if along == "tws_kn" else 15.0
        for r in here:
            a, b = fit.sets.index(r["set_a"]), fit.sets.index(r["set_b"])
            d = true[b] - true[a]
            ups = x[1:][(d[:-1] < 0) & (d[1:] >= 0)]
            truth = ups[np.argmin(np.abs(ups - r["crossing"]))] if len(ups) else np.inf
            # No true crossing of the pair on this line counts as an interval that misses, unless open on that side.
            if not len(ups):
                truth = x[-1] + 1 if d[-1] < 0 else x[0] - 1
            low = -np.inf if r["crossing_low"] is None else r["crossing_low"]
            high = np.inf if r["crossing_high"] is None else r["crossing_high"]
            out["held"].append(low <= truth <= high)
            out["closed"].append(np.isfinite(low) and np.isfinite(high))
            out["err_kn" if along == "tws_kn" else "err_deg"].append(min(abs(truth - r["crossing"]), 3 * limit))
        lead = true.argmax(axis=0)
        for k in np.flatnonzero(lead[1:] != lead[:-1]):
            a, b = lead[k], lead[k + 1]
            n = np.argsort(np.abs(nodes - x[k]))[:2]
            sup = (
                fit.supported[:, :, int(np.argmin(np.abs(fit.twa_deg - at)))]
                if along == "tws_kn"
                else fit.supported[:, int(np.argmin(np.abs(fit.tws_kn - at)))]
            )
            if sup[a][n].all() and sup[b][n].all():
                names = (fit.sets[a], fit.sets[b])
                out["found"].append(
                    any((r["set_a"], r["set_b"]) == names and abs(r["crossing"] - x[k]) < limit for r in here)
                )
    return out


def score(task: tuple[str, int]) -> dict:
    name, seed = task
    season = simulator.season(name, seed, simulator.Conditions(days=12 + seed % 9))
    begin = time.process_time()
    fit = fit_by_names(season.windows, BOAT)
    tables = cross(fit, BOAT, np.log(fit.draws(DRAWS, SEED)), None, season.designed_speeds)
    seconds = time.process_time() - begin
    true = true_surfaces(season, fit)
    error = (fit.log_speed - true)[fit.supported]
    sd = fit.log_sd[fit.supported]
    i, j = _nodes(season, fit)
    best = np.where(fit.supported, true, -np.inf).max(axis=0).ravel()
    flat = true.reshape(len(fit.sets), -1)
    wrong = [
        flat[fit.sets.index(r["best_set"]), k] < best[k] - WRONG_BY
        for k, r in enumerate(tables["best_set"].iter_rows(named=True))
        if r["verdict"] == "clear"
    ]
    own, design = regret(season, fit)
    return {
        "boat": name, "seed": seed, "seconds": seconds, "error": error, "held": np.abs(error) <= HALF_90 * sd, "sd": sd,
        "two": float((fit.supported.sum(axis=0)[i, j] >= 2).mean()), "own": own, "design": design, "wrong": wrong,
        "borders": border_scores(season, fit, tables["crossovers"]), "parameters": fit.parameters,
        "design_verdicts": dict(tables["design_comparison"]["verdict"].value_counts().rows()),
    }  # fmt: skip


def show(label: str, rows: list[dict]) -> None:
    error, held = np.concatenate([r["error"] for r in rows]), np.concatenate([r["held"] for r in rows])
    by_season = [100 * np.sqrt(np.mean(r["error"] ** 2)) for r in rows]
    borders = {k: np.concatenate([np.asarray(r["borders"][k], float) for r in rows]) for k in rows[0]["borders"]}
    wrong = np.concatenate([np.asarray(r["wrong"], float) for r in rows])
    own, design = (100 * np.mean([r[k] for r in rows]) for k in ("own", "design"))
    sd = 100 * np.concatenate([r["sd"] for r in rows]).mean()
    kn, deg = (np.median(borders[k]) if len(borders[k]) else np.nan for k in ("err_kn", "err_deg"))
    held_b, closed, found = (borders[k].mean() if len(borders[k]) else np.nan for k in ("held", "closed", "found"))
    print(
        f"{label:10s} rms {100 * np.sqrt(np.mean(error**2)):.2f}% (seasons {min(by_season):.2f}-{max(by_season):.2f}) "
        f"hold {held.mean():.3f} sd {sd:.2f}% two {np.mean([r['two'] for r in rows]):.2f} "
        f"regret {own / design:.2f} ({own:.2f}/{design:.2f}%) "
        f"wrong clear {wrong.mean() if len(wrong) else 0:.3f} of {len(wrong)} | "
        f"border kn {kn:.2f} deg {deg:.1f} hold {held_b:.2f} closed {closed:.2f} n {len(borders['held'])} "
        f"found {found:.2f} of {len(borders['found'])} | {np.mean([r['seconds'] for r in rows]):.1f} s"
    )


def main() -> None:
    first, last = (int(s) for s in (sys.argv[1] if len(sys.argv) > 1 else "1-4").split("-"))
    names = sys.argv[2:] or list(simulator.boats())
    tasks = [(n, s) for n in names for s in range(first, last + 1)]
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(score, tasks))
    for name in names:
        show(name, [r for r in rows if r["boat"] == name])
    show("all", rows)


if __name__ == "__main__":
    main()
