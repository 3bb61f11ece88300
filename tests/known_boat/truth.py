"""The known answers of a season: surfaces, borders, set time line, calibration, current, on any grid asked for."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from tests.known_boat.boat import Floats, KnownBoat
from tests.known_boat.designer import Designer

ANGLES_UP_DEG = np.arange(28.0, 85.01, 0.25)
ANGLES_DOWN_DEG = np.arange(100.0, 180.01, 0.25)
TWS_LINES_KN = np.arange(4.0, 30.01, 1.0)
TWA_LINES_DEG = np.arange(30.0, 180.01, 5.0)
BORDER_SCHEMA: dict[str, Any] = {
    "set_a": pl.String(),
    "set_b": pl.String(),
    "mode": pl.String(),
    "along": pl.String(),
    "at": pl.Float64(),
    "crossing": pl.Float64(),
}


@dataclass(frozen=True)
class Recut:
    """A sail recut in mid-season: how its sets' speeds changed (factor over wind and angle) and from when."""

    sail: str
    start: date
    level: float
    by_wind_per_kn: float
    by_angle: float
    centre_twa_deg: float

    def factor(self, tws_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
        tws, twa = np.asarray(tws_kn, float), np.abs(np.asarray(twa_deg, float))
        return (
            1.0
            + self.level
            + self.by_wind_per_kn * np.clip(tws - 14.0, -8.0, 8.0)
            + self.by_angle * np.tanh((twa - self.centre_twa_deg) / 15.0)
        )


@dataclass(frozen=True)
class TrueCalibration:
    """What should stand in `[calibration]`; upwash by set is the boat's and the set's own together."""

    boat_speed_factor: float = 1.0
    heading_offset_deg: float = 0.0
    awa_offset_deg: float = 0.0
    aws_factor: float = 1.0
    upwash_deg: float = 0.0
    leeway_coefficient: float = 8.0
    upwash_by_set_deg: Mapping[str, float] = field(default_factory=dict)
    # a sensor knocked in mid-season: the parameter, what is added to it, and from which day
    step_parameter: str | None = None
    step_size: float = 0.0
    step_from: date | None = None

    def value(self, parameter: str, stepped: bool = False) -> float:
        base = float(getattr(self, parameter))
        return base + (self.step_size if stepped and parameter == self.step_parameter else 0.0)


@dataclass(frozen=True)
class Truth:
    """All that is known of a season.

    `samples`: one row a time step of the internal clock with `time, day, sail_set, tws_kn, twa_deg` (course, signed),
    `twd_deg, bsp_kn, ctw_deg, hdg_deg, heel_deg, pitch_deg, leeway_deg, aws_kn, awa_deg` (horizontal, at the sensor),
    `current_east_kn, current_north_kn, effect` (by what the day was faster than an ordinary one). `timeline`:
    `start, end, sail_set`. `days`: one row a day. `manoeuvres`, `mislabelled`, `faults`
    (of sensors), `races`: what happened when.
    """

    boat: KnownBoat
    designer: Designer
    calibration: TrueCalibration
    recut: Recut | None
    samples: pl.DataFrame
    timeline: pl.DataFrame
    days: pl.DataFrame
    manoeuvres: pl.DataFrame
    mislabelled: pl.DataFrame
    faults: pl.DataFrame
    races: pl.DataFrame
    options: Mapping[str, Any]

    # --- surfaces ---

    def surface(self, sail_set: str, tws_kn: ArrayLike, twa_deg: ArrayLike, *, recut: bool = True) -> Floats:
        """Expected steady speed on an ordinary day; of a recut sail as it is now, with `recut=False` as it was."""
        speed = self.boat.speed_kn(sail_set, tws_kn, twa_deg)
        if recut and self.is_recut(sail_set) and self.recut is not None:
            speed = speed * self.recut.factor(tws_kn, twa_deg)
        return speed

    def is_recut(self, sail_set: str) -> bool:
        return self.recut is not None and self.recut.sail in self.boat.sets[sail_set].forward

    def surfaces(self, sets: Sequence[str], tws_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
        """Stacked along a new first axis."""
        return np.stack([self.surface(s, tws_kn, twa_deg) for s in sets])

    def minutes_by_set(self) -> dict[str, float]:
        """Minutes sailed with each set, the boat's order; sets never up are absent."""
        step_min = float(self.options["dt_s"]) / 60.0
        counts = dict(self.samples.group_by("sail_set").len().iter_rows())
        return {s: counts[s] * step_min for s in self.boat.set_names if s in counts}

    @property
    def flown(self) -> tuple[str, ...]:
        return tuple(self.minutes_by_set())

    # --- borders ---

    def vmg(self, sail_set: str, tws_kn: ArrayLike, mode: str) -> Floats:
        """Best velocity made good (positive) of a set at each wind, `close-hauled` or `running`."""
        angles = ANGLES_UP_DEG if mode == "close-hauled" else ANGLES_DOWN_DEG
        made_good = self.surface(sail_set, np.asarray(tws_kn, float)[..., None], angles) * np.abs(
            np.cos(np.radians(angles))
        )
        return made_good.max(axis=-1)

    def lines(self, sets: Sequence[str], mode: str, along: str, at: float | None) -> tuple[Floats, Floats]:
        """Positions along one line of the chart, and there the figure of merit of each set (sets, positions)."""
        if mode == "fixed-angle":
            if along == "tws_kn":
                x = np.arange(3.0, 32.001, 0.05)
                return x, self.surfaces(sets, x, np.full_like(x, float(at or 0.0)))
            x = np.arange(28.0, 180.001, 0.25)
            return x, self.surfaces(sets, np.full_like(x, float(at or 0.0)), x)
        x = np.arange(3.0, 32.001, 0.1)
        return x, np.stack([self.vmg(s, x, mode) for s in sets])

    def borders(self, sets: Sequence[str] | None = None) -> pl.DataFrame:
        """Every border between sets that are the fastest on either side of it (among `sets`, default those flown)."""
        names = tuple(sets or self.flown)
        jobs = [("fixed-angle", "twa_deg", float(w)) for w in TWS_LINES_KN]
        jobs += [("fixed-angle", "tws_kn", float(a)) for a in TWA_LINES_DEG]
        jobs += [("close-hauled", "tws_kn", None), ("running", "tws_kn", None)]
        rows = []
        for mode, along, at in jobs:
            x, merit = self.lines(names, mode, along, at)
            for a, b, crossing in leaders(x, merit):
                rows.append((names[a], names[b], mode, along, at, crossing))
        return pl.DataFrame(rows, schema=BORDER_SCHEMA, orient="row")

    def crossings(self, set_a: str, set_b: str, mode: str, along: str, at: float | None) -> tuple[Floats, float]:
        """Where set_b overtakes set_a as `along` grows, leading or not, and log(b / a) at the low end of the line."""
        x, merit = self.lines((set_a, set_b), mode, along, at)
        d = np.log(merit[1] / merit[0])
        up = np.flatnonzero((d[:-1] < 0) & (d[1:] >= 0))
        return x[up] + (x[up + 1] - x[up]) * d[up] / (d[up] - d[up + 1]), float(d[0])

    # --- conditions ---

    def conditions(self, tws_step_kn: float = 1.0, twa_step_deg: float = 5.0) -> pl.DataFrame:
        """Minutes sailed by wind and angle, rounded to the step: `tws_kn, twa_deg, sail_set, minutes`."""
        step_min = float(self.options["dt_s"]) / 60.0
        return (
            self.samples.select(
                (pl.col("tws_kn") / tws_step_kn).round() * tws_step_kn,
                (pl.col("twa_deg").abs() / twa_step_deg).round() * twa_step_deg,
                "sail_set",
            )
            .group_by("tws_kn", "twa_deg", "sail_set")
            .agg((pl.len() * step_min).alias("minutes"))
            .sort("tws_kn", "twa_deg", "sail_set")
        )

    # --- beside the campaign ---

    def save(self, folder: Path) -> None:
        """Write the answers to `folder`, never inside the campaign: frames as Parquet, the rest as truth.json."""
        folder.mkdir(parents=True, exist_ok=True)
        for name in ("samples", "timeline", "days", "manoeuvres", "mislabelled", "faults", "races"):
            getattr(self, name).write_parquet(folder / f"{name}.parquet")
        self.borders().write_parquet(folder / "borders.parquet")
        grid_tws, grid_twa = np.meshgrid(np.arange(4, 31, 1.0), np.arange(30, 181, 5.0), indexing="ij")
        pl.concat(
            pl.DataFrame(
                {
                    "sail_set": [s] * grid_tws.size,
                    "tws_kn": grid_tws.ravel(),
                    "twa_deg": grid_twa.ravel(),
                    "bsp_kn": self.surface(s, grid_tws, grid_twa).ravel(),
                }
            )
            for s in self.boat.set_names
        ).write_parquet(folder / "surfaces.parquet")
        text = {
            "boat": self.boat.kind,
            "options": dict(self.options),
            "calibration": {k: getattr(self.calibration, k) for k in TrueCalibration.__dataclass_fields__},
            "recut": None if self.recut is None else {k: getattr(self.recut, k) for k in Recut.__dataclass_fields__},
            "minutes_by_set": self.minutes_by_set(),
        }
        (folder / "truth.json").write_text(json.dumps(text, indent=1, default=_plain), encoding="utf-8")


def leaders(x: Floats, merit: Floats) -> list[tuple[int, int, float]]:
    """Where the leader changes along a line: (from, to, position), the position to second order between the points."""
    lead = merit.argmax(axis=0)
    out = []
    for i in np.flatnonzero(lead[:-1] != lead[1:]):
        a, b = int(lead[i]), int(lead[i + 1])
        d0, d1 = np.log(merit[b, i] / merit[a, i]), np.log(merit[b, i + 1] / merit[a, i + 1])
        out.append((a, b, float(x[i] + (x[i + 1] - x[i]) * d0 / (d0 - d1))))
    return out


def _plain(value: object) -> object:
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, np.generic):
        return value.item()
    return str(value)
