"""How true the proposed calibrations are over many seasons of the known boats, and what they do to the borders.

    python tests/benchmarks/score_calibration.py --seeds 501-510 --kind hidden
    python tests/benchmarks/score_calibration.py --seeds 501-510 --kind none
    python tests/benchmarks/score_calibration.py --seeds 501-505 --borders

Without `--borders`: per parameter the error (rms, median, worst), the share of seasons within the goal, and the share
of 90 % intervals that hold the truth; and in how many seasons every interval of the table `calibration` holds "no
change" (on clean seasons all should).

With it: upwash differs by set, nothing else is wrong; borders are fitted from windows (a) as in use, (b) with the
proposals written into boat.toml, (c) with the true values. Borders are matched to those of c branch by branch (one to
one, the nearest of the same pair on the same line first); those without a partner are counted. Pooled over all borders,
by axis, all matched and those within `NEAR` in both (a fit's jump to another branch is no bias), with 90 % intervals
from seasons drawn anew, three answers to "how much of the bias from upwash is left":

- `fits`: rms of b - c over rms of a - c. The truth's fit as the baseline takes out what has nothing to do with upwash,
  but the proposals' own error, that of the other parameters' proposals, and the fit's answer to other windows stay in.
- `systematic`: what of b - c goes with the bias that the true upwash gives by first order (`border_bias`), over what of
  a - c does. The bias proper: errors of either fit that do not go with upwash drop out.
- `by upwash`: rms of the first-order bias of the upwash left in by b over that of a. No fit in it, but the error of the
  proposed upwash.

Last, how often border intervals hold, with and without the doubt that the calibration leaves.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl
import polars.selectors as cs
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.calibration.calibration_rows import proposals_from, value_in_use
from pipeline.calibration.proposals import on_paper
from pipeline.calibration.season import calibrate
from pipeline.calibration.wind_doubt import doubt_by_set
from pipeline.campaign.campaign import Campaign
from pipeline.campaign.settings import Boat, Calibration, Corrections
from pipeline.crossovers.season import DRAWS, SEED, cross
from pipeline.decisions.fit_by_names import fit_by_names
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at, tag_sail_sets
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.surfaces.calibration_doubt import CalibrationDoubt
from tests.benchmarks.known_season import sailed_campaign, samples_of
from tests.calibration.border_bias import border_bias
from tests.known_boat.boats import BOATS
from tests.known_boat.score import score_borders
from tests.known_boat.season import Options
from tests.known_boat.truth import Truth
from tests.sailing.steady_windows import steady_windows

GOALS = {"boat_speed_factor": 0.008, "heading_offset_deg": 0.5, "awa_offset_deg": 0.4, "upwash_deg": 1.0}
LEAST_MINUTES = 20.0
BORDER_KEYS = ["set_a", "set_b", "mode", "along", "at"]
# Crossings of one pair on one line further apart are other branches, not the same border moved.
FARTHEST = {"tws_kn": 6.0, "twa_deg": 25.0}
NEAR = {"tws_kn": 3.0, "twa_deg": 12.0}
VARIANTS = ("in use", "proposed", "true")
DOUBTED = ("in use", "proposed")
DRAWN_SEASONS = 4000


@dataclass(frozen=True)
class Season:
    """A season from the sensors on, without files."""

    truth: Truth
    campaign: Campaign
    samples: pl.DataFrame
    sessions: pl.DataFrame
    segments: pl.DataFrame

    def wind(self, boat: Boat) -> pl.DataFrame:
        """The samples with the true wind computed by this boat's calibration."""
        return add_true_wind(self.samples, boat, set_at(self.samples["time"], self.segments)).samples


def sailed(seed: int, kind: str, options: Options) -> Season:
    """The season of that seed and boat."""
    truth, logs, campaign = sailed_campaign(seed, kind, options)
    samples = samples_of(logs)
    sessions = find_sessions(samples["time"])
    return Season(truth, campaign, samples, sessions, tag_sail_sets(campaign.sail_log, campaign.boat, sessions))


def true_value(truth: Truth, parameter: str, sail_set: str | None) -> float | None:
    """What should stand in boat.toml; None for a set without a truth of its own."""
    if sail_set is None:
        return truth.calibration.value(parameter) if hasattr(truth.calibration, parameter) else None
    if parameter == "upwash_deg":
        return truth.calibration.upwash_by_set_deg.get(sail_set)
    return truth.calibration.value(parameter)


def score_parameters(task: tuple[int, str], calibration: str) -> list[tuple]:
    """One season: rows of parameter, of a set, in use, truth, proposed, low, high."""
    threadpool_limits(1)
    season = sailed(*task, Options(calibration=calibration, slips="sloppy"))
    boat = season.campaign.boat
    table = calibrate(season.wind(boat), season.segments, season.sessions, boat).tables["calibration"]
    rows = []
    columns = ("parameter", "sail_set", "in_use", "proposed", "proposed_low", "proposed_high")
    for name, sail_set, in_use, value, low, high in table.select(columns).iter_rows():
        true = true_value(season.truth, name, sail_set)
        if value is not None:
            rows.append((*task, name, sail_set, in_use, true, value, low, high))
    return rows


SCORED = ("seed", "boat", "parameter", "sail_set", "in_use", "truth", "proposed", "low", "high")


def show_parameters(rows: Sequence[tuple]) -> None:
    """Print error and coverage by parameter, and how many seasons need no change in anything."""
    table = pl.DataFrame(list(rows), schema=list(SCORED), orient="row", infer_schema_length=None)
    table = table.with_columns(
        error=pl.col("proposed") - pl.col("truth"),
        half=(pl.col("high") - pl.col("low")) / 2.0,
        held=(pl.col("low") <= pl.col("truth")) & (pl.col("truth") <= pl.col("high")),
        unchanged=(pl.col("low") <= pl.col("in_use")) & (pl.col("in_use") <= pl.col("high")),
        what=pl.col("parameter") + pl.when(pl.col("sail_set").is_null()).then(pl.lit("")).otherwise(pl.lit(" by set")),
    )
    told = table.drop_nulls("truth")
    for (what,), part in told.group_by("what", maintain_order=True):
        error = part["error"].abs()
        goal = GOALS.get(str(what))
        within = "" if goal is None else f"within {goal} {(error <= goal).sum()} of {len(error)}, "
        print(
            f"{what:28s} rms {(error**2).mean() ** 0.5:.4f} median {error.median():.4f} worst {error.max():.4f} "
            f"bias {part['error'].mean():+.4f}, {within}interval holds {part['held'].sum()} of {len(error)}, "
            f"half width {part['half'].median():.4f}"
        )
    whole = told.filter(pl.col("sail_set").is_null())
    print(f"pooled coverage: boat {whole['held'].mean():.3f}, boat and sets {told['held'].mean():.3f}")
    for name, part in (("boat", table.filter(pl.col("sail_set").is_null())), ("boat and sets", table)):
        seasons = part.group_by("seed", "boat").agg(pl.col("unchanged").all())
        print(
            f"{name}: seasons whose every interval holds the value in use {seasons['unchanged'].sum()}/{len(seasons)}"
        )
    by_one = table.group_by("what", maintain_order=True).agg(pl.col("unchanged").mean())
    print("intervals that hold the value in use:", {k: round(v, 2) for k, v in by_one.iter_rows()})


def written(boat: Boat, table: pl.DataFrame) -> Boat:
    """The boat with the proposals written in as the page of the calibration puts them on paper."""
    return replace(boat, calibration=on_paper(boat.calibration, proposals_from(table)))


def truly(boat: Boat, truth: Truth) -> Boat:
    """The boat with its true calibration, set by set."""
    cal = truth.calibration
    names = ("boat_speed_factor", "heading_offset_deg", "awa_offset_deg", "aws_factor", "upwash_deg")
    base = replace(boat.calibration.boat, leeway_coefficient=cal.leeway_coefficient, **{n: cal.value(n) for n in names})
    own = {s: Corrections(upwash_deg=u) for s, u in cal.upwash_by_set_deg.items()}
    return replace(boat, calibration=Calibration(base, (), own))


def _crossovers(
    season: Season, boat: Boat, doubt: CalibrationDoubt | None
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Surfaces, and the borders without and with the doubt in the calibration."""
    campaign = season.campaign
    steady = steady_windows(
        season.wind(boat),
        season.segments,
        season.sessions,
        boat,
        exclude=campaign.exclude,
        settings_log=campaign.settings_log,
    )
    fit = fit_by_names(steady.windows, boat)
    cuts = []
    for carried in (None, doubt):
        draws = np.log(fit.draws(DRAWS, SEED, calibration=carried))
        cuts.append(cross(fit, boat, draws, campaign.designed, campaign.designed_speeds)["crossovers"])
    return fit.surfaces, cuts[0], cuts[1]


def moved(of: pl.DataFrame, truly_cut: pl.DataFrame, name: str) -> pl.DataFrame:
    """Each true border and by how much the table's own branch of it departs (column `name`), null without a partner."""
    true = truly_cut.filter(pl.col("crossing").is_not_null()).select(*BORDER_KEYS, crossing_true="crossing")
    true = true.with_row_index("true")
    own = of.filter(pl.col("crossing").is_not_null()).select(*BORDER_KEYS, "crossing").with_row_index("own")
    both = true.join(own, on=BORDER_KEYS, nulls_equal=True)
    both = both.with_columns((pl.col("crossing") - pl.col("crossing_true")).alias(name))
    both = both.filter(pl.col(name).abs() <= pl.col("along").replace_strict(FARTHEST, return_dtype=pl.Float64))
    taken: set[tuple[str, int]] = set()
    pairs = []
    for t, o, by in both.sort(pl.col(name).abs(), "true", "own").select("true", "own", name).iter_rows():
        if not {("true", t), ("own", o)} & taken:
            taken |= {("true", t), ("own", o)}
            pairs.append((t, by))
    schema = {"true": pl.UInt32, name: pl.Float64}
    return true.join(pl.DataFrame(pairs, schema=schema, orient="row"), on="true", how="left").drop("true")


def first_order(truth: Truth, borders: pl.DataFrame, boats: Mapping[str, Boat]) -> pl.DataFrame:
    """Bias of each border by first order from the upwash that each boat leaves in, a column `first_order NAME`.

    Null where first order says nothing: where the bias of `in use` would be more than `NEAR`.
    """
    true = truth.calibration.upwash_by_set_deg
    left_in = {
        name: {s: u - value_in_use(boat.calibration, "upwash_deg", None, s) for s, u in true.items()}
        for name, boat in boats.items()
    }
    rows = []
    for a, b, mode, along, at, crossing in borders.select(*BORDER_KEYS, "crossing_true").iter_rows():
        known = mode == "fixed-angle" and a in true and b in true
        by = [border_bias(truth, a, b, along, at, crossing, left_in[n]) if known else None for n in DOUBTED]
        rows.append(by if by[0] is not None and abs(by[0]) <= NEAR[along] else [None] * len(DOUBTED))
    return pl.DataFrame(rows, schema={f"first_order {n}": pl.Float64 for n in DOUBTED}, orient="row")


def score_the_borders(task: tuple[int, str], slips: str) -> dict[str, object]:
    """One season whose upwash differs by set: borders of the three variants, matched, and how often they hold."""
    threadpool_limits(1)
    season = sailed(*task, Options(calibration="set-upwash", slips=slips))
    boat = season.campaign.boat
    done = calibrate(season.wind(boat), season.segments, season.sessions, boat)
    table = done.tables["calibration"]
    boats = dict(zip(VARIANTS, (boat, written(boat, table), truly(boat, season.truth)), strict=True))
    doubts = {n: CalibrationDoubt(*doubt_by_set(done.wind, boats[n].calibration)) for n in DOUBTED}
    cuts = {name: _crossovers(season, b, doubts.get(name)) for name, b in boats.items()}
    true_cut = cuts["true"][1]
    shifts = {n: moved(cuts[n][1], true_cut, n) for n in DOUBTED}
    matched = shifts["in use"].with_columns(shifts["proposed"]["proposed"])
    true = season.truth.calibration.upwash_by_set_deg
    minutes = season.truth.minutes_by_set()
    said = {s: v for p, s, v in table.select("parameter", "sail_set", "proposed").iter_rows() if p == "upwash_deg"}
    scores = {n: score_borders(cut[0], cut[1], season.truth) for n, cut in cuts.items()}
    scores |= {f"{n}, doubt carried": score_borders(cuts[n][0], cuts[n][2], season.truth) for n in DOUBTED}
    return {
        "task": task,
        "matched": pl.concat((matched, first_order(season.truth, matched, boats)), how="horizontal"),
        "scores": scores,
        "upwash": [(u, said.get(s), said[None]) for s, u in true.items() if minutes.get(s, 0.0) >= LEAST_MINUTES],
    }


def _rms(values: pl.Series | np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(np.asarray(values, dtype=float))))) if len(values) else float("nan")


def _left(part: pl.DataFrame, unit: str, seasons: int) -> Iterator[str]:
    """Lines: sizes of the departures as in use and as proposed, and by each measure the share of the bias left."""
    if part.is_empty():
        yield "none"
        return
    a, b = part["in use"].to_numpy(), part["proposed"].to_numpy()
    said = [
        f"{k} {f(np.abs(a)):.3f} -> {f(np.abs(b)):.3f} {unit}" for k, f in (("mean", np.mean), ("median", np.median))
    ]
    yield f"{len(a)} borders, size {', '.join(said)}"
    part = part.with_columns(cs.starts_with("first_order").fill_null(0.0))
    was, by, left_by = (part[c] for c in ("in use", "first_order in use", "first_order proposed"))
    known = int((by != 0.0).sum())
    sums = {
        "fits": (was * was, part["proposed"] ** 2, 0.5, len(part)),
        f"systematic ({known} borders)": (was * by, part["proposed"] * by, 1.0, float(by @ by)),
        f"by upwash ({known} borders)": (by * by, left_by * left_by, 0.5, known),
    }
    drawn = np.random.default_rng(1).integers(0, seasons, (DRAWN_SEASONS, seasons))
    for name, (before, after, power, scale) in sums.items():
        each = np.zeros((2, seasons))
        for row, values in zip(each, (before, after), strict=True):
            np.add.at(row, part["season"].to_numpy(), values.to_numpy())
        shares = [float(np.sign(y / x) * abs(y / x) ** power) for x, y in (each.sum(axis=1), *each[:, drawn].sum(2).T)]
        low, high = np.quantile(shares[1:], (0.05, 0.95))
        ends = " -> ".join(f"{np.sign(x) * abs(x / scale) ** power:.3f}" for x in each.sum(axis=1))
        yield f"  {name}: {ends}, share left {shares[0]:.3f} ({low:.3f} to {high:.3f})"


def show_borders(seasons: Sequence[Mapping[str, object]]) -> None:
    """Print the bias that upwash leaves in the borders as in use and with the proposals, and how borders hold."""
    tables: list[pl.DataFrame] = [s["matched"].with_columns(season=pl.lit(i)) for i, s in enumerate(seasons)]  # type: ignore[attr-defined]
    everything = pl.concat(tables)
    for along, unit in (("tws_kn", "kn"), ("twa_deg", "deg")):
        part = everything.filter(pl.col("along") == along)
        lost = {n: part[n].null_count() for n in DOUBTED}
        print(f"{along}: {len(part)} true borders, without a partner {lost}")
        part = part.drop_nulls(DOUBTED)
        near = part.filter(pl.all_horizontal(pl.col(n).abs() <= NEAR[along] for n in DOUBTED))
        for what, chosen in (("matched", part), (f"within {NEAR[along]:g} {unit} in both", near)):
            print(f"  {what}:", *_left(chosen, unit, len(seasons)), sep="\n    ")
    scores: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for season in seasons:
        for variant, values in season["scores"].items():  # type: ignore[attr-defined]
            for name in ("border_rows", "border_coverage", "border_error_kn", "border_error_deg"):
                scores[variant][name].append(values[name])
    for variant, values in scores.items():
        by = {k: np.array(v) for k, v in values.items()}
        held = np.nansum(by["border_coverage"] * by["border_rows"]) / by["border_rows"].sum()
        kn, deg = (np.nanmean(by[f"border_error_{u}"]) for u in ("kn", "deg"))
        print(f"{variant}: {by['border_rows'].sum():.0f} borders, held {held:.3f}, error {kn:.2f} kn, {deg:.2f} deg")
    sets = [u for s in seasons for u in s["upwash"]]  # type: ignore[attr-defined]
    blank = sum(own is None for _, own, _ in sets)
    left = np.array([u - (boat or 0.0) if own is None else u - own for u, own, boat in sets])
    was = np.array([u for u, _, _ in sets])
    print(f"upwash by set: {len(sets)} sets, {blank} left blank, rms {_rms(was):.2f} -> {_rms(left):.2f} deg")


def main() -> None:
    """Print the scores."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1-3", help="first and last, as 1-3")
    parser.add_argument("--boats", nargs="*", default=list(BOATS))
    parser.add_argument("--kind", default="hidden", help="calibration of the known boats' options")
    parser.add_argument("--borders", action="store_true")
    parser.add_argument("--slips", default="ordinary", help="how the sail log of --borders is kept")
    parser.add_argument("--processes", type=int, default=1)
    arguments = parser.parse_args()
    first, last = (int(x) for x in arguments.seeds.split("-"))
    tasks = [(seed, boat) for seed in range(first, last + 1) for boat in arguments.boats]
    borders = partial(score_the_borders, slips=arguments.slips)
    job = borders if arguments.borders else partial(score_parameters, calibration=arguments.kind)
    with ProcessPoolExecutor(arguments.processes) as pool:
        done = []
        for task, result in zip(tasks, pool.map(job, tasks), strict=True):
            print(*task, flush=True, file=sys.stderr)
            done.append(result)
    if arguments.borders:
        show_borders(done)
    else:
        show_parameters([row for rows in done for row in rows])


if __name__ == "__main__":
    main()
