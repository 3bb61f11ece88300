"""A season sailed: the boat through its weather, its sensors through their faults, the log through its crew.

`make_season` is the door. Everything follows from the seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tests.known_boat.boat import Floats, KnownBoat, rise
from tests.known_boat.boats import ALL_BOATS, make_boat
from tests.known_boat.crew import Crew, DaySailed, make_crew, sail_the_day
from tests.known_boat.designer import Designer, make_designer
from tests.known_boat.logs import write_campaign
from tests.known_boat.sensors import Sensors, apparent_at_sensor, leeway_of, measure
from tests.known_boat.truth import Recut, TrueCalibration, Truth
from tests.known_boat.weather import DayWeather, day_weather, lagged, ornstein_uhlenbeck, over_the_water

SEASON_START = date(2027, 5, 22)
VARIATION_DEG = -3.2
START_POSITION = (50.55, -1.05)


@dataclass(frozen=True)
class Options:
    """How hard a season is. The defaults are an ordinary, hard one.

    `noise` scales sensor noise, damping, local turbulence, roll and quantisation (0: a perfect log). `effects` scales
    day effects and their drift, sea and fouling. `gusty` scales gusts and shifts. `day_sd` is the standard deviation of
    a day's speed in one mode. `calibration`: "none"; "by-set" (each set's own small upwash, half as given; the default
    since no boat is free of it); "set-upwash" (twice as given: 1 deg and more between sets); "hidden" (every parameter
    off, and by set); "known" (the same, written into boat.toml). `step`: a sensor knocked in mid-season.
    """

    days: int = 16
    hours: float = 3.0
    rate_hz: float = 1.0
    slips: str = "ordinary"
    calibration: str = "by-set"
    noise: float = 1.0
    effects: float = 1.0
    gusty: float = 1.0
    day_sd: float = 0.014
    tide_kn: float = 0.7
    twist_sd_deg: float = 0.4
    shear_sd: float = 0.012
    design_error: float = 1.0
    designed: str = "chart"  # "chart", "speeds", "both", "none"
    training_share: float = 0.25
    recut: bool = False
    mislabelled: int | None = None  # stretches of 10 to 20 min under a wrong name; None: as the slips have it
    step: tuple[str, float] | None = None
    weed: int = 2  # stretches in which weed slows the log's wheel
    csv_share: float = 0.2
    damage: float = 0.0005
    jitter: bool = True  # another sister of the boat with each seed


def make_season(folder: Path, seed: int, boat: str = "cruiser-racer", **options: Any) -> Truth:
    """Sail a season and write its campaign folder; return its truth.

    `boat` is one of `ALL_BOATS`; `options` are the fields of `Options`. An unknown one raises `TypeError`.
    """
    chosen = Options(**options)
    truth, measured = sail_season(seed, boat, chosen)
    write_campaign(folder, truth, measured, chosen, np.random.default_rng([seed, ALL_BOATS.index(boat), 5]))
    return truth


def sail_season(seed: int, boat: str, options: Options) -> tuple[Truth, list[pl.DataFrame]]:
    """The season without its files: the truth, and for each day what the instruments say (1 row a step)."""
    known = make_boat(boat, seed if options.jitter else None)
    rng = np.random.default_rng([seed, ALL_BOATS.index(boat), 1])
    designer = make_designer(known, rng, error=options.design_error)
    crew = make_crew(known, rng)
    dates = _dates(options.days, rng)
    calibration = make_calibration(known, options, dates, rng)
    recut = _recut(known, dates, rng) if options.recut else None
    sensors = Sensors(calibration, known, noise=options.noise)
    fouling = _fouling(dates, options.effects)
    tide_set = float(rng.uniform(0, 360))
    kinds = _kinds(options, rng)
    means = _means(known, options.days, rng)
    truths, logs, day_rows, manoeuvres, races = [], [], [], [], []
    for k, day in enumerate(dates):
        r = np.random.default_rng([seed, ALL_BOATS.index(boat), 2, k])
        start = datetime(day.year, day.month, day.day, int(r.integers(9, 14)), int(r.integers(0, 60)), 0)
        dt_s = min(1.0, 1.0 / options.rate_hz)
        n = int(options.hours * 3600.0 / dt_s)
        since = (start - datetime(SEASON_START.year, SEASON_START.month, SEASON_START.day)).total_seconds()
        weather = day_weather(
            n,
            dt_s,
            since,
            float(means[k]),
            gusty=options.gusty,
            tide_kn=options.tide_kn,
            tide_set_deg=tide_set,
            twist_sd_deg=options.twist_sd_deg * (options.noise > 0),
            shear_sd=options.shear_sd * (options.noise > 0),
            rng=r,
        )
        cut = recut if recut is not None and day >= recut.start else None
        sailed, frame, effect = _sail_day(
            known, designer, crew, sensors, weather, kinds[k], float(fouling[k]), cut, options, dt_s, r
        )
        stamps = pl.datetime_range(
            start, start + timedelta(seconds=(n - 1) * dt_s), timedelta(seconds=dt_s), time_unit="us", eager=True
        )
        frame = frame.with_columns(stamps.alias("time"), pl.lit(k).alias("day"))
        stepped = calibration.step_from is not None and day >= calibration.step_from
        logs.append(measure(frame, sensors, weather, stepped, dt_s, START_POSITION, VARIATION_DEG, r))
        truths.append(frame)
        day_rows.append((k, day, start, start + timedelta(seconds=n * dt_s), kinds[k], float(means[k]), *effect))
        manoeuvres += [(start + timedelta(seconds=round(t, 1)), kind) for t, kind in sailed.manoeuvres]
        races += [(start + timedelta(seconds=round(a)), start + timedelta(seconds=round(b))) for a, b in sailed.races]
    samples = pl.concat(truths)
    truth = Truth(
        boat=known,
        designer=designer,
        calibration=calibration,
        recut=recut,
        samples=samples,
        timeline=timeline_of(samples, dt_s),
        days=pl.DataFrame(day_rows, schema=_DAYS, orient="row"),
        manoeuvres=pl.DataFrame(manoeuvres, schema={"time": pl.Datetime("us"), "kind": pl.String}, orient="row"),
        mislabelled=pl.DataFrame(schema=_MISLABELLED),
        faults=pl.DataFrame(schema=_FAULTS),
        races=pl.DataFrame(races, schema={"start": pl.Datetime("us"), "finish": pl.Datetime("us")}, orient="row"),
        options={"seed": seed, "boat": boat, "dt_s": dt_s, **{k: getattr(options, k) for k in Options.__annotations__}},
    )
    truth = _mislabel(truth, options, np.random.default_rng([seed, ALL_BOATS.index(boat), 4]))
    return _weeded(truth, logs, options, np.random.default_rng([seed, ALL_BOATS.index(boat), 6]))


_DAYS: dict[str, Any] = {
    "day": pl.Int64,
    "date": pl.Date,
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "kind": pl.String,
    "mean_tws_kn": pl.Float64,
    "effect_up": pl.Float64,
    "effect_down": pl.Float64,
    "sea_height_m": pl.Float64,
    "fouling": pl.Float64,
}
_FAULTS: dict[str, Any] = {
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "channel": pl.String,
    "factor": pl.Float64,
}
_MISLABELLED: dict[str, Any] = {
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "sail_set": pl.String,
    "logged": pl.String,
}


def _sail_day(
    boat: KnownBoat,
    designer: Designer,
    crew: Crew,
    sensors: Sensors,
    weather: DayWeather,
    kind: str,
    fouling: float,
    recut: Recut | None,
    options: Options,
    dt_s: float,
    rng: np.random.Generator,
) -> tuple[DaySailed, pl.DataFrame, tuple[float, float, float, float]]:
    """One day's truth: the boat's motion and the wind over the water, step by step."""
    tws, twd = over_the_water(weather)
    n = tws.size
    sailed = sail_the_day(boat, designer, crew, kind, tws, dt_s, rng)
    unwrapped = np.degrees(np.unwrap(np.radians(twd)))
    ctw = _course(boat, crew, sailed, unwrapped, dt_s, rng)
    twa = np.mod(twd - ctw + 180.0, 360.0) - 180.0
    effect, means = _effect(twa, weather, options, dt_s, rng)
    names = np.array(boat.set_names)[sailed.set_index]
    target = np.empty(n)
    for name in np.unique(names):
        here = names == name
        target[here] = boat.speed_kn(str(name), tws[here], twa[here])
        if recut is not None and recut.sail in boat.sets[str(name)].forward:
            target[here] *= recut.factor(tws[here], twa[here])
    factor = np.exp(effect - fouling)
    bsp = lagged(target * sailed.effort * factor, dt_s, boat.lag_s)
    heel = _heel(boat, names, tws, twa, bsp, weather, options, dt_s, rng)
    pitch = options.noise * (0.6 + 0.5 * weather.sea_height_m * ornstein_uhlenbeck(n, dt_s, 1.5, rng))
    leeway = leeway_of(heel, bsp, twa, sensors.calibration.leeway_coefficient)
    hdg = np.mod(ctw + np.sign(twa) * leeway, 360.0)
    awa, aws = apparent_at_sensor(tws, twd, hdg, ctw, bsp, boat.sensor_height_m, weather.twist_deg, weather.shear)
    frame = pl.DataFrame(
        {
            "sail_set": names.astype(str),
            "tws_kn": tws,
            "twa_deg": twa,
            "twd_deg": twd,
            "bsp_kn": bsp,
            "ctw_deg": np.mod(ctw, 360.0),
            "hdg_deg": hdg,
            "heel_deg": heel,
            "pitch_deg": pitch,
            "leeway_deg": leeway,
            "aws_kn": aws,
            "awa_deg": awa,
            "current_east_kn": weather.current_east_kn,
            "current_north_kn": weather.current_north_kn,
            "effect": effect - fouling,
        }
    )
    return sailed, frame, (*means, float(np.mean(weather.sea_height_m)), fouling)


def _course(
    boat: KnownBoat, crew: Crew, sailed: DaySailed, twd_unwrapped: Floats, dt_s: float, rng: np.random.Generator
) -> Floats:
    """Course through the water: by the wind on beats and runs, to a mark on reaches, wandering about either."""
    n = twd_unwrapped.size
    by_mark = np.zeros(n)
    for leg in sailed.legs:
        if leg.kind in ("reach", "pair") and rng.random() < 0.6:
            by_mark[int(leg.start_s / dt_s) : int(leg.end_s / dt_s)] = 1.0
    by_mark = lagged(by_mark, dt_s, 12.0)
    near, far = lagged(twd_unwrapped, dt_s, 7.0), lagged(twd_unwrapped, dt_s, 300.0)
    wander = crew.unsteadiness_deg * ornstein_uhlenbeck(n, dt_s, 4.0 + 0.4 * boat.loa_m, rng)
    return (1.0 - by_mark) * near + by_mark * far - sailed.command_deg + wander


def _effect(
    twa: Floats, weather: DayWeather, options: Options, dt_s: float, rng: np.random.Generator
) -> tuple[Floats, tuple[float, float]]:
    """By how much (log) the day is faster than an ordinary one, upwind and downwind each drifting by itself."""
    n, sd = twa.size, options.effects * options.day_sd
    shared = rng.standard_normal()
    level = [sd * (np.sqrt(0.3) * shared + np.sqrt(0.7) * rng.standard_normal()) for _ in range(2)]
    drift = [0.45 * sd * ornstein_uhlenbeck(n, dt_s, 4500.0, rng) for _ in range(2)]
    down = rise((np.abs(twa) - 90.0) / 10.0)
    sea = options.effects * weather.sea_excess * (-0.020 * (1.0 - down) + 0.010 * down)
    effect = (1.0 - down) * (level[0] + drift[0]) + down * (level[1] + drift[1]) + sea
    return effect, (float(level[0]), float(level[1]))


def _heel(
    boat: KnownBoat,
    names: np.ndarray,
    tws: Floats,
    twa: Floats,
    bsp: Floats,
    weather: DayWeather,
    options: Options,
    dt_s: float,
    rng: np.random.Generator,
) -> Floats:
    """Heel in degrees, positive to starboard: away from the wind by its pressure, and rolling with the sea."""
    across, ahead = tws * np.sin(np.radians(twa)), tws * np.cos(np.radians(twa)) + bsp
    press = np.array([boat.sets[s].heeling for s in boat.set_names])
    order = {s: i for i, s in enumerate(boat.set_names)}
    power = press[[order[s] for s in names]] if names.size else press[:0]
    side_force = power * across * np.hypot(across, ahead) / boat.heel_aws_kn**2
    steady = -boat.heel_full_deg * np.tanh(1.9 * side_force)
    roll = 2.2 * weather.sea_height_m / np.sqrt(boat.loa_m / 10.0)
    swing = ornstein_uhlenbeck(tws.size, dt_s, 2.5, rng) - 0.5 * ornstein_uhlenbeck(tws.size, dt_s, 9.0, rng)
    return lagged(steady, dt_s, 2.0) + options.noise * roll * swing


def make_calibration(boat: KnownBoat, options: Options, dates: list[date], rng: np.random.Generator) -> TrueCalibration:
    """The hidden calibration, by the name of its mode; draws are made in any case, so that modes share a season."""
    z = np.clip(rng.standard_normal(6), -1.8, 1.8)
    rise_by_set = rng.normal(0, 0.35, len(boat.sets))
    own = {s.name: s.upwash_deg for s in boat.sets.values()}
    if options.calibration == "none":
        out = TrueCalibration(upwash_by_set_deg=dict.fromkeys(own, 0.0))
    elif options.calibration == "by-set":
        out = TrueCalibration(upwash_by_set_deg={s: 0.5 * u for s, u in own.items()})
    elif options.calibration == "set-upwash":
        spread = {s: 2.0 * u + float(d) for (s, u), d in zip(own.items(), rise_by_set, strict=True)}
        out = TrueCalibration(upwash_by_set_deg=spread)
    elif options.calibration in ("hidden", "known"):
        upwash = float(2.2 + 1.1 * z[4])
        out = TrueCalibration(
            boat_speed_factor=float(1.0 + 0.03 * z[0]),
            heading_offset_deg=float(1.8 * z[1]),
            awa_offset_deg=float(1.3 * z[2]),
            aws_factor=float(1.0 + 0.025 * z[3]),
            upwash_deg=upwash,
            leeway_coefficient=float(8.0 * np.exp(0.2 * z[5])),
            upwash_by_set_deg={s: upwash + 0.6 * u for s, u in own.items()},
        )
    else:
        raise ValueError(f"no calibration mode {options.calibration!r}")
    if options.step is not None:
        at = dates[len(dates) // 2]
        out = replace(out, step_parameter=options.step[0], step_size=options.step[1], step_from=at)
    return out


def _recut(boat: KnownBoat, dates: list[date], rng: np.random.Generator) -> Recut:
    if boat.recut is None:
        raise ValueError(f"{boat.kind} has no sail to recut")
    return Recut(
        sail=boat.sets[boat.recut].forward[0],
        start=dates[len(dates) // 2],
        level=float(rng.choice([-1, 1]) * rng.uniform(0.006, 0.02)),
        by_wind_per_kn=float(rng.normal(0, 0.0012)),
        by_angle=float(rng.normal(0, 0.008)),
        centre_twa_deg=110.0,
    )


def _dates(days: int, rng: np.random.Generator) -> list[date]:
    gaps = rng.choice([1, 1, 2, 5, 6, 7], days)
    return [SEASON_START + timedelta(days=int(g)) for g in np.cumsum(gaps)]


def _fouling(dates: list[date], effects: float) -> Floats:
    """Log speed lost to the bottom, less its mean over the season: an ordinary day has the season's mean bottom."""
    age = np.array([(d - dates[0]).days for d in dates], float)
    cleaned = dates[(2 * len(dates)) // 3]
    age = np.where([d >= cleaned for d in dates], age - (cleaned - dates[0]).days, age)
    loss = effects * 0.0004 * age
    return loss - loss.mean()


def _kinds(options: Options, rng: np.random.Generator) -> list[str]:
    training = round(options.training_share * options.days)
    rest = options.days - training
    kinds = ["training"] * training + ["coastal"] * (rest - rest // 2) + ["windward-leeward"] * (rest // 2)
    return [str(k) for k in rng.permutation(kinds)]


def _means(boat: KnownBoat, days: int, rng: np.random.Generator) -> Floats:
    """The days' mean winds, spread over the climate so that no season is all of one wind, in random order."""
    low, high = boat.climate_kn
    share = (rng.permutation(days) + rng.uniform(0, 1, days)) / days
    return low + (high - low) * (0.75 * share + 0.25 * share**2)


def timeline_of(samples: pl.DataFrame, dt_s: float) -> pl.DataFrame:
    """Stretches of one set, `start, end, sail_set`; a stretch ends where the next begins or the day's log ends."""
    return (
        samples.with_columns(
            pl.struct("day", "sail_set").rle_id().alias("run"),
        )
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("time").first().alias("start"),
            (pl.col("time").last() + pl.duration(microseconds=int(dt_s * 1e6))).alias("end"),
            pl.col("sail_set").first(),
        )
        .drop("run")
    )


def _mislabel(truth: Truth, options: Options, rng: np.random.Generator) -> Truth:
    """Choose stretches of 10 minutes and more that the sail log will call by another set's name."""
    number = options.mislabelled
    if number is None:
        in_48_h = {"none": 0, "ordinary": 1, "sloppy": 4}[options.slips]
        number = round(in_48_h * options.days * options.hours / 48.0)
    line = truth.timeline.with_columns((pl.col("end") - pl.col("start")).dt.total_seconds().alias("s"))
    long = line.filter(pl.col("s").is_between(600, 1200)).with_row_index()
    if number == 0 or long.height == 0:
        return truth
    rows = []
    for i in sorted(rng.choice(long.height, size=min(number, long.height), replace=False)):
        start, end, name = long.row(int(i))[1:4]
        mean = truth.samples.filter(pl.col("time").is_between(start, end)).select(
            pl.col("tws_kn").mean(), pl.col("twa_deg").abs().mean()
        )
        believed = truth.designer.speeds_at(mean["tws_kn"][0], mean["twa_deg"][0])
        order = [s for s in np.array(truth.boat.set_names)[np.argsort(believed)[::-1]] if s != name]
        rows.append((start, end, name, str(order[int(rng.integers(0, 2))])))
    return replace(truth, mislabelled=pl.DataFrame(rows, schema=_MISLABELLED, orient="row"))


def _weeded(
    truth: Truth, logs: list[pl.DataFrame], options: Options, rng: np.random.Generator
) -> tuple[Truth, list[pl.DataFrame]]:
    """Weed on the log's wheel for 4 to 8 minutes: it shows 10 to 35 per cent too little, then is shaken off."""
    rows, out = [], list(logs)
    for _ in range(options.weed if options.noise > 0 else 0):
        day, share, factor = int(rng.integers(0, len(out))), float(rng.random()), float(rng.uniform(0.65, 0.9))
        times = out[day]["time"]
        start = times[int(share * 0.8 * len(times))]
        end = start + timedelta(minutes=float(rng.uniform(4, 8)))
        caught = pl.col("time").is_between(start, end)
        out[day] = out[day].with_columns(
            pl.when(caught).then(pl.col("bsp") * factor).otherwise(pl.col("bsp")).alias("bsp")
        )
        rows.append((start, end, "bsp", factor))
    return replace(truth, faults=pl.DataFrame(rows, schema=_FAULTS, orient="row")), out
