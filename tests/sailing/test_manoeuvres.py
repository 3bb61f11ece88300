from collections.abc import Callable
from datetime import timedelta

import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.sailing.manoeuvres import find_manoeuvres, time_limit_s
from pipeline.sailing.wind_of_samples import add_true_wind

LEGS = [(8, 45), (8, -45), (8, -105), (8, -150), (8, 150), (8, 80), (8, 45)]
KINDS = ["tack", "bear away", "bear away", "gybe", "round up", "round up"]


def with_wind(samples: pl.DataFrame, boat: Boat) -> pl.DataFrame:
    return add_true_wind(samples, boat, pl.Series(["J1"] * samples.height)).samples


@pytest.mark.parametrize("hz", [0.2, 0.5, 1.0, 10.0])
@pytest.mark.parametrize("heading", [True, False])
def test_every_manoeuvre_is_found_at_every_rate(
    simulate: Callable[..., pl.DataFrame], boat: Boat, hz: float, heading: bool
) -> None:
    samples = simulate(LEGS, hz=hz, seed=4)
    start = samples["time"][0]
    if not heading:
        samples = samples.drop("hdg_true")
    found = find_manoeuvres(with_wind(samples, boat), boat)
    assert found["kind"].to_list() == KINDS
    for i, row in enumerate(found.iter_rows(named=True)):
        turn = start + timedelta(minutes=8 * (i + 1))
        assert abs(row["start"] - turn) < timedelta(seconds=25)
        assert row["start"] <= row["turn_end"] <= row["end"]
        assert row["end"] - row["turn_end"] <= timedelta(seconds=time_limit_s(boat.loa_m) + 1 / hz)


def test_a_tack_lasts_until_the_speed_is_back(simulate: Callable[..., pl.DataFrame], boat: Boat) -> None:
    samples = simulate([(10, 45), (10, -45)], turbulence=0.0, noise=0.0, lag_s=15.0)
    (row,) = find_manoeuvres(with_wind(samples, boat), boat).iter_rows(named=True)
    before = samples.filter(pl.col("time") < row["start"])["bsp"].tail(60).mean()
    at_end = samples.filter(pl.col("time") == row["end"])["bsp"].item()
    half_way = samples.filter(pl.col("time") == row["turn_end"])["bsp"].item()
    assert half_way < 0.9 * before
    assert at_end > 0.965 * before
    assert row["end"] - row["turn_end"] > timedelta(seconds=15)


def test_steady_sailing_has_none(simulate: Callable[..., pl.DataFrame], boat: Boat) -> None:
    samples = pl.concat([simulate([(60, twa)], seed=s) for s, twa in enumerate((42, -95, 140))])
    starts = [simulate([(60, twa)], seed=s) for s, twa in enumerate((42, -95, 140))]
    assert sum(find_manoeuvres(with_wind(s, boat), boat).height for s in starts) == 0
    assert samples.height == 3 * 3600


def test_running_dead_before_the_wind_is_no_string_of_gybes(simulate: Callable[..., pl.DataFrame], boat: Boat) -> None:
    found = find_manoeuvres(with_wind(simulate([(40, 178)], seed=2), boat), boat)
    assert found.height <= 4


@pytest.mark.parametrize("seed", range(5))
def test_a_gybe_is_dated_where_the_wind_passes_the_stern(
    simulate: Callable[..., pl.DataFrame], boat: Boat, seed: int
) -> None:
    samples = simulate([(6, 165), (1.5, -174), (6, -160)], seed=seed, tws_kn=16.0)
    found = find_manoeuvres(with_wind(samples, boat), boat)
    (gybe,) = found.filter(pl.col("kind") == "gybe").iter_rows(named=True)
    across = samples.filter(pl.col("time") > samples["time"][0] + timedelta(minutes=6), pl.col("true_twa") < 0)["time"][
        0
    ]
    assert gybe["start"] - timedelta(seconds=10) <= across <= gybe["end"]


def test_empty(simulate: Callable[..., pl.DataFrame], boat: Boat) -> None:
    assert find_manoeuvres(with_wind(simulate([(1, 45)]), boat).head(0), boat).height == 0
