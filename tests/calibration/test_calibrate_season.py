"""The calibration of a short known season, from its samples to its tables."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.calibration.calibration_rows import proposals_from, value_in_use
from pipeline.calibration.proposals import CANNOT_SAY, PARAMETERS, PROPOSED
from pipeline.calibration.season import Calibrated, calibrate
from pipeline.campaign.settings import Boat, Calibration, Corrections, Instruments
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.tables import TABLES
from tests.known_boat.season import VARIATION_DEG, Options, sail_season
from tests.known_boat.truth import Truth

OPTIONS = Options(days=6, hours=1.5, calibration="hidden", step=("heading_offset_deg", 4.0), weed=0)
NAMES = (
    "calibration",
    "calibration_details",
    "calibration_days",
    "calibration_drift",
    "calibration_effect",
    "current",
    "plausibility",
)


def parts_of(truth: Truth, logs: list[pl.DataFrame]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Raw samples, segments (as sailed) and sessions."""
    samples = pl.concat(logs, how="diagonal").sort("time").with_columns(variation=pl.lit(VARIATION_DEG))
    segments = truth.timeline.with_columns(source=pl.lit("log"), quality=pl.lit("sure"), reason=pl.lit(None, pl.String))
    return samples, segments, find_sessions(samples["time"])


def boat_of(truth: Truth, calibration: Calibration | None = None) -> Boat:
    instruments = Instruments(truth.boat.sensor_height_m)
    return Boat("known", truth.boat.loa_m, instruments, calibration=calibration or Calibration())


def calibrated(truth: Truth, logs: list[pl.DataFrame], boat: Boat) -> Calibrated:
    samples, segments, sessions = parts_of(truth, logs)
    sets = samples.join_asof(segments.select("start", "sail_set"), left_on="time", right_on="start")["sail_set"]
    wind = add_true_wind(samples, boat, sets).samples
    return calibrate(wind, segments, sessions, boat)


@pytest.fixture(scope="module")
def season() -> tuple[Truth, list[pl.DataFrame]]:
    return sail_season(4, "cruiser-racer", OPTIONS)


@pytest.fixture(scope="module")
def found(season: tuple[Truth, list[pl.DataFrame]]) -> Calibrated:
    return calibrated(*season, boat_of(season[0]))


def test_every_table_has_its_columns(found: Calibrated) -> None:
    assert tuple(found.tables) == NAMES
    for name, frame in found.tables.items():
        assert frame.columns[: len(TABLES[name].columns)] == list(TABLES[name].columns), name
        assert_frame_equal(frame, TABLES[name].conform(frame))
        key = list(TABLES[name].key)
        assert frame.select(key).is_duplicated().sum() == 0, name
    assert set(found.tables["calibration"]["parameter"]) == set(PARAMETERS)


def test_a_turned_compass_is_found_dated_and_proposed_by_period(
    season: tuple[Truth, list[pl.DataFrame]], found: Calibrated
) -> None:
    truth = season[0].calibration
    (change,) = found.tables["calibration_drift"].iter_rows(named=True)
    assert (change["parameter"], change["kind"], change["first"]) == ("heading_offset_deg", "step", truth.step_from)
    rows = found.tables["calibration"].filter(pl.col("parameter") == "heading_offset_deg")
    assert rows["until"][0] == rows["from"][1] == datetime(*truth.step_from.timetuple()[:3])
    for stepped, row in enumerate(rows.iter_rows(named=True)):
        assert row["verdict"] == PROPOSED
        assert row["proposed"] == pytest.approx(truth.value("heading_offset_deg", bool(stepped)), abs=0.5)
    paper = found.paper
    assert len(paper.periods) == 1
    assert value_in_use(paper, "heading_offset_deg", None) == pytest.approx(rows["proposed"][0], abs=0.05)


def test_speed_is_proposed_within_what_is_asked(season: tuple[Truth, list[pl.DataFrame]], found: Calibrated) -> None:
    (row,) = found.tables["calibration"].filter(pl.col("parameter") == "boat_speed_factor").iter_rows(named=True)
    assert row["proposed"] == pytest.approx(season[0].calibration.boat_speed_factor, abs=0.008)


def test_the_season_is_more_plausible_with_the_proposals(found: Calibrated) -> None:
    effect = found.tables["calibration_effect"]
    heading = effect.filter(pl.col("measure").str.starts_with("heading"))
    speed = effect.filter(pl.col("measure").str.starts_with("speed"))
    for frame in (heading, speed):
        assert abs(frame["after"][0]) < max(0.5, abs(frame["before"][0]))


def test_accepted_proposals_leave_nothing_to_propose_in_heading_and_speed(
    season: tuple[Truth, list[pl.DataFrame]], found: Calibrated
) -> None:
    again = calibrated(*season, boat_of(season[0], found.paper))
    assert again.tables["calibration_drift"].height == 0
    rows = [p for p in proposals_from(again.tables["calibration"]) if p.parameter == "heading_offset_deg"]
    assert len(rows) == 2  # the period that a person wrote is kept apart
    before = [p for p in proposals_from(found.tables["calibration"]) if p.parameter == "heading_offset_deg"]
    for now, then in zip(rows, before, strict=True):
        assert now.proposed == pytest.approx(then.proposed, abs=0.15)
        assert now.start == then.start


def test_the_same_samples_in_another_order_give_the_same(season: tuple[Truth, list[pl.DataFrame]]) -> None:
    truth, logs = season
    samples, segments, sessions = parts_of(truth, logs[:2])
    wind = add_true_wind(samples, boat_of(truth), pl.Series([None] * samples.height, dtype=pl.String)).samples
    one = calibrate(wind, segments, sessions, boat_of(truth))
    other = calibrate(wind.sample(fraction=1.0, shuffle=True, seed=3), segments, sessions, boat_of(truth))
    for name in NAMES:
        assert_frame_equal(one.tables[name], other.tables[name])


def test_logs_without_wind_or_ground_say_so(season: tuple[Truth, list[pl.DataFrame]]) -> None:
    truth, logs = season
    samples, segments, sessions = parts_of(truth, logs[:1])
    for missing in (["awa", "aws"], ["sog", "cog"], ["bsp"], ["hdg_mag"]):
        bare = add_true_wind(samples.drop(missing), boat_of(truth), pl.Series(["J1"] * samples.height)).samples
        tables = calibrate(bare, segments, sessions, boat_of(truth)).tables
        silent = tables["calibration"].filter(pl.col("verdict") == CANNOT_SAY)
        assert silent.height >= 2, missing
        assert silent["proposed"].null_count() == silent.height
    empty = add_true_wind(samples.head(0), boat_of(truth), pl.Series([], dtype=pl.String)).samples
    nothing = calibrate(empty, segments.head(0), sessions.head(0), boat_of(truth)).tables
    assert (nothing["calibration"]["verdict"] == CANNOT_SAY).all()


def test_value_in_use_goes_by_set_then_period_then_boat() -> None:
    july = datetime(2027, 7, 1)
    calibration = replace(
        Calibration(),
        periods=((july, Corrections(upwash_deg=1.0)),),
        sets={"G2": Corrections(upwash_deg=3.0)},
    )
    assert value_in_use(calibration, "upwash_deg", None) == 0.0
    assert value_in_use(calibration, "upwash_deg", july) == 1.0
    assert value_in_use(calibration, "upwash_deg", july, "G2") == 3.0
    assert value_in_use(calibration, "leeway_coefficient", july) == 8.0
