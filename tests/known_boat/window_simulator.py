"""Seasons of steady windows with known answers: invented boats whose speeds solve a balance of drive and resistance.

Nothing here is shaped like the fit: speeds come from force coefficients in the apparent wind (lift and drag curves in
the spirit of Hazen 1980, recalled, invented numbers), limited by stability, against a resistance with a hump at hull
speed and, for light boats, planing beyond it. Day effects by mode, drift, noise shared by neighbours, outliers, wrong
tags, wind errors and a crew that keeps near its designed chart are laid over.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from scipy.interpolate import RectBivariateSpline, RegularGridInterpolator

TWS = np.arange(2.0, 36.01, 0.5)
TWA = np.arange(25.0, 180.1, 2.5)


@dataclass(frozen=True)
class Rig:
    """A sail set by its force curves: `lift` and `drag` over AWA (deg), area, and how much heeling it stands."""

    name: str
    area: float
    awa: tuple[float, ...]
    lift: tuple[float, ...]
    drag: tuple[float, ...]
    heel_arm: float = 1.0
    aws_limit: float = 40.0  # beyond, it must be eased and loses drive


HEAD = ((0, 18, 27, 50, 80, 100, 180), (0, 1.0, 1.5, 1.25, 0.85, 0.55, 0.0), (0.05, 0.06, 0.08, 0.25, 0.6, 0.75, 0.75))
REACH = ((0, 25, 40, 60, 90, 110, 180), (0, 0.7, 1.5, 1.55, 1.0, 0.7, 0.05), (0.08, 0.1, 0.16, 0.3, 0.75, 0.9, 0.85))
KITE = ((0, 40, 60, 80, 105, 130, 180), (0, 0.4, 1.2, 1.6, 1.35, 0.9, 0.0), (0.15, 0.2, 0.3, 0.5, 0.9, 1.15, 1.2))


@dataclass(frozen=True)
class KnownBoat:
    name: str
    lwl_m: float
    mass_t: float
    stability: float  # heeling force (relative) it can carry
    planing: float  # 0 displacement .. 1 planes freely
    friction: float
    rigs: tuple[Rig, ...]


def boats() -> dict[str, KnownBoat]:
    """Three unlike boats: 8 m planing, 16 m displacement, 30 m multihull-like that outruns the wind."""
    return {
        "light8": KnownBoat(
            "light8",
            7.6,
            1.0,
            3.4,
            0.85,
            1.0,
            (
                Rig("J1", 34, *HEAD, heel_arm=1.0, aws_limit=21),
                Rig("J2", 29, *HEAD, heel_arm=0.88, aws_limit=32),
                Rig("C0", 52, *REACH, heel_arm=1.05, aws_limit=17),
                Rig("A2", 82, *KITE, heel_arm=1.0, aws_limit=17),
                Rig("A4", 66, *KITE, heel_arm=0.92, aws_limit=27),
            ),
        ),
        "cruiser16": KnownBoat(
            "cruiser16",
            14.4,
            11.0,
            16.0,
            0.1,
            1.0,
            (
                Rig("J1", 150, *HEAD, heel_arm=1.0, aws_limit=19),
                Rig("J2", 128, *HEAD, heel_arm=0.92, aws_limit=26),
                Rig("J3", 104, *HEAD, heel_arm=0.82, aws_limit=40),
                Rig("C0", 205, *REACH, heel_arm=1.0, aws_limit=16),
                Rig("JT+ST", 165, *REACH, heel_arm=0.86, aws_limit=28),
                Rig("A2", 300, *KITE, heel_arm=1.0, aws_limit=17),
                Rig("A4", 235, *KITE, heel_arm=0.9, aws_limit=28),
            ),
        ),
        "foil30": KnownBoat(
            "foil30",
            29.0,
            14.0,
            42.0,
            0.95,
            0.8,
            (
                Rig("J1", 330, *HEAD, heel_arm=1.0, aws_limit=25),
                Rig("J2", 290, *HEAD, heel_arm=0.9, aws_limit=34),
                Rig("J3", 240, *HEAD, heel_arm=0.8, aws_limit=60),
                Rig("R1", 430, *REACH, heel_arm=1.0, aws_limit=24),
                Rig("R2", 360, *REACH, heel_arm=0.88, aws_limit=36),
                Rig("G1", 560, *KITE, heel_arm=1.0, aws_limit=24),
                Rig("G2+ST", 500, *KITE, heel_arm=0.93, aws_limit=36),
            ),
        ),
    }


def _resistance(v_kn: np.ndarray, boat: KnownBoat) -> np.ndarray:
    v = v_kn * 0.5144
    fn = v / np.sqrt(9.81 * boat.lwl_m)
    wet = boat.friction * 2.2 * (boat.mass_t * boat.lwl_m) ** 0.5
    hump = np.where(fn < 0.36, (fn / 0.36) ** 5, 1.0 + 9.0 * (fn - 0.36) / 0.36)
    relief = 1.0 + boat.planing * 9.0 / (1.0 + np.exp(-(fn - 0.46) / 0.035)) * 0.55
    wave = 230.0 * boat.mass_t * (fn / 0.36) ** 1.5 * np.minimum(hump, 30) / relief * 0.3
    return 0.5 * 1025 * 0.0045 * wet * v**2 + wave


def speeds(boat: KnownBoat, rig: Rig) -> np.ndarray:
    """Speed in knots over TWS x TWA, by bisection of drive against resistance."""
    tws, twa = np.meshgrid(TWS, np.radians(TWA), indexing="ij")
    low, high = np.full(tws.shape, 0.05), np.full(tws.shape, 60.0)
    for _ in range(50):
        v = 0.5 * (low + high)
        along, across = tws * np.cos(twa) + v, tws * np.sin(twa)
        aws, awa = np.hypot(along, across), np.arctan2(across, along)
        deg = np.degrees(awa)
        cl = _smooth_interp(deg, rig.awa, rig.lift)
        cd = _smooth_interp(deg, rig.awa, rig.drag)
        q = 0.5 * 1.22 * (aws * 0.5144) ** 2 * rig.area
        side = q * (cl * np.cos(awa) + cd * np.sin(awa)) * rig.heel_arm
        limit = boat.stability * 1000.0
        flat = (1.0 + (np.maximum(side, 0) / limit) ** 4) ** (-0.25)
        over = 1.0 / (1.0 + np.exp((aws - rig.aws_limit) / (0.12 * rig.aws_limit)))
        eased = flat * (0.55 + 0.45 * over)
        drive = q * eased * (cl * np.sin(awa) - (cd + 0.05 * cl**2) * np.cos(awa)) - 0.012 * q * 8 * np.cos(awa)
        faster = drive > _resistance(v, boat)
        low, high = np.where(faster, v, low), np.where(faster, high, v)
    return np.maximum(0.5 * (low + high), 0.3)


def _smooth_interp(x: np.ndarray, at: tuple[float, ...], y: tuple[float, ...]) -> np.ndarray:
    from scipy.interpolate import PchipInterpolator

    return PchipInterpolator(at, y)(x)


@dataclass
class Truth:
    """True log speeds, callable at any wind and angle."""

    boat: KnownBoat
    sets: tuple[str, ...]
    splines: dict[str, RectBivariateSpline] = field(default_factory=dict)

    @classmethod
    def of(cls, boat: KnownBoat) -> Truth:
        out = cls(boat, tuple(r.name for r in boat.rigs))
        for rig in boat.rigs:
            out.splines[rig.name] = RectBivariateSpline(TWS, TWA, np.log(speeds(boat, rig)), kx=3, ky=3, s=0.0)
        return out

    def log_speed(self, sail_set: str, tws_kn: np.ndarray, twa_deg: np.ndarray) -> np.ndarray:
        return self.splines[sail_set].ev(tws_kn, np.clip(np.abs(twa_deg), TWA[0], TWA[-1]))

    def speed(self, sail_set: str, tws_kn: np.ndarray, twa_deg: np.ndarray) -> np.ndarray:
        return np.exp(self.log_speed(sail_set, tws_kn, twa_deg))


@dataclass(frozen=True)
class Conditions:
    """How hard the season is. Standard deviations of log speed unless a unit says otherwise."""

    days: int = 15
    hours: float = 3.0
    wind_kn: float = 12.0
    day_sd: float = 0.012
    day_mode_sd: float = 0.010
    drift_sd: float = 0.008
    tack_sd: float = 0.006
    wander_sd: float = 0.012
    wander_min: float = 2.5
    white_sd: float = 0.014
    outlier_share: float = 0.01
    wrong_tag_share: float = 0.01
    wind_error_kn: float = 0.25
    angle_error_deg: float = 1.2
    gust_sd: float = 0.07  # of the wind, within a window
    kept: float = 0.6
    design_error: float = 0.03
    training_share: float = 0.2


def designed_truth(truth: Truth, error: float, rng: np.random.Generator) -> dict[str, RegularGridInterpolator]:
    """The designer's log speeds: the truth with smooth errors of each set's own, so that borders lie off."""
    tws, twa = np.meshgrid(TWS, TWA, indexing="ij")
    out = {}
    for name in truth.sets:
        c = rng.normal(0, error, 4)
        bias = 0.5 * c[0] + c[1] * 0.5 * (tws - 13) / 8 + c[2] * 0.4 * (twa - 100) / 50 + 0.25 * c[3] * np.sin(twa / 25)
        out[name] = RegularGridInterpolator(
            (TWS, TWA), truth.splines[name](TWS, TWA) + bias, bounds_error=False, fill_value=None
        )
    return out


@dataclass
class Season:
    truth: Truth
    windows: pl.DataFrame
    designed_speeds: pl.DataFrame
    designed: dict[str, RegularGridInterpolator]
    states: pl.DataFrame  # wind and angle of every window kept, truly


def _legs(rng: np.random.Generator, minutes: float) -> list[tuple[float, str, float]]:
    out, t = [], 0.0
    while t < minutes:
        kind = rng.choice(["up", "reach", "run"], p=[0.38, 0.27, 0.35])
        length = rng.uniform(8, 30)
        angle = {"up": rng.normal(44, 2), "reach": rng.uniform(60, 130), "run": rng.normal(146, 6)}[kind]
        out.append((length, kind, angle))
        t += length
    return out


def _ou(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    e = rng.standard_normal(n)
    out = np.empty(n)
    out[0] = e[0]
    for i in range(1, n):
        out[i] = rho * out[i - 1] + np.sqrt(1 - rho**2) * e[i]
    return out


def season(boat_name: str, seed: int, conditions: Conditions | None = None) -> Season:
    """One season of windows; the same seed gives the same season."""
    c = conditions or Conditions()
    rng = np.random.default_rng(seed)
    truth = _truth(boat_name)
    designed = designed_truth(truth, c.design_error, rng)
    step_min = 0.75
    frames, states = [], []
    start = datetime(2027, 5, 1, 10)
    for day in range(c.days):
        n = int(c.hours * 60 / step_min)
        mean = np.clip(rng.gamma(7.0, c.wind_kn / 7.0), 5.0, 27.0)
        wind = mean * np.exp(0.10 * _ou(rng, n, np.exp(-step_min / 40)) + 0.05 * _ou(rng, n, np.exp(-step_min / 4)))
        twa, tack, names, wrong = np.empty(n), np.empty(n), [], np.zeros(n, bool)
        t = 0
        training = rng.random() < c.training_share
        for length, _kind, angle in _legs(rng, c.hours * 60):
            m = min(int(length / step_min), n - t)
            if m <= 0:
                break
            rows = slice(t, t + m)
            twa[rows] = angle + rng.normal(0, 1.5) + 2.5 * _ou(rng, m, 0.8)
            tack[rows] = np.repeat(rng.choice([-1.0, 1.0], int(np.ceil(m / 8))), 8)[:m]
            local = np.array([designed[s]([[wind[t : t + m].mean(), np.clip(angle, 25, 180)]])[0] for s in truth.sets])
            local = local + rng.normal(0, 0.01, len(local))
            order = np.argsort(-local)
            pick = [truth.sets[order[0]]] * m
            if training:
                pair = [truth.sets[order[0]], truth.sets[order[1]]]
                pick = [pair[(k // 13) % 2] for k in range(m)]
            names += pick
            if rng.random() < c.wrong_tag_share * 4:
                a = t + int(rng.integers(0, max(1, m - 8)))
                wrong[a : a + 8] = True
            t += m
        n = t
        wind, twa, tack, wrong = wind[:n], np.clip(twa[:n], 28, 178), tack[:n], wrong[:n]
        true_sets = np.array(names, dtype=object)
        y = np.empty(n)
        gust = c.gust_sd * wind * np.exp(0.3 * rng.standard_normal(n))
        for s in truth.sets:
            i = true_sets == s
            if i.any():
                spread = [truth.speed(s, wind[i] + k * gust[i], twa[i]) for k in (-1.0, 1.0)]
                y[i] = np.log(0.5 * (spread[0] + spread[1]))
        hats = np.stack(
            [
                np.interp(twa, [60, 85], [1, 0]),
                np.interp(twa, [60, 85, 115, 140], [0, 1, 1, 0]),
                np.interp(twa, [115, 140], [0, 1]),
            ]
        )
        y += rng.normal(0, c.day_sd) + rng.normal(0, c.day_mode_sd, 3) @ hats
        hours = np.arange(n) * step_min / 60
        y += (rng.normal(0, c.drift_sd, 3) @ hats) * (hours - hours.mean())
        y += tack * (rng.normal(0, c.tack_sd) + 0.004)
        y += c.wander_sd * _ou(rng, n, np.exp(-step_min / c.wander_min))
        y += c.white_sd * rng.standard_t(6, n) / np.sqrt(1.5)
        y += (rng.random(n) < c.outlier_share) * rng.normal(0, 0.10, n)
        said = true_sets.copy()
        for i in np.flatnonzero(wrong):
            said[i] = truth.sets[(truth.sets.index(true_sets[i]) + 1) % len(truth.sets)]
        keep = rng.random(n) < c.kept
        begin = [start + timedelta(days=int(day * 2), seconds=float(k) * 45) for k in range(n)]
        frames.append(
            pl.DataFrame(
                {
                    "start": begin, "end": [b + timedelta(seconds=45) for b in begin], "session": [day] * n,
                    "sail_set": said.tolist(),
                    "tws_kn": wind + rng.normal(0, c.wind_error_kn, n),
                    "twa_deg": tack * (twa + rng.normal(0, c.angle_error_deg, n)),
                    "twd_deg": np.full(n, 200.0), "bsp_kn": np.exp(y),
                    "aws_kn": np.full(n, np.nan), "awa_deg": np.full(n, np.nan), "heel_deg": np.full(n, np.nan),
                    "tws_sd_kn": gust, "twa_sd_deg": np.full(n, 3.0), "bsp_sd_kn": np.full(n, 0.1),
                    "effective_n": np.full(n, 10.0), "tws_trend_kn_min": np.gradient(wind) / step_min,
                }
            ).filter(pl.Series(keep))
        )  # fmt: skip
        states.append(pl.DataFrame({"tws_kn": wind, "twa_deg": twa}).filter(pl.Series(keep)))
    windows = pl.concat(frames).with_columns(pl.col("start", "end").cast(pl.Datetime("us")))
    return Season(truth, windows, _designed_table(designed), designed, pl.concat(states))


_TRUTHS: dict[str, Truth] = {}


def _truth(name: str) -> Truth:
    if name not in _TRUTHS:
        _TRUTHS[name] = Truth.of(boats()[name])
    return _TRUTHS[name]


def _designed_table(designed: dict[str, RegularGridInterpolator]) -> pl.DataFrame:
    tws, twa = (x.ravel() for x in np.meshgrid(np.arange(4.0, 33), np.arange(30.0, 181, 5), indexing="ij"))
    return pl.concat(
        [
            pl.DataFrame(
                {
                    "sail_set": [s] * len(tws),
                    "tws_kn": tws,
                    "twa_deg": twa,
                    "bsp_kn": np.exp(f(np.column_stack([tws, twa]))),
                }
            )
            for s, f in designed.items()
        ]
    )


def shifted(base: Conditions, **changes: float) -> Conditions:
    """`base` with some figures changed."""
    return replace(base, **changes)
