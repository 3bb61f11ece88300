"""True wind of every sample of a season, from the raw apparent wind, speed, heading, heel and leeway."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats, wrap_360
from pipeline.campaign.settings import Boat
from pipeline.sailing.corrections_in_force import corrections_in_force
from pipeline.sailing.heading import true_heading
from pipeline.sailing.sensor_sign import LEAST_HEEL_DEG, LEAST_LEEWAY_DEG, Votes, is_contrary, sign_votes
from pipeline.sailing.stretches import Flags, Ints, lasting, stretch_numbers
from pipeline.tables import TABLES
from pipeline.wind.apparent import to_horizontal, with_offset, without_masthead_motion, without_upwash
from pipeline.wind.height import height_factor
from pipeline.wind.leeway import true_wind_with_leeway
from pipeline.wind.triangle import true_from_apparent

STAGE = "wind"
WATER, GROUND = "water", "ground"
GROUND_SPEED_USED = "boat speed missing, speed over ground used"

# Speed over ground stands in only where the log has been silent for this long: a shorter gap stays a gap, so that the
# two do not take turns within one window.
SILENT_LOG_S = 60.0

# Rates of a masthead or attitude sensor, deg/s; further transducers by these names.
ROLL_RATE, PITCH_RATE = "roll_rate", "pitch_rate"

CHANNELS_READ = (
    *("awa", "aws", "bsp", "sog", "cog", "cog_mag", "hdg_true", "hdg_mag", "variation", "lat", "lon"),
    *("heel", "pitch", "leeway", ROLL_RATE, PITCH_RATE),
)
# Sensors that count to either side, and the angle from which they say to which.
SIGNED = {"heel": LEAST_HEEL_DEG, "leeway": LEAST_LEEWAY_DEG}
_CHUNK = 1 << 18
_US = 1e6


@dataclass(frozen=True, slots=True)
class WindOfSamples:
    """`samples`: the input columns and those of `TrueWind`, null where unknown; `flags`: stage, reason, kept, count."""

    samples: pl.DataFrame
    flags: pl.DataFrame


@dataclass(frozen=True, slots=True)
class TrueWind:
    """Corrected channels and true wind as arrays of one length, NaN where unknown.

    `columns`: `bsp_kn`, `hdg_deg` (true), `awa_deg`, `aws_kn` (corrected, horizontal, at the sensor's height),
    `leeway_deg` (positive to starboard), `twa_deg` (from the course through the water), `tws_kn` (reference height),
    `twd_deg`, `ctw_deg`, `heel_deg` (house sign). `ground`: speed over ground stands in for boat speed.
    `notes`: reason, kept, samples.
    """

    columns: dict[str, Floats]
    ground: Flags
    notes: list[tuple[str, bool, int]]

    def series(self) -> list[pl.Series]:
        """The columns for a table, null where unknown, and `speed_source` ("water", "ground" or null)."""
        bsp = self.columns["bsp_kn"]
        source = pl.Series(np.where(np.isnan(bsp), 0, np.where(self.ground, 2, 1)), dtype=pl.UInt32)
        return [
            *(pl.Series(name, values, nan_to_null=True) for name, values in self.columns.items()),
            pl.Series("speed_source", [None, WATER, GROUND], dtype=pl.String).gather(source),
        ]


def joined_winds(parts: Sequence[TrueWind]) -> TrueWind:
    """The wind of parts of a season, one after the other."""
    columns = {name: np.concatenate([part.columns[name] for part in parts]) for name in parts[0].columns}
    notes = [note for part in parts for note in part.notes]
    return TrueWind(columns, np.concatenate([part.ground for part in parts]), notes)


def channels_of(samples: pl.DataFrame, names: Iterable[str] = CHANNELS_READ) -> dict[str, Floats]:
    """Channels of samples as arrays; missing becomes NaN, also where no log has the channel."""
    return {name: _array(samples, name) for name in names}


def votes_on_signs(channels: Mapping[str, Floats]) -> dict[str, Votes]:
    """What samples say of the signs of the sensors that may be mounted contrary: channel -> votes."""
    return {channel: sign_votes(channels[channel], channels["awa"], least) for channel, least in SIGNED.items()}


def contrary_signs(votes: Iterable[Mapping[str, Votes]]) -> tuple[str, ...]:
    """Channels whose sign is contrary, by the votes of all parts of a season."""
    parts = list(votes)
    return tuple(channel for channel in SIGNED if is_contrary(part[channel] for part in parts))


def add_true_wind(samples: pl.DataFrame, boat: Boat, sail_set: pl.Series) -> WindOfSamples:
    """`true_wind` of samples that are all there is to tell by which way round a sensor counts.

    `samples` has `time` (naive UTC, ascending) and the catalogue's channels in house units, null where missing;
    `sail_set` is the set at each sample, for corrections that differ by set.
    """
    channels = channels_of(samples)
    time_us = samples["time"].cast(pl.Datetime("us")).to_physical().to_numpy()
    use = corrections_in_force(boat.calibration, samples["time"], sail_set)
    wind = true_wind(channels, time_us, use, boat, contrary_signs([votes_on_signs(channels)]))
    return WindOfSamples(samples.with_columns(wind.series()), _flags(wind.notes))


def true_wind(
    channels: Mapping[str, Floats], time_us: Ints, use: Mapping[str, Floats], boat: Boat, contrary: tuple[str, ...]
) -> TrueWind:
    """Corrected channels and true wind for every sample, as the method defines them.

    `channels` as of `channels_of`, at ascending `time_us` (microseconds since 1970, UTC); `use` as of
    `corrections_in_force`; `contrary` the channels of contrary sign. Missing stays missing: without heading TWA
    and TWS still come out and TWD is unknown; without heel nothing is de-heeled and there is no leeway; both are
    counted. Raises `UnusableInput` where the variation is asked of a model that does not hold for the date.
    """
    raw, n = dict(channels), len(time_us)
    time_s = time_us / _US
    stretch = stretch_numbers(time_s)
    notes: list[tuple[str, bool, int]] = []

    bsp, ground = _speed(raw, time_s, use, notes)
    by_model = boat.instruments.variation_deg == "auto"
    year = _decimal_year(time_us) if by_model else np.full(n, np.nan)
    heading = true_heading(raw, year, stretch, boat.instruments)
    notes += [(reason, True, count) for reason, count in heading.notes.items()]
    hdg = wrap_360(heading.hdg_deg + use["heading_offset_deg"])
    _settle_signs(raw, contrary, notes)

    out = {name: np.full(n, np.nan) for name in ("awa_deg", "aws_kn", "leeway_deg", "twa_deg", "tws_kn")}
    for a in range(0, n, _CHUNK):
        part = slice(a, a + _CHUNK)
        chunk = _wind({k: v[part] for k, v in raw.items()}, bsp[part], {k: v[part] for k, v in use.items()}, boat)
        for name, values in chunk.items():
            out[name][part] = values
    ctw = wrap_360(hdg + out["leeway_deg"])
    twd = wrap_360(ctw + out["twa_deg"])
    _note_missing(raw, bsp, hdg, out, notes)
    columns = {"bsp_kn": bsp, "hdg_deg": hdg, **out, "twd_deg": twd, "ctw_deg": ctw, "heel_deg": raw["heel"]}
    return TrueWind(columns, ground, notes)


def _wind(raw: dict[str, Floats], bsp: Floats, use: dict[str, Floats], boat: Boat) -> dict[str, Floats]:
    awa = with_offset(raw["awa"], use["awa_offset_deg"])
    aws = raw["aws"] * use["aws_factor"]
    awa = np.where(aws == 0.0, np.nan, awa)  # a vane without wind points anywhere
    height_m = boat.instruments.wind_sensor_height_m
    rates = raw[ROLL_RATE], raw[PITCH_RATE]
    if any(np.isfinite(r).any() for r in rates):
        awa, aws = without_masthead_motion(awa, aws, *rates, height_m)
    awa = without_upwash(awa, use["upwash_deg"])
    awa, aws = to_horizontal(awa, aws, raw["heel"], raw["pitch"])
    leeway, twa, tws = true_wind_with_leeway(awa, aws, bsp, raw["heel"], use["leeway_coefficient"])
    measured = np.isfinite(raw["leeway"])
    if measured.any():
        leeway = np.where(measured, raw["leeway"], leeway)
        twa_measured, tws_measured = true_from_apparent(awa, aws, bsp, leeway)
        twa, tws = np.where(measured, twa_measured, twa), np.where(measured, tws_measured, tws)
    no_angle = np.isnan(awa)
    factor = height_factor(height_m, boat.instruments.reference_height_m)
    return {
        "awa_deg": awa,
        "aws_kn": aws,
        "leeway_deg": leeway,
        "twa_deg": np.where(no_angle, np.nan, twa),
        "tws_kn": np.where(no_angle, np.nan, tws * factor),
    }


def _speed(
    raw: dict[str, Floats], time_s: Floats, use: Mapping[str, Floats], notes: list[tuple[str, bool, int]]
) -> tuple[Floats, np.ndarray]:
    bsp = raw["bsp"] * use["boat_speed_factor"]
    lacking = np.isnan(raw["bsp"])
    ground = lacking & np.isfinite(raw["sog"])
    if not lacking.all():
        ground &= lasting(lacking, time_s, SILENT_LOG_S)
    if ground.any():
        bsp = np.where(ground, raw["sog"], bsp)
        notes.append((GROUND_SPEED_USED, True, int(ground.sum())))
    return bsp, ground


def _settle_signs(raw: dict[str, Floats], contrary: tuple[str, ...], notes: list[tuple[str, bool, int]]) -> None:
    for channel in contrary:
        raw[channel] = -raw[channel]
        count = int(np.isfinite(raw[channel]).sum())
        notes.append((f"sign of {channel} is contrary (should be positive to starboard): turned", True, count))


def _note_missing(
    raw: dict[str, Floats], bsp: Floats, hdg: Floats, out: dict[str, Floats], notes: list[tuple[str, bool, int]]
) -> None:
    has_wind = np.isfinite(raw["awa"]) & np.isfinite(raw["aws"])
    done = np.isfinite(out["tws_kn"])
    no_heel = done & np.isnan(raw["heel"])
    modelled = no_heel & np.isnan(raw["leeway"])
    no_wind, no_speed = ~has_wind, has_wind & np.isnan(bsp)
    for reason, kept, which in (
        ("true wind computed", True, done),
        ("true wind without heel: not de-heeled", True, no_heel),
        ("true wind without heel: no leeway", True, modelled),
        ("true wind without heading: no direction", True, done & np.isnan(hdg)),
        ("leeway measured", True, np.isfinite(raw["leeway"])),
        ("no apparent wind", False, no_wind),
        ("no boat speed", False, no_speed),
        ("apparent wind without direction", False, has_wind & ~no_speed & ~done),
    ):
        if which.any():
            notes.append((reason, kept, int(which.sum())))


def wind_flags(parts: Iterable[Iterable[tuple[str, bool, int]]]) -> pl.DataFrame:
    """Flags of a season from the (reason, kept, count) of its parts."""
    total: Counter[tuple[str, bool]] = Counter()
    for part in parts:
        for reason, kept, count in part:
            total[reason, kept] += count
    rows = [(reason, kept, count) for (reason, kept), count in total.items()]
    return _flags(sorted(rows, key=lambda row: (not row[1], row[0])))


def _flags(notes: list[tuple[str, bool, int]]) -> pl.DataFrame:
    rows = [{"stage": STAGE, "reason": r, "kept": k, "count": c} for r, k, c in notes]
    return pl.DataFrame(rows, schema=TABLES["flags"].columns)


def _array(samples: pl.DataFrame, channel: str) -> Floats:
    if channel not in samples.columns:
        return np.full(samples.height, np.nan)
    return samples[channel].cast(pl.Float64).to_numpy().astype(float)  # missing becomes NaN


def _decimal_year(time_us: Ints) -> Floats:
    time = pl.Series(time_us).cast(pl.Datetime("us"))
    return (time.dt.year() + (time.dt.ordinal_day() - 1) / 365.25).cast(pl.Float64).to_numpy()
