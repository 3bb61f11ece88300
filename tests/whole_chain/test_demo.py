"""The demo from end to end, held against the truth it was made from (sample_logs/truth, not an input)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.tables import TABLES

TRUTH = Path(__file__).parents[2] / "sample_logs" / "truth"
TRUE_SPEED_FACTOR = 1.016  # sample_logs/NOTE.md: the log reads 1.6 % low, and boat.toml does not put it right


@pytest.fixture(scope="module")
def out(demo: Path) -> Path:
    return demo


def table(out: Path, name: str) -> pl.DataFrame:
    return pl.read_parquet(out / "tables" / f"{name}.parquet")


def test_every_table_is_there_with_its_columns_first(out: Path) -> None:
    for name, wanted in TABLES.items():
        found = table(out, name)
        assert found.columns[: len(wanted.columns)] == list(wanted.columns), name


def test_surfaces_agree_with_the_model_that_made_the_season(out: Path) -> None:
    truth = pl.read_csv(TRUTH / "speeds.csv", schema_overrides={"tws_kn": pl.Float64, "twa_deg": pl.Float64})
    once = truth.filter(pl.col("from").is_null() & pl.col("until").is_null())
    found = table(out, "surfaces").filter(pl.col("supported")).join(once, on=["sail_set", "tws_kn", "twa_deg"])
    assert found.height > 150
    error_pct = 100 * np.log(found["bsp_kn"].to_numpy() * TRUE_SPEED_FACTOR / found["bsp_kn_right"].to_numpy())
    # The wind is not calibrated either (NOTE.md), so only the bulk is asked to agree.
    assert abs(np.median(error_pct)) < 2.0
    assert np.sqrt(np.mean(np.clip(error_pct, -10, 10) ** 2)) < 4.0


def test_the_running_border_is_found_where_it_is_and_not_where_it_was_designed(out: Path) -> None:
    comparison = table(out, "design_comparison").filter(
        (pl.col("set_a") == "S1") & (pl.col("set_b") == "S2+ST") & (pl.col("along") == "tws_kn")
    )
    moved = comparison.filter(pl.col("verdict") == "moved")
    assert moved.height >= 1
    assert comparison.filter(pl.col("verdict") == "confirmed").is_empty()
    # design_errors_made_good.csv: designed 3.3 kn too low
    assert (moved["shift"].drop_nulls() > 1.0).all()


def test_close_to_every_minute_is_tagged_with_the_set_that_was_up(out: Path) -> None:
    flown = pl.read_csv(TRUTH / "flown.csv", try_parse_dates=True).filter(pl.col("sail_set") != "engine")
    flown = flown.with_columns(pl.col("start", "end").cast(pl.Datetime("us", "UTC"))).sort("start")
    segments = table(out, "segments").sort("start")
    moments = flown.select(
        pl.datetime_ranges("start", pl.col("end") - pl.duration(seconds=1), "10s").alias("time"), "sail_set"
    ).explode("time")
    tagged = moments.sort("time").join_asof(segments, left_on="time", right_on="start", suffix="_tagged")
    share = (tagged["sail_set"] == tagged["sail_set_tagged"]).mean()
    # Two deliberate slips of ten and seven minutes are in the log that no reader of it alone could put right.
    assert share > 0.95
