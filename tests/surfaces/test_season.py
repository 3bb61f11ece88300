"""A season's fit: recovery of a known boat, determinism, and input too poor to fit."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from threadpoolctl import threadpool_limits

from pipeline.campaign.settings import Boat, Instruments, Sail, SailSet, SailVersion
from pipeline.crossovers.season import DRAWS, SEED, cross
from pipeline.surfaces import parameters, prior, support
from pipeline.surfaces.calibration_doubt import CalibrationDoubt
from pipeline.surfaces.components import names_for
from pipeline.surfaces.day_blocks import Weights, day_block
from pipeline.surfaces.design import EXTRA_SD, design_rows, frame_season, gust_loss
from pipeline.surfaces.latent_wind import split_wind
from pipeline.surfaces.model import Problem, evaluate, split_days
from pipeline.surfaces.observations import observe
from pipeline.surfaces.season import SeasonFit, fit_season, without_windows
from pipeline.tables import TABLES

SIMULATOR = Path(__file__).parents[1] / "known_boat" / "window_simulator.py"
BOAT = Boat(name="known", loa_m=16.0, instruments=Instruments(wind_sensor_height_m=10.0))


@pytest.fixture(scope="module")
def season():
    spec = importlib.util.spec_from_file_location("window_simulator", SIMULATOR)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["window_simulator"] = module
    spec.loader.exec_module(module)
    return module.season("cruiser16", 21, module.Conditions(days=10, hours=2.0))


@pytest.fixture(scope="module")
def fit(season) -> SeasonFit:
    return fit_season(season.windows, BOAT)


def windows(n: int, sets: tuple[str, ...] = ("J1",), *, tws_kn: float | None = None, side: int = 0) -> pl.DataFrame:
    rng = np.random.default_rng(1)
    start = datetime(2027, 6, 1, 10)
    tws = np.full(n, tws_kn) if tws_kn else rng.uniform(8, 14, n)
    tack = np.full(n, side) if side else rng.choice([-1, 1], n)
    return pl.DataFrame(
        {
            "start": [start + timedelta(minutes=k) for k in range(n)],
            "end": [start + timedelta(minutes=k, seconds=45) for k in range(n)],
            "sail_set": [sets[k % len(sets)] for k in range(n)],
            "tws_kn": tws,
            "twa_deg": tack * rng.uniform(40, 60, n),
            "bsp_kn": 2.2 * np.sqrt(tws) * np.exp(rng.normal(0, 0.02, n)),
        },
        schema_overrides={"start": pl.Datetime("us"), "end": pl.Datetime("us"), "sail_set": pl.String},
    )


def test_known_boat_is_recovered(season, fit) -> None:
    tws, twa = np.meshgrid(fit.tws_kn, fit.twa_deg, indexing="ij")
    truth = np.stack([season.truth.log_speed(s, tws, twa) for s in fit.sets])
    error = (fit.log_speed - truth)[fit.supported]
    assert fit.supported.sum() > 100
    assert np.sqrt(np.mean(error**2)) < 0.03
    assert np.mean(np.abs(error) <= 1.645 * fit.log_sd[fit.supported]) > 0.7


def test_surfaces_table_keeps_its_contract(fit) -> None:
    table = fit.surfaces
    assert table.schema == pl.Schema(TABLES["surfaces"].columns)
    assert table.select("sail_set", "tws_kn", "twa_deg").is_unique().all()
    kept = table.filter("supported")
    assert (kept["bsp_low_kn"] < kept["bsp_kn"]).all() and (kept["bsp_kn"] < kept["bsp_high_kn"]).all()


def test_order_of_rows_does_not_matter(season, fit) -> None:
    again = fit_season(season.windows.sample(fraction=1.0, shuffle=True, seed=3), BOAT)
    assert again.surfaces.equals(fit.surfaces)


def test_number_of_threads_does_not_matter() -> None:
    few = windows(120, ("J1", "J2"))
    fits = []
    for threads in (1, 2):
        with threadpool_limits(limits=threads, user_api="blas"):
            fits.append(fit_season(few, BOAT))
    assert fits[0].surfaces.equals(fits[1].surfaces)


def test_time_before_the_sail_log_is_not_a_set_of_its_own() -> None:
    mixed = windows(60).with_columns(
        pl.when(pl.int_range(pl.len()) < 20).then(pl.lit("unlogged")).otherwise("sail_set").alias("sail_set")
    )
    assert fit_season(mixed, BOAT).sets == ("J1",)
    assert fit_season(mixed.with_columns(pl.lit("unlogged").alias("sail_set")), BOAT).sets == ("unlogged",)


def test_stiffest_surface_is_the_straight_line_of_least_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    # The limit of any penalised spline (Eilers & Marx 1996): here a line in the wind coordinate, and nothing else.
    monkeypatch.setattr(prior, "FALL_SPREAD", 0.0)
    seen = observe(windows(80))
    frame = frame_season(seen, BOAT)
    theta = parameters.PRIOR_MEAN.copy()
    for k, name in enumerate(parameters.NAMES):
        if name.startswith("white"):
            theta[k] = np.log(0.02)
        elif name.endswith("_sd"):
            theta[k] = np.log(0.01 if name in parameters.NAMES[: parameters.SURFACE_COUNT] else 1e-7)
        elif "length" in name:
            theta[k] += np.log(10.0)
    ones = np.ones(seen.count)
    block = day_block(np.arange(seen.count), seen.hours, seen.session, seen.set_number, seen.set_number, seen.twa_deg)
    rows, given = design_rows(frame, seen, split_wind(seen), None)
    problem = Problem(frame.layout, split_days(rows, [block]), seen.y, np.full(len(EXTRA_SD), 1e-9), 3.3)
    mean = evaluate(problem, theta, Weights(ones, ones, given)).mean
    smooth = split_wind(seen).wind.smooth
    straight = np.polynomial.Polynomial.fit(smooth, seen.y, 1)(smooth)
    assert np.asarray(rows @ mean) == pytest.approx(straight, abs=1e-3)


def test_draws_repeat_and_agree_with_the_table(fit) -> None:
    draws = fit.draws(400, 7)
    assert np.array_equal(draws, fit.draws(400, 7), equal_nan=True)
    spread = np.log(draws).std(axis=0)[fit.supported]
    assert np.median(spread / fit.log_sd[fit.supported]) == pytest.approx(1.0, abs=0.05)


def test_doubt_in_the_calibration_widens_its_sets_draws_alone(fit) -> None:
    k = fit.sets.index("J1")
    doubt = CalibrationDoubt(("J1",), np.diag([2.0**2, 0.0]))
    without, carried = (np.log(fit.draws(200, 7, d)).std(axis=0) for d in (None, doubt))
    reached = np.isfinite(fit.log_speed)
    others = reached & (np.arange(len(fit.sets)) != k)[:, None, None]
    assert np.median((carried / without)[k][reached[k]]) > 1.05
    assert np.allclose(carried[others], without[others])


def test_a_stretch_with_another_sets_speed_is_no_visit(season) -> None:
    w = season.windows
    deep = w.filter((pl.col("sail_set") == "A2") & (pl.col("twa_deg").abs() > 138.0))["start"].sort()
    begin = deep[len(deep) // 2]
    wrong = (pl.col("sail_set") == "A2") & pl.col("start").is_between(begin, begin + timedelta(minutes=6))
    slowed = w.with_columns(pl.when(wrong).then(pl.col("bsp_kn") * 0.85).otherwise("bsp_kn").alias("bsp_kn"))
    trust = fit_season(slowed, BOAT).basis.weights.stretch
    starts = observe(slowed).starts
    inside = np.array([begin <= t <= begin + timedelta(minutes=6) for t in starts])
    assert (trust[inside] < support.LEAST_TRUST).any()
    assert np.median(trust) > 0.5


def test_windows_without_a_say_say_nothing_and_support_nothing(fit) -> None:
    seen = fit.basis.seen
    unheard = (seen.set_number == fit.sets.index("A2")) & (np.abs(seen.twa_deg) > 140.0)
    shifted = replace(fit.basis.problem, y=fit.basis.problem.y + 0.05 * unheard)
    one, other = (
        without_windows(replace(fit, basis=replace(fit.basis, problem=p)), BOAT, unheard)
        for p in (fit.basis.problem, shifted)
    )
    given = np.isfinite(one.log_speed) & np.isfinite(other.log_speed)
    assert one.log_speed[given] == pytest.approx(other.log_speed[given], abs=5e-4)
    assert one.as_logged.weights is fit.basis.weights and one.supported.sum() < fit.supported.sum()
    assert one.draws(2, 1).shape == fit.draws(2, 1).shape


def test_a_fit_that_hears_all_its_windows_stays_as_it_is(fit) -> None:
    assert without_windows(fit, BOAT, np.zeros(fit.basis.seen.count, dtype=bool)) is fit


def test_loss_in_gusts_is_half_the_curvature_times_the_variance() -> None:
    # A hull whose log speed is a straight line in the wind coordinate, f = b sqrt(TWS), and no departures: half of
    # f'' + f'^2 is (b^2 - b / sqrt(TWS)) / (8 TWS).
    slope, sd_kn = 0.5, 1.5
    seen = observe(windows(40).with_columns(pl.lit(sd_kn).alias("tws_sd_kn")))
    frame, latent = frame_season(seen, BOAT), split_wind(seen)
    hull = frame.layout.component("hull")
    coefficients = np.zeros(frame.layout.size)
    coefficients[hull.first : hull.first + hull.count] = slope * hull.lattice.nodes()[0][hull.active]
    tws = latent.wind.smooth**2
    expected = sd_kn**2 * (slope**2 - slope / np.sqrt(tws)) / (8.0 * tws)
    assert (np.abs(expected) > 0.0005).all()
    assert gust_loss(frame, seen, latent, coefficients) == pytest.approx(expected, rel=0.02)


def test_crossing_tables_keep_their_contract(season, fit) -> None:
    tables = cross(fit, BOAT, np.log(fit.draws(DRAWS, SEED)), None, season.designed_speeds)
    for name, table in tables.items():
        assert dict(list(table.schema.items())[: len(TABLES[name].columns)]) == TABLES[name].columns
    rows = tables["crossovers"].drop_nulls(["crossing_low", "crossing_high"])
    assert (rows["crossing_low"] <= rows["crossing"]).all() and (rows["crossing"] <= rows["crossing_high"]).all()


@pytest.mark.parametrize(
    "poor",
    [
        windows(0),
        windows(1),
        windows(2),
        windows(40),
        windows(40, tws_kn=10.0),
        windows(40, side=1),
        windows(40, ("J1", "J2")),
        windows(30).with_columns(pl.lit(float("nan")).alias("bsp_kn")),
        windows(30).with_columns(pl.lit("unknown").alias("sail_set")),
        windows(30).with_columns(
            pl.lit(7.0).alias("bsp_kn"), pl.lit(50.0).alias("twa_deg"), pl.lit(10.0).alias("tws_kn")
        ),
    ],
    ids=["none", "one", "two", "one set", "one wind", "one tack", "two sets", "NaN", "unknown", "constant"],
)
def test_poor_seasons_end_in_typed_tables(poor: pl.DataFrame) -> None:
    fit = fit_season(poor, BOAT)
    tables = {"surfaces": fit.surfaces, **cross(fit, BOAT, np.log(fit.draws(DRAWS, SEED)), None, None)}
    for name, table in tables.items():
        assert dict(list(table.schema.items())[: len(TABLES[name].columns)]) == TABLES[name].columns
    if poor.height <= 2:
        assert not fit.supported.any()


def test_reefs_and_recuts_share_components() -> None:
    recut = Sail("G2", "spinnaker", "bow", versions=(SailVersion(date(2027, 8, 1), "recut"),))
    sails = {"MN": Sail("MN", "mainsail", "mast"), "G2": recut}
    boat = Boat("b", 10.0, BOAT.instruments, sails=sails, sail_sets=(SailSet("G2", ("MN", "G2")),))
    before, after = (names_for("G2", boat, datetime(2027, m, 1)) for m in (7, 9))
    assert set(after) - set(before) == {"recut G2 2027-08-01"}
    assert "reef 1" in names_for("G2+R2", boat, None) and "reef 2" in names_for("G2+R2", boat, None)
    assert "set G2" in names_for("G2+R1", boat, None)
