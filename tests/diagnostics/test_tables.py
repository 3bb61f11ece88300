"""Residuals, tacks, influence and left-out days of a season whose every answer is known."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.crossovers.season import DRAWS, SEED, cross
from pipeline.diagnostics.intervals import LEVELS, clustered_share
from pipeline.diagnostics.residuals import residual_table
from pipeline.diagnostics.season import SCHEMAS, diagnostics_of
from pipeline.surfaces.season import SeasonFit, fit_season
from tests.diagnostics.crossing_sets import BOAT, CROSSING_KN, SLOPE, windows

Sail = Callable[..., SeasonFit]


def borders(fit: SeasonFit) -> pl.DataFrame:
    return cross(fit, BOAT, np.log(fit.draws(DRAWS, SEED)), None, None)["crossovers"]


def tables(fit: SeasonFit) -> dict[str, pl.DataFrame]:
    return diagnostics_of(fit, borders(fit))


def test_schemas_and_keys(sail: Sail) -> None:
    found = tables(sail(5))
    assert {name: dict(t.schema) for name, t in found.items()} == SCHEMAS
    assert found["border_influence"].height == 8 * borders(sail(5)).height


@pytest.mark.parametrize("poor", [windows(1).head(0), windows(1).head(1), windows(1).filter(pl.col("sail_set") == "A")])
def test_poor_seasons_end_in_typed_tables(poor: pl.DataFrame) -> None:
    found = tables(fit_season(poor, BOAT))
    assert {name: dict(t.schema) for name, t in found.items()} == SCHEMAS
    assert found["border_influence"].is_empty() and found["port_starboard"].is_empty()


def test_order_of_rows_does_not_matter(sail: Sail) -> None:
    again = tables(fit_season(windows(5).sample(fraction=1.0, shuffle=True, seed=2), BOAT))
    assert all(again[name].equals(table) for name, table in tables(sail(5)).items())


# --- residuals ---


def test_an_ordinary_season_has_no_odd_line(sail: Sail) -> None:
    found = residual_table(sail(5).basis)  # type: ignore[arg-type]
    assert found.filter("odd").is_empty()
    assert found.group_by("by").len().sort("by").rows() == [("day", 8), ("sail set", 2), ("tack", 2), ("wind", 3)]
    assert (found.filter(pl.col("by") != "day")["effective_n"] < 0.5 * 480).all()
    for row in found.drop_nulls("low_pct").iter_rows(named=True):
        assert row["low_pct"] <= row["median_pct"] <= row["high_pct"]


def test_a_slow_day_is_found_and_no_other(sail: Sail) -> None:
    odd = residual_table(sail(5, slow_day=(3, -0.08)).basis).filter("odd")  # type: ignore[arg-type]
    assert odd.select("by", "day", "mode").rows() == [("day", date(2027, 6, 7), "reaching")]
    # The day's effect less what the fit ascribes to the season as a whole, at most an eighth of it.
    assert -9.0 < odd["median_pct"].item() < -5.0


def test_windows_count_once_in_each_kind(sail: Sail) -> None:
    found = residual_table(sail(5).basis)  # type: ignore[arg-type]
    assert set(found.group_by("by").agg(pl.col("windows").sum())["windows"]) == {480}


# --- tacks ---


def test_a_set_faster_on_port_moves_its_border_between_the_tacks(sail: Sail) -> None:
    found = tables(sail(5, port_of_b=0.02))["port_starboard"].filter(pl.col("along") == "tws_kn")
    assert found.height >= 5
    for name, true in (("a", 0.0), ("b", 2.0)):
        assert found[f"port_less_starboard_{name}_pct"].median() == pytest.approx(true, abs=0.25)
        assert ((found[f"low_{name}_pct"] < true) & (found[f"high_{name}_pct"] > true)).mean() >= 0.8
    # On port B gains 2 %, so it takes over 0.02 / SLOPE = 2 kn earlier than on starboard.
    assert found["port_less_starboard"].median() == pytest.approx(-0.02 / SLOPE, abs=0.3)
    assert (found["high"] < 0.0).all()


def test_a_set_sailed_on_one_tack_only_says_nothing_of_tacks() -> None:
    one = windows(5).filter((pl.col("twa_deg") > 0) | (pl.col("sail_set") == "A"))
    fit = fit_season(one, BOAT)
    assert borders(fit).height > 0
    assert tables(fit)["port_starboard"].is_empty()


# --- influence ---


def test_the_day_that_misled_a_border_carries_it(sail: Sail) -> None:
    fit = sail(5, spoilt=(5, 0.03))
    along = tables(fit)["border_influence"].filter(pl.col("along") == "tws_kn")
    heaviest = along.sort(pl.col("shift").abs(), descending=True).group_by("at", maintain_order=True).first()
    assert heaviest["day"].unique().to_list() == [date(2027, 6, 11)]
    # B was flattered that day, so its border lay too low: without the day it moves up, towards the truth.
    assert (heaviest["shift"] > 0.15).all()
    error = (heaviest["crossing"] - CROSSING_KN).abs().mean()
    assert (heaviest["crossing"] + heaviest["shift"] - CROSSING_KN).abs().mean() < error  # type: ignore[operator]


# --- left-out days ---


def test_intervals_hold_about_as_often_as_they_say() -> None:
    shares = {level: [] for level in LEVELS}
    for seed in (11, 12, 13, 14):
        fit = fit_season(windows(seed), BOAT)
        for row in tables(fit)["interval_check"].iter_rows(named=True):
            shares[row["level"]].append(row["held"])
            assert 0.0 <= row["held_low"] <= row["held"] <= row["held_high"] <= 1.0
    means = [float(np.mean(shares[level])) for level in LEVELS]
    assert means == sorted(means)
    assert 0.8 <= means[-1] <= 1.0


def test_share_is_judged_by_clusters_and_never_surer_than_chance() -> None:
    days = np.repeat(np.arange(10), 6)
    all_held = clustered_share(np.ones(60, dtype=bool), days, 0.9)
    assert all_held[0] == 1.0 and all_held[1] == pytest.approx(1.0 - 1.833 * np.sqrt(0.09 / 60), abs=1e-3)
    whole_days = clustered_share(days < 8, days, 0.9)
    # Eight of ten days: as of ten cases, not of sixty.
    assert whole_days[1] == pytest.approx(0.8 - 1.833 * np.sqrt(0.16 / 9), abs=1e-3)
    assert clustered_share(np.ones(12, dtype=bool), np.repeat([0, 1], 6), 0.9)[1:] == (None, None)
