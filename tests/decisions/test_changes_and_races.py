"""All tables of changes and races together: their schemas; neither order of rows nor size of pieces matters."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.decisions import race_loss
from pipeline.decisions.changes_and_races import changes_and_races
from pipeline.surfaces.season import fit_season
from pipeline.tables import TABLES
from tests.decisions.invented_season import BOAT, Leg, made_season

BOARD = [Leg(9, "LJ", 12.0, 60.0), Leg(9, "HJ", 17.0, 60.0), Leg(9, "LJ", 12.0, 60.0), Leg(9, "SP", 12.0, 120.0)]
DIPS = {9.0: (0.3, 30.0), 18.0: (0.3, 30.0), 27.0: (0.3, 30.0)}
SIDE_TABLES = {"change_costs", "race_totals", "race_tracks", "change_review", "card"}


@pytest.fixture(scope="module")
def season():
    return made_season(BOARD * 2, dips=DIPS)


@pytest.fixture(scope="module")
def tables(season):
    return changes_and_races(season)


def test_every_table_is_there_with_its_columns_first(tables):
    expected = {"crossovers_apparent", "change_rules", "manoeuvres", "sail_changes", "race_review"}
    assert set(tables) == expected | SIDE_TABLES
    for name in expected:
        columns = TABLES[name].columns
        assert dict(list(tables[name].schema.items())[: len(columns)]) == columns
        assert tables[name].height > 0
        assert not tables[name].select(TABLES[name].key).is_duplicated().any() or not TABLES[name].key


def test_order_of_rows_does_not_matter(season, tables):
    mixed = replace(
        season,
        wind=season.wind.sample(fraction=1.0, shuffle=True, seed=1),
        segments=season.segments.reverse(),
        windows=season.windows.reverse(),
    )
    for name, frame in changes_and_races(mixed).items():
        assert_frame_equal(frame, tables[name], abs_tol=1e-6)


def test_how_many_pieces_are_held_at_once_does_not_matter(season, tables, monkeypatch):
    monkeypatch.setattr(race_loss, "PIECES_AT_ONCE", 7)
    assert_frame_equal(changes_and_races(season)["race_review"], tables["race_review"])


def test_a_season_without_windows_still_lists_its_changes_and_manoeuvres(season):
    fit = fit_season(season.windows.head(0).with_columns(pl.lit(1).alias("session")), BOAT)
    none = {"crossovers": TABLES["crossovers"].empty()}
    bare = replace(season, fit=fit, windows=season.windows.head(0), log_draws=np.zeros((9, 0, 0, 0)), tables=none)
    tables = changes_and_races(bare)
    assert tables["sail_changes"].height == 7 and tables["sail_changes"]["lost_s"].is_null().all()
    assert tables["race_review"].height and tables["race_review"]["loss_s"].is_null().all()
    assert tables["change_rules"].is_empty() and tables["card"].is_empty()
    assert (tables["change_review"]["verdict"] == "untested").all()


def test_a_season_without_samples_gives_empty_tables(season):
    nothing = replace(
        season,
        wind=season.wind.head(0),
        segments=season.segments.head(0),
        sessions=season.sessions.head(0),
        windows=season.windows.head(0),
        log_draws=np.zeros((9, 0, 0, 0)),
        fit=fit_season(season.windows.head(0).with_columns(pl.lit(1).alias("session")), BOAT),
        tables={"crossovers": TABLES["crossovers"].empty()},
    )
    assert all(frame.is_empty() for frame in changes_and_races(nothing).values())
