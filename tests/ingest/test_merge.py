"""One clock: which sensor is believed, the log's own rate, means within a tick, nothing carried beyond its age."""

import math
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.boat_file import parse_boat
from pipeline.channels import BY_NAME, CHANNELS, GROUPS, SENSOR_WORDS
from pipeline.ingest.carry import FRESH, FRESH_BIT
from pipeline.ingest.merge import merge_log
from pipeline.ingest.readings import REJECTED_SCHEMA, DecodedLog
from pipeline.ingest.sources import talkers_by_group
from pipeline.ingest.ticks import usual_step_us

T0 = datetime(2027, 6, 12, 12)


def at(seconds):
    return T0 + timedelta(seconds=seconds)


def readings(source, seconds, **channels):
    n = len(seconds)
    columns = {
        k: pl.Series(v if isinstance(v, list) else [float(v)] * n, dtype=pl.Float64) for k, v in channels.items()
    }
    return pl.DataFrame(
        {"time": pl.Series([at(s) for s in seconds], dtype=pl.Datetime("us")), "source": [source] * n, **columns}
    )


def log_of(**groups):
    frames = {}
    for group, frame in groups.items():
        parts = frame if isinstance(frame, list) else [frame]
        frames[group] = pl.concat(parts, how="diagonal").sort("time", maintain_order=True)
    return DecodedLog(1, 1, 0, pl.DataFrame(schema=REJECTED_SCHEMA), frames, True)


def test_every_word_for_a_talker_means_the_same_in_boat_toml_and_here():
    head = '[boat]\nname="A"\nloa_m=9\n[instruments]\nwind_sensor_height_m=12\n[channels]\n'
    for word, groups in SENSOR_WORDS.items():
        assert set(groups) <= set(GROUPS)
        boat, _ = parse_boat(f'{head}talkers = {{ {word} = "WI" }}'.encode())
        assert boat is not None
        assert talkers_by_group(boat.channels.talkers) == talkers_by_group({word: "WI"}) == dict.fromkeys(groups, "WI")


def merge(talkers=None, **groups):
    return merge_log(log_of(**groups), talkers=talkers or {})


def flags(merged):
    return {(r["reason"], r["kept"]): r["count"] for r in merged.flags.iter_rows(named=True)}


def test_one_row_a_tick_with_every_channel_typed():
    merged = merge(apparent_wind=readings("WIMWV", range(5), awa=30, aws=10))
    assert merged.rate_hz == 1.0
    assert merged.samples.columns == ["time", *(c.name for c in CHANNELS), FRESH]
    assert merged.samples["time"].to_list() == [at(s) for s in range(5)]
    assert all(merged.samples[c.name].dtype == pl.Float64 for c in CHANNELS)
    assert merged.samples["bsp"].null_count() == 5
    assert merged.samples[FRESH].to_list() == [(1 << FRESH_BIT["awa"]) | (1 << FRESH_BIT["aws"])] * 5


def test_an_empty_log_gives_typed_rows_of_none():
    merged = merge()
    assert merged.samples.height == 0
    assert merged.samples.columns == ["time", *(c.name for c in CHANNELS), FRESH]
    assert merged.rate_hz is None


@pytest.mark.parametrize("hz", [10, 5, 4, 2, 1, 0.5, 0.4, 0.2])
def test_the_logs_own_rate(hz):
    step = merge(apparent_wind=readings("WIMWV", [i / hz for i in range(200)], awa=30, aws=10))
    assert step.rate_hz == pytest.approx(hz)
    assert step.samples.height == 200


def test_rates_beyond_ten_hertz_are_averaged_to_ten():
    merged = merge(apparent_wind=readings("WIMWV", [i / 20 for i in range(400)], awa=30, aws=10))
    assert merged.rate_hz == 10.0
    assert merged.samples.height == 201
    assert merged.samples["aws"].to_numpy() == pytest.approx(10.0)


def step_us_of(seconds, runs):
    """The step found from times that come in so many runs."""
    times = pl.Series([at(float(s)) for s in seconds], dtype=pl.Datetime("us")).cast(pl.Int64).to_numpy()
    return usual_step_us(np.array_split(times, runs))


def test_jitter_repeats_and_bursts_do_not_make_a_log_fast():
    random = np.random.default_rng(3)
    jittered = np.sort(np.arange(600) + random.uniform(-0.3, 0.3, 600))
    twice = np.sort(np.concatenate([np.arange(600), np.arange(600) + 0.1]))
    bursts = np.sort(np.concatenate([np.arange(0, 600, 2) + d for d in (0.0, 0.05, 0.1, 0.15)]))
    for seconds, step_s in ((jittered, 1.0), (twice, 1.0), (bursts, 2.0)):
        for runs in (1, 7, 100):
            assert step_us_of(seconds, runs) == step_s * 1e6


def test_a_long_silence_says_nothing_about_the_rate():
    seconds = [i / 10 for i in range(100)] + [3600 + i / 10 for i in range(100)]
    assert step_us_of(seconds, 1) == step_us_of(seconds, 9) == 100_000


def test_the_fastest_core_source_sets_the_clock_and_a_few_strays_do_not():
    wind = readings("WIMWV", range(100), awa=30, aws=10)
    fast = readings("HCHDG", [i / 4 for i in range(400)], hdg_mag=90)
    stray = readings("VWVHW", [3.0, 3.1, 3.2], bsp=6)
    assert merge(apparent_wind=wind, heading_mag=fast).rate_hz == 4.0
    assert merge(apparent_wind=wind, water_speed=stray).rate_hz == 1.0


def test_ticks_are_multiples_of_the_step_whatever_the_phase():
    merged = merge(apparent_wind=readings("WIMWV", [0.37 + i for i in range(5)], awa=30, aws=10))
    assert merged.samples["time"].to_list() == [at(s) for s in range(5)]


def test_bearings_are_averaged_on_the_circle_and_wind_as_a_vector():
    merged = merge(
        water_speed=readings("VWVHW", range(30), bsp=6),
        heading_mag=readings("HCHDG", [0.0, 0.2], hdg_mag=[350.0, 20.0]),
        apparent_wind=readings("WIMWV", [0.0, 0.2], awa=[170.0, -170.0], aws=[10.0, 20.0]),
        heel=readings("IIXDR", [0.0, 0.2], heel=[-4.0, -2.0]),
    )
    first = merged.samples.row(0, named=True)
    assert first["hdg_mag"] == pytest.approx(5.0)
    # Vector sum by hand: ahead (10 + 20) cos 170 / 2, to starboard (10 - 20) sin 170 / 2.
    ahead, across = 15 * math.cos(math.radians(170)), -5 * math.sin(math.radians(170))
    assert first["aws"] == pytest.approx(math.hypot(ahead, across))
    assert first["awa"] == pytest.approx(math.degrees(math.atan2(across, ahead)))
    assert first["heel"] == pytest.approx(-3.0)


def test_a_single_reading_in_a_tick_is_not_touched():
    awa, aws = 33.333333333333336, 11.1
    merged = merge(apparent_wind=readings("WIMWV", [0.0, 1.0, 1.2], awa=[awa, 20.0, 22.0], aws=[aws, 9.0, 9.0]))
    assert merged.samples.row(0, named=True)["awa"] == awa
    assert merged.samples.row(0, named=True)["aws"] == aws


def test_nothing_is_carried_beyond_its_age():
    age = BY_NAME["awa"].max_age_s
    merged = merge(
        water_speed=readings("VWVHW", range(20), bsp=6),
        apparent_wind=readings("WIMWV", [2.0], awa=30, aws=10),
    )
    known = merged.samples.filter(pl.col("awa").is_not_null())["time"].to_list()
    assert known == [at(2 + s) for s in range(int(age) + 1)]
    wind = 1 << FRESH_BIT["awa"]
    assert merged.samples.filter(pl.col(FRESH) // wind % 2 == 1)["time"].to_list() == [at(2)]


def test_age_counts_from_the_reading_not_from_its_tick():
    merged = merge(
        water_speed=readings("VWVHW", range(20), bsp=6),
        apparent_wind=readings("WIMWV", [1.6], awa=30, aws=10),
    )
    known = merged.samples.filter(pl.col("awa").is_not_null())["time"].to_list()
    assert known == [at(2), at(3), at(4)]  # 5 s would be 3.4 s after the reading


def test_a_slow_log_keeps_its_gaps():
    merged = merge(
        apparent_wind=readings("WIMWV", range(0, 60, 5), awa=30, aws=10),
        heading_mag=readings("HCHDG", [2.5], hdg_mag=90),
    )
    assert merged.rate_hz == pytest.approx(0.2)
    assert merged.samples["hdg_mag"].drop_nulls().len() <= 1


def test_a_tick_needs_a_fresh_core_value():
    merged = merge(
        apparent_wind=readings("WIMWV", range(10), awa=30, aws=10),
        depth=readings("SDDPT", range(40), depth=12),
    )
    assert merged.samples.height == 10
    assert merge(depth=readings("SDDPT", range(40), depth=12)).samples.height == 40


def test_values_outside_their_limits_are_set_aside_and_counted():
    merged = merge(apparent_wind=readings("WIMWV", range(3), awa=[30.0, 30.0, 5000.0], aws=[10.0, 300.0, math.inf]))
    assert merged.samples.select("awa", "aws").rows() == [(30.0, 10.0), (30.0, 10.0)]  # the second speed is carried
    assert flags(merged) == {("aws outside 0 to 120 kn", False): 2, ("awa outside -180 to 180 deg", False): 1}


def test_zeros_for_no_position():
    merged = merge(position=readings("GPRMC", range(3), lat=[0.0, 50.0, 50.0], lon=[0.0, 0.0, -1.0]))
    assert merged.samples["lat"].to_list() == [50.0, 50.0]
    assert flags(merged) == {("position 0, 0: zeros for no fix", False): 1}


def test_the_busier_of_two_wind_sensors_is_believed_and_the_other_counted():
    a = readings("IIMWV", range(0, 20, 2), awa=10, aws=5)
    b = readings("WIMWV", range(20), awa=30, aws=10)
    merged = merge(apparent_wind=[a, b])
    assert set(merged.samples["awa"]) == {30.0}
    assert flags(merged) == {("apparent wind: second sensor IIMWV set aside, WIMWV believed", False): 10}


@pytest.mark.parametrize("key", ["wind", "apparent_wind"])
def test_the_settings_say_which_sensor(key):
    a = readings("IIMWV", range(0, 20, 2), awa=10, aws=5)
    b = readings("WIMWV", range(20), awa=30, aws=10)
    assert set(merge({key: "II"}, apparent_wind=[a, b]).samples["awa"].drop_nulls()) == {10.0}
    missing = merge({key: "XX"}, apparent_wind=[a, b])
    assert set(missing.samples["awa"]) == {30.0}
    assert flags(missing)[("apparent wind: talker XX not in the log, WIMWV believed", True)] == 20


def test_equal_sensors_are_told_apart_by_name_not_by_order():
    a = readings("AAMWV", range(20), awa=10, aws=5)
    b = readings("BBMWV", range(20), awa=30, aws=10)
    assert set(merge(apparent_wind=[a, b]).samples["awa"]) == set(merge(apparent_wind=[b, a]).samples["awa"]) == {10.0}


def test_a_dedicated_sentence_comes_before_a_by_product():
    hdg = readings("HCHDG", range(20), hdg_mag=90)
    vhw = readings("VWVHW", [i / 5 for i in range(100)], hdg_mag=95)
    assert set(merge(heading_mag=[vhw, hdg]).samples["hdg_mag"]) == {90.0}


def test_but_not_where_it_covers_little():
    hdg = readings("HCHDG", [0.0, 1.0], hdg_mag=90)
    vhw = readings("VWVHW", range(100), hdg_mag=95)
    assert set(merge(heading_mag=[vhw, hdg]).samples["hdg_mag"]) == {95.0}


def test_the_same_instruments_other_sentence_fills_silences_only():
    hdg = readings("HCHDG", range(60), hdg_mag=90)
    hdm = readings("HCHDM", range(80), hdg_mag=95)
    merged = merge(heading_mag=[hdg, hdm])
    by_second = dict(zip(merged.samples["time"], merged.samples["hdg_mag"], strict=True))
    assert by_second[at(59)] == 90.0
    assert by_second[at(62)] == 90.0  # carried for its age
    assert by_second[at(63)] == 95.0
    assert ("heading mag: HCHDM only where HCHDG is silent", True) in flags(merged)


def test_a_channel_that_only_the_second_source_has_is_kept():
    vtg = readings("GPVTG", range(10), sog=[6.0] * 10)
    rmc = readings("GNRMC", range(10), sog=7, cog=90)
    merged = merge(ground=[vtg, rmc])
    assert set(merged.samples["sog"]) == {6.0}
    assert set(merged.samples["cog"]) == {90.0}


def test_further_transducers_keep_clear_of_the_catalogue():
    merged = merge(
        apparent_wind=readings("WIMWV", range(3), awa=30, aws=10),
        HEEL=readings("IIXDR", range(3), HEEL=5),
        **{"Fore Stay": readings("IIXDR", range(3), **{"Fore Stay": 1200})},
    )
    assert merged.samples.columns[-3:] == ["fore_stay", "heel_raw", FRESH]
    assert merged.samples["heel"].null_count() == 3
    assert merged.samples["fore_stay"].to_list() == [1200.0] * 3


def test_what_the_decoder_noticed_is_passed_on():
    log = log_of(apparent_wind=readings("WIMWV", range(3), awa=30, aws=10))
    noted = DecodedLog(1, 1, 0, log.rejected, log.readings, True, {"time went back": 2})
    assert flags(merge_log(noted, talkers={})) == {("time went back", True): 2}
