"""A campaign folder: boat.toml, sail_log.csv, designed charts, races, settings, instrument logs."""

from __future__ import annotations

import csv
import gzip
import itertools
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from contourpy import FillType, contour_generator

from tests.known_boat.boat import KnownBoat
from tests.known_boat.crew_log import write_up
from tests.known_boat.designer import CHART_TWA_DEG, CHART_TWS_KN, Designer
from tests.known_boat.nmea_text import nmea_text
from tests.known_boat.truth import TrueCalibration, Truth

if TYPE_CHECKING:
    from tests.known_boat.season import Options

# The smallest island of a chart that a designer would draw, knots x degrees.
SMALLEST_ISLAND = 4.0


def write_campaign(
    folder: Path, truth: Truth, measured: list[pl.DataFrame], options: Options, rng: np.random.Generator
) -> None:
    """Write all of it; `folder` is made, and must not hold anything yet."""
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise FileExistsError(f"{folder} is not empty")
    boat = truth.boat
    (folder / "boat.toml").write_text(boat_toml(truth, options), encoding="utf-8")
    write_sail_log(folder / "sail_log.csv", truth, options.slips, rng)
    if options.designed in ("chart", "both"):
        write_designed(folder / "designed.csv", truth.designer)
    if options.designed in ("speeds", "both"):
        write_designed_speeds(folder / "designed_speeds.csv", truth.designer)
    write_settings_log(folder / "settings_log.csv", truth)
    write_races(folder / "races.csv", truth)
    (folder / "logs").mkdir()
    for k, (day, frame) in enumerate(zip(truth.days["date"].to_list(), measured, strict=True)):
        write_day(folder / "logs", boat, day, k, frame, options, rng)


# --- what the crew and the designer wrote ---


def write_sail_log(path: Path, truth: Truth, slips: str, rng: np.random.Generator) -> None:
    with path.open("w", newline="", encoding="utf-8") as f:
        out = csv.writer(f)
        out.writerow(["time", "action", "sail", "note"])
        for e in write_up(truth, slips, rng):
            out.writerow([e.time.isoformat(timespec="auto") + "Z", e.action, e.sail, e.note])


def write_designed(path: Path, designer: Designer) -> None:
    """The rings in which each set leads by the designer's speeds."""
    with path.open("w", newline="", encoding="utf-8") as f:
        out = csv.writer(f)
        out.writerow(["sail_set", "part", "tws_kn", "twa_deg"])
        for name, rings in designed_rings(designer).items():
            for part, ring in enumerate(rings, start=1):
                out.writerows([name, part, f"{x:.1f}", f"{y:.0f}"] for x, y in ring)


def designed_rings(designer: Designer) -> dict[str, list[np.ndarray]]:
    """By set, closed rings (TWS, TWA) without their repeated last vertex, thinned as a person would draw them."""
    logs = np.log(designer.speeds)
    out: dict[str, list[np.ndarray]] = {}
    for i, name in enumerate(designer.boat.set_names):
        lead = logs[i] - np.delete(logs, i, axis=0).max(axis=0)
        filled = contour_generator(CHART_TWS_KN, CHART_TWA_DEG, lead.T, fill_type=FillType.OuterOffset).filled(0.0, 9.9)
        rings: list[np.ndarray] = []
        for points, offsets in zip(*filled, strict=True):
            loops = [points[a:b] for a, b in itertools.pairwise(offsets)]
            rings += [thin(loop) for loop in loops if abs(_area(loop)) >= SMALLEST_ISLAND]
        rings = [r for r in rings if len(r) >= 3]
        if rings:
            out[name] = rings
    return out


def _area(ring: np.ndarray) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def thin(ring: np.ndarray, tolerance: float = 0.35) -> np.ndarray:
    """Vertices that matter by more than the tolerance (1 kn weighs as 4 deg); Douglas and Peucker's rule."""
    scaled = ring / np.array([0.25, 1.0])
    keep = np.zeros(len(ring), dtype=bool)
    keep[0] = keep[len(ring) // 2] = keep[-1] = True
    stack = [(0, len(ring) // 2), (len(ring) // 2, len(ring) - 1)]
    while stack:
        a, b = stack.pop()
        if b - a < 2:
            continue
        chord = scaled[b] - scaled[a]
        off = scaled[a + 1 : b] - scaled[a]
        length = float(np.hypot(*chord))
        far = (
            np.hypot(off[:, 0], off[:, 1])
            if length == 0
            else np.abs(off[:, 0] * chord[1] - off[:, 1] * chord[0]) / length
        )
        k = int(far.argmax())
        if far[k] > tolerance:
            keep[a + 1 + k] = True
            stack += [(a, a + 1 + k), (a + 1 + k, b)]
    keep[-1] = False
    return ring[keep]


def write_designed_speeds(path: Path, designer: Designer) -> None:
    tws, twa = np.arange(6.0, 29.0, 2.0), np.arange(30.0, 181.0, 10.0)
    mesh = np.meshgrid(tws, twa, indexing="ij")
    speeds = designer.speeds_at(*mesh)
    with path.open("w", newline="", encoding="utf-8") as f:
        out = csv.writer(f)
        out.writerow(["sail_set", "tws_kn", "twa_deg", "bsp_kn"])
        for i, name in enumerate(designer.boat.set_names):
            rows = zip(mesh[0].ravel(), mesh[1].ravel(), speeds[..., i].ravel(), strict=True)
            out.writerows([name, f"{a:g}", f"{b:g}", f"{v:.2f}"] for a, b, v in rows)


def write_settings_log(path: Path, truth: Truth) -> None:
    days = truth.days
    with path.open("w", newline="", encoding="utf-8") as f:
        out = csv.writer(f)
        out.writerow(["time", "item", "value", "unit", "note"])
        fouling = days["fouling"].to_list()
        for k, (start, height) in enumerate(days.select("start", "sea_height_m").rows()):
            word = "flat" if height < 0.35 else "moderate" if height < 0.95 else "rough"
            if k > 0 and fouling[k] < fouling[k - 1]:
                cleaned = start.replace(hour=7, minute=0, second=0)
                out.writerow([cleaned.isoformat() + "Z", "hull", "cleaned", "", ""])
            out.writerow([start.isoformat() + "Z", "sea", word, "", ""])


def write_races(path: Path, truth: Truth) -> None:
    with path.open("w", newline="", encoding="utf-8") as f:
        out = csv.writer(f)
        out.writerow(["name", "start", "finish"])
        for k, (start, finish) in enumerate(truth.races.rows(), start=1):
            out.writerow([f"Invented race {k}", start.isoformat() + "Z", finish.isoformat() + "Z"])


# --- boat.toml ---


def boat_toml(truth: Truth, options: Options) -> str:
    from tests.known_boat.season import VARIATION_DEG

    boat = truth.boat
    lines = [
        "# An invented boat with known answers.",
        "[boat]",
        f'name = "{boat.name}"',
        f"loa_m = {boat.loa_m}",
        f"lwl_m = {boat.lwl_m}",
        "",
        "[instruments]",
        f"wind_sensor_height_m = {boat.sensor_height_m}",
        f"variation_deg = {VARIATION_DEG}",
        'time_zone = "UTC"',
        "",
    ]
    if options.calibration == "known":
        lines += _calibration_toml(truth.calibration)
    lines += ["[design]", "height_m = 10.0", 'twa_from = "course"', ""]
    for sail in boat.sails:
        lines += [
            f"[sails.{sail.code}]",
            f'kind = "{sail.kind}"',
            f'station = "{sail.station}"',
            f"area_m2 = {sail.area_m2}",
            f"weight_kg = {sail.weight_kg}",
        ]
        if sail.max_aws_kn is not None:
            lines.append(f"max_aws_kn = {sail.max_aws_kn}")
        if sail.aliases:
            lines.append("aliases = [" + ", ".join(f'"{a}"' for a in sail.aliases) + "]")
        if truth.recut is not None and truth.recut.sail == sail.code:
            lines += [f"[[sails.{sail.code}.versions]]", f"from = {truth.recut.start}", 'note = "recut"']
        lines.append("")
    for s in boat.sets.values():
        if s.declared:
            codes = ", ".join(f'"{c}"' for c in ("MN", *s.forward))
            lines += ["[[sail_sets]]", f'name = "{s.name}"', f"sails = [{codes}]", ""]
    lines += ["[channels]", 'transducers = { HEEL = "heel", PTCH = "pitch" }', ""]
    return "\n".join(lines + _csv_toml(boat)) + "\n"


def _calibration_toml(cal: TrueCalibration) -> list[str]:
    keys = (
        "boat_speed_factor",
        "heading_offset_deg",
        "awa_offset_deg",
        "aws_factor",
        "upwash_deg",
        "leeway_coefficient",
    )
    lines = ["[calibration]", *(f"{k} = {cal.value(k)!r}" for k in keys)]
    if cal.step_parameter is not None:
        lines += ["[[calibration.periods]]", f"from = {cal.step_from}"]
        lines.append(f"{cal.step_parameter} = {cal.value(cal.step_parameter, True)!r}")
    for name, upwash in cal.upwash_by_set_deg.items():
        lines += [f'[calibration.sets."{name}"]', f"upwash_deg = {upwash!r}"]
    return [*lines, ""]


# channel -> heading in the CSV log, factor from house units, unit written in boat.toml
CSV_COLUMNS: dict[str, tuple[str, float, str | None]] = {
    "lat": ("Latitude", 1.0, None),
    "lon": ("Longitude", 1.0, None),
    "sog": ("ground speed", 1.0, None),
    "cog": ("ground course", 1.0, None),
    "bsp": ("log m/s", 1852.0 / 3600.0, "m/s"),
    "hdg_mag": ("compass", 1.0, None),
    "awa": ("wind angle", 1.0, None),
    "aws": ("wind m/s", 1852.0 / 3600.0, "m/s"),
    "heel": ("heel", 1.0, None),
    "pitch": ("trim", 1.0, None),
}


def _csv_toml(boat: KnownBoat) -> list[str]:
    comma = boat.clock in ("tag", "rfc3339")
    lines = [
        "[csv]",
        f'delimiter = "{";" if comma else ","}"',
        f'decimal = "{"," if comma else "."}"',
        f'time_format = "{"auto" if comma else "epoch_s"}"',
        "[csv.columns]",
        'time = "when"',
    ]
    for channel, (heading, _, unit) in CSV_COLUMNS.items():
        lines.append(f'{channel} = {{ column = "{heading}", unit = "{unit}" }}' if unit else f'{channel} = "{heading}"')
    return lines


# --- instrument logs ---


def write_day(
    folder: Path, boat: KnownBoat, day: date, k: int, frame: pl.DataFrame, options: Options, rng: np.random.Generator
) -> None:
    """One day's log: NMEA 0183 as a rule, gzip now and then, CSV for a share of the days."""
    step = max(round(1.0 / options.rate_hz / min(1.0, 1.0 / options.rate_hz)), 1)
    frame = frame.gather_every(step)
    if rng.random() < options.csv_share:
        write_csv_day(folder / f"{day}_{k + 1:02d}.csv", boat, frame, exact=options.noise == 0)
        return
    text = nmea_text(frame, boat.clock, options.rate_hz, exact=options.noise == 0, damage=options.damage, rng=rng)
    if rng.random() < 0.2:
        with (
            (folder / f"{day}_{k + 1:02d}.nmea.gz").open("wb") as f,
            gzip.GzipFile(fileobj=f, mode="wb", compresslevel=1, mtime=0) as z,
        ):
            z.write(text)
    else:
        (folder / f"{day}_{k + 1:02d}.nmea").write_bytes(text)


def write_csv_day(path: Path, boat: KnownBoat, frame: pl.DataFrame, *, exact: bool) -> None:
    comma = boat.clock in ("tag", "rfc3339")
    time = pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ") if comma else pl.col("time").dt.epoch("us") / 1e6
    digits = {"lat": 7, "lon": 7}
    columns: list[Any] = [time.alias("when")]
    for channel, (heading, factor, _) in CSV_COLUMNS.items():
        value = pl.col(channel) * factor
        columns.append((value if exact else value.round(digits.get(channel, 2))).alias(heading))
    frame.select(columns).write_csv(path, separator=";" if comma else ",", decimal_comma=comma)
