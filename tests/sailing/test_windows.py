from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.sailing.wind_of_samples import add_true_wind
from pipeline.tables import TABLES
from tests.sailing.steady_windows import SteadyWindows, steady_windows

LEGS = [(12, 45), (12, -45), (12, -115), (12, 115), (12, 150), (12, -150), (12, -70)]
Simulate = Callable[..., pl.DataFrame]
Frames = Callable[[pl.DataFrame], tuple[pl.DataFrame, pl.DataFrame]]


def windows_of(samples: pl.DataFrame, boat: Boat, frames: Frames, **options: pl.DataFrame) -> SteadyWindows:
    segments, sessions = frames(samples)
    segments = options.pop("segments", segments)
    wind = add_true_wind(samples, boat, pl.Series(["J1"] * samples.height)).samples
    return steady_windows(
        wind,
        segments,
        sessions,
        boat,
        exclude=options.get("exclude"),
        settings_log=options.get("settings_log"),
    )


def reason_at(result: SteadyWindows, when: datetime) -> str | None:
    hit = result.set_aside.filter((pl.col("start") <= when) & (pl.col("end") > when))
    return hit["reason"][0] if hit.height else None


@pytest.mark.parametrize("lag_s", [7.0, 19.0, 38.0])
def test_points_lie_on_the_known_surface(
    simulate: Simulate, surface: Callable[..., np.ndarray], boat: Boat, frames: Frames, lag_s: float
) -> None:
    days = [simulate(LEGS, seed=s, lag_s=lag_s, start=datetime(2027, 6, 10 + s, 10)) for s in range(3)]
    w = windows_of(pl.concat(days), boat, frames).windows
    assert w.height > 150
    known = surface(w["tws_kn"].to_numpy(), w["twa_deg"].to_numpy())
    miss = w["bsp_kn"].to_numpy() / known - 1.0
    assert abs(miss.mean()) < 0.005
    assert np.sqrt((miss**2).mean()) < 0.011
    # without the lag the same windows scatter more: the pairing earns its keep
    unlagged = surface(w["tws_unlagged_kn"].to_numpy(), w["twa_unlagged_deg"].to_numpy())
    assert np.sqrt(((w["bsp_kn"].to_numpy() / unlagged - 1.0) ** 2).mean()) > np.sqrt((miss**2).mean())


@pytest.mark.parametrize("lag_s", [8.0, 40.0])
def test_lag_is_measured(simulate: Simulate, boat: Boat, frames: Frames, lag_s: float) -> None:
    days = [simulate(LEGS, seed=s, lag_s=lag_s, start=datetime(2027, 6, 10 + s, 10)) for s in range(3)]
    table = windows_of(pl.concat(days), boat, frames).thresholds
    found = table.filter(pl.col("name") == "speed_lag_s")["value"].item()
    assert lag_s / 1.4 <= found <= lag_s * 1.4


@pytest.mark.parametrize("hz", [0.2, 0.4, 1.0, 10.0])
def test_windows_are_apart_and_inside(simulate: Simulate, boat: Boat, frames: Frames, hz: float) -> None:
    samples = simulate(LEGS, hz=hz)
    result = windows_of(samples, boat, frames)
    w = result.windows
    assert list(w.columns[: len(TABLES["windows"].columns)]) == list(TABLES["windows"].columns)
    assert w.height > 40
    assert (w["start"][1:] >= w["end"][:-1]).all()
    assert w["minutes"].is_between(0.49, 1.01).all()
    assert w["effective_n"].is_between(1.0, w["samples"]).all()
    # one tack each, and both tacks present, signed
    assert set(np.sign(w["twa_deg"].to_list())) == {-1.0, 1.0}
    assert (np.sign(w["twa_deg"].to_numpy()) == np.sign(w["awa_deg"].to_numpy())).all()
    # none touches a turn
    for i in range(1, len(LEGS)):
        turn = samples["time"][0] + timedelta(minutes=12 * i)
        assert w.filter((pl.col("start") < turn + timedelta(seconds=10)) & (pl.col("end") > turn)).height == 0


def test_every_sample_is_accounted_for(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    for hz in (1.0, 5.0):
        samples = simulate(LEGS, hz=hz)
        result = windows_of(samples, boat, frames)
        counts = result.flags.filter(pl.col("stage") == "windows")
        assert counts["count"].sum() == samples.height
        kept = result.flags.filter(pl.col("stage") == "steady windows")["count"].item()
        assert kept == result.windows.height
        names = set(counts["reason"].to_list())
        assert {"tack", "gybe", "bearing away", "rounding up", "build-up after tack"} <= names


def test_order_of_rows_plays_no_part(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    samples = simulate(LEGS)
    segments, sessions = frames(samples)
    wind = add_true_wind(samples, boat, pl.Series(["J1"] * samples.height)).samples
    again = wind.sample(fraction=1.0, shuffle=True, seed=3)
    one = steady_windows(wind, segments, sessions, boat, exclude=None, settings_log=None)
    two = steady_windows(again, segments, sessions, boat, exclude=None, settings_log=None)
    assert one.windows.equals(two.windows)
    assert one.set_aside.equals(two.set_aside)


def test_speed_plays_no_part_in_the_choice(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    """Waves of speed that wind and heading do not explain (surfing) leave the windows where they were."""
    samples = simulate([(40, 150)], noise=0.0)
    surf = 1.0 + 0.12 * np.sin(np.arange(samples.height) / 11.0)
    plain = windows_of(samples, boat, frames)
    wind = add_true_wind(samples, boat, pl.Series(["J1"] * samples.height)).samples
    surfing = wind.with_columns(bsp_kn=pl.col("bsp_kn") * surf)
    segments, sessions = frames(samples)
    after = steady_windows(surfing, segments, sessions, boat, exclude=None, settings_log=None)
    assert after.windows["start"].equals(plain.windows["start"])


def test_tags_decide(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    samples = simulate([(60, 60)])
    t0 = samples["time"][0]
    at = [t0 + timedelta(minutes=m) for m in (0, 12, 24, 36, 48)] + [samples["time"][-1]]
    segments = pl.DataFrame(
        {
            "start": at[:-1],
            "end": at[1:],
            "sail_set": ["J1", "unlogged", "unknown", "BARE", "J2"],
            "quality": ["logged", "none", "logged", "logged", "doubtful"],
        }
    ).with_columns(pl.col("start", "end").cast(pl.Datetime("us")))
    result = windows_of(samples, boat, frames, segments=segments)
    assert set(result.windows["sail_set"]) == {"J1", "unlogged"}
    assert reason_at(result, t0 + timedelta(minutes=30)) == "sail set unknown"
    assert reason_at(result, t0 + timedelta(minutes=42)) == "no sails up"
    assert reason_at(result, t0 + timedelta(minutes=54)) == "sail set in doubt"
    # around the change from one set to the next
    for seconds in (-50, 0, 80):
        assert reason_at(result, at[1] + timedelta(seconds=seconds)) == "sail change"


def test_excluded_time_and_engine(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    samples = simulate([(60, 60)])
    t0 = samples["time"][0]

    def minute(m: float) -> datetime:
        return t0 + timedelta(minutes=m)

    exclude = pl.DataFrame({"start": [minute(10)], "finish": [minute(15)], "reason": ["collision"]})
    log = pl.DataFrame(
        {
            "time": [minute(20), minute(30), minute(5), minute(40)],
            "item": ["engine", "engine", "sea", "Ballast"],
            "value": ["on", "off", "moderate", "200"],
            "unit": [None, None, None, "kg"],
        }
    )
    result = windows_of(samples, boat, frames, exclude=exclude, settings_log=log)
    assert reason_at(result, minute(12)) == "excluded: collision"
    assert reason_at(result, minute(25)) == "engine, logged"
    w = result.windows
    assert w.filter(pl.col("start").is_between(minute(20), minute(29.9))).height == 0
    assert w.filter(pl.col("start") < minute(5))["sea"].null_count() == w.filter(pl.col("start") < minute(5)).height
    assert w.filter(pl.col("start") > minute(5))["sea"].unique().to_list() == ["moderate"]
    assert w.filter(pl.col("start") > minute(40))["setting_ballast"].unique().to_list() == ["200 kg"]


def test_motoring_upwind_is_seen_in_the_data(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    samples = simulate([(30, 60)], turbulence=0.5)
    motoring = pl.int_range(pl.len()).is_between(600, 1199)
    samples = samples.with_columns(
        awa=pl.when(motoring).then(2.0 + (pl.int_range(pl.len()) % 3)).otherwise("awa"),
        aws=pl.when(motoring).then(14.0).otherwise("aws"),
        bsp=pl.when(motoring).then(6.0 + 0.01 * (pl.int_range(pl.len()) % 5)).otherwise("bsp"),
    )
    result = windows_of(samples, boat, frames)
    assert reason_at(result, samples["time"][900]) == "engine, by the data"
    assert reason_at(result, samples["time"][100]) != "engine, by the data"


def test_missing_channels_are_named(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    rows = pl.int_range(pl.len())
    samples = simulate([(30, 60)]).with_columns(
        awa=pl.when(rows.is_between(300, 400)).then(None).otherwise("awa"),
        bsp=pl.when(rows.is_between(700, 740)).then(None).otherwise("bsp"),
        heel=pl.when(rows.is_between(1000, 1100)).then(None).otherwise(-15.0),
    )
    result = windows_of(samples, boat, frames)
    assert reason_at(result, samples["time"][350]) == "missing: apparent wind"
    assert reason_at(result, samples["time"][720]) == "missing: boat speed"
    assert reason_at(result, samples["time"][1050]) == "missing: heel"


def test_short_holes_and_spikes_are_bridged(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    rows = pl.int_range(pl.len())
    clean = simulate([(30, 60)])
    spiky = clean.with_columns(
        bsp=pl.when(rows % 100 == 50).then(38.0).otherwise("bsp"),
        aws=pl.when(rows % 100 == 80).then(None).otherwise("aws"),
    )
    a, b = (windows_of(s, boat, frames).windows for s in (clean, spiky))
    assert b.height > 0.9 * a.height
    assert abs(a["bsp_kn"].mean() - b["bsp_kn"].mean()) < 0.05
    assert b["bsp_kn"].max() < 12.0


def test_slow_speed_over_ground_windows_say_so(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    samples = simulate([(20, 60)]).rename({"bsp": "sog"})
    assert windows_of(samples, boat, frames).windows["speed_source"].unique().to_list() == ["ground"]


def test_nothing_to_do(simulate: Simulate, boat: Boat, frames: Frames) -> None:
    samples = simulate([(5, 60)])
    without_wind = samples.drop("awa", "aws")
    result = windows_of(without_wind, boat, frames)
    assert result.windows.height == 0
    assert result.set_aside["reason"].to_list() == ["missing: apparent wind"]
    empty = windows_of(samples.head(0), boat, frames)
    assert empty.windows.height == 0
    assert empty.windows.schema["start"] == pl.Datetime("us")
