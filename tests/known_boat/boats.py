"""Four invented boats, 8 to 30 m, each with speed formulas of its own, unlike the demo boat's and unlike each other.

None is a balance of forces: the sportboat adds a planing regime to a saturating one; the cruiser-racer's sets lose
speed with the distance from their own best wind; the maxi's speed is a fixed point in the apparent wind; the staysail
boat adds up what each sail contributes. A seed moves the numbers, so that every season has borders of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np
from scipy.interpolate import RectBivariateSpline

from tests.known_boat.balance_boats import HULLS, balance_boat
from tests.known_boat.boat import Floats, KnownBoat, KnownSail, KnownSet, Vary, rise, softplus

BOATS = ("sportboat", "cruiser-racer", "maxi", "staysail")
# With those that solve a balance of forces: made only where asked for.
ALL_BOATS = (*BOATS, *HULLS)


@lru_cache(maxsize=16)
def make_boat(kind: str, seed: int | None = None) -> KnownBoat:
    """The boat of that kind; with a seed, one of its sisters: the same formulas with other numbers."""
    try:
        build = _BUILDERS[kind]
    except KeyError:
        raise ValueError(f"no known boat {kind!r}; there are {', '.join(ALL_BOATS)}") from None
    rng = None if seed is None else np.random.default_rng([seed, ALL_BOATS.index(kind), 77])

    def vary(value: float, sd: float) -> float:
        return value if rng is None else value + sd * float(np.clip(rng.standard_normal(), -2, 2))

    return build(vary)


def _sets(*sets: KnownSet) -> dict[str, KnownSet]:
    return {s.name: s for s in sets}


# --- 8 m planing sportboat: drive with a limit, a displacement regime and a planing one ---


def _sportboat(vary: Vary) -> KnownBoat:
    # per set: pull, lowest angle, its softness, loss when deep, limit upwind, limit off the wind, angle between the two
    table = {
        "J1": (vary(1.02, 0.012), 29.0, 4.2, 0.46, vary(8.6, 0.15), 14.0, 95.0),
        "J2": (vary(0.90, 0.010), 28.5, 3.6, 0.47, vary(9.3, 0.15), 16.5, 92.0),
        "J2+R1": (vary(0.79, 0.010), 28.5, 3.4, 0.46, vary(9.9, 0.15), 17.0, 92.0),
        "C0": (vary(1.22, 0.015), vary(51.0, 1.0), 7.0, 0.52, 10.2, vary(16.5, 0.4), 100.0),
        "A3": (vary(1.24, 0.012), vary(74.0, 1.5), 9.5, 0.44, 8.4, vary(24.0, 0.6), vary(98.0, 1.5)),
        "A2": (vary(1.38, 0.012), vary(94.0, 1.5), 10.5, 0.40, 7.4, vary(25.5, 0.7), vary(119.0, 1.5)),
    }
    hull_kn, half, plane_at, plane_soft, plane_gain = 6.7, 5.1, 9.2, 2.1, 0.74

    def speed(name: str, tws: Floats, twa: Floats) -> Floats:
        pull, low, soft, deep, up, off, turn = table[name]
        shape = pull * rise((twa - low) / soft) * (1.0 - deep * rise((twa - 153.0) / 10.0))
        shape = shape * (0.80 + 0.20 * rise((twa - 62.0) / 11.0))
        drive = tws * shape
        limit = up + (off - up) * rise((twa - turn) / 10.0)
        drive = limit * np.tanh(drive / limit) - 0.10 * softplus((drive - 1.25 * limit) / 1.5)
        drive = np.maximum(drive, 0.02)
        planing = (
            plane_gain * plane_soft * (softplus((drive - plane_at) / plane_soft) - softplus(-plane_at / plane_soft))
        )
        return hull_kn * -np.expm1(-drive / half) + planing

    return KnownBoat(
        kind="sportboat",
        name="Skitterling (invented)",
        loa_m=8.0,
        lwl_m=7.2,
        sensor_height_m=11.2,
        sails=(
            KnownSail("MN", "mainsail", "mast", 26.0, 16.0),
            KnownSail("J1", "headsail", "forestay", 17.0, 9.0, ("light jib", "Jib 1")),
            KnownSail("J2", "headsail", "forestay", 13.5, 8.5, ("heavy jib", "Jib 2")),
            KnownSail("C0", "headsail", "bowsprit", 32.0, 11.0, ("code zero", "Zero")),
            KnownSail("A3", "spinnaker", "bowsprit", 62.0, 10.0, ("reaching kite", "Ay three")),
            KnownSail("A2", "spinnaker", "bowsprit", 83.0, 12.0, ("big kite", "runner"), 20.0),
        ),
        sets=_sets(
            KnownSet("J1", ("J1",), heeling=1.0, upwash_deg=0.2),
            KnownSet("J2", ("J2",), heeling=0.85),
            KnownSet("J2+R1", ("J2",), reefs=1, heeling=0.72, upwash_deg=-0.4),
            KnownSet("C0", ("C0",), heeling=1.05, upwash_deg=0.5),
            KnownSet("A3", ("A3",), heeling=1.1, upwash_deg=0.4),
            KnownSet("A2", ("A2",), heeling=1.15, upwash_deg=0.2),
        ),
        speed_law=speed,
        lag_s=5.0,
        turn_s=6.0,
        heel_full_deg=22.0,
        heel_aws_kn=19.0,
        climate_kn=(6.0, 19.0),
        clock="rmc",
        recut="A3",
    )


# --- 16 m displacement cruiser-racer: an envelope, and a loss that grows away from each set's own best wind ---


def _cruiser_racer(vary: Vary) -> KnownBoat:
    # per set: best wind (kn) and angle (deg), tilt of its best angle with wind (deg per kn), half widths, steepness
    table = {
        "J1": (vary(7.5, 0.5), 44.0, -0.3, 8.5, 21.0, 0.050),
        "J2": (vary(14.0, 0.5), 46.0, 0.0, 7.5, 22.0, 0.050),
        "J3": (vary(20.0, 0.5), 52.0, 0.4, 7.5, 24.0, 0.052),
        "J3+R1": (vary(26.0, 0.6), 55.0, 0.4, 7.5, 25.0, 0.052),
        "C0": (vary(7.0, 0.5), vary(78.0, 1.5), -0.9, 7.0, 17.0, 0.056),
        "JT": (vary(16.5, 0.6), vary(75.0, 1.5), 0.8, 9.0, 19.0, 0.046),
        "A3": (vary(13.0, 0.6), vary(109.0, 1.5), 0.9, 9.0, 18.0, 0.050),
        "A1": (vary(7.0, 0.5), vary(139.0, 2.0), -0.5, 6.5, 23.0, 0.050),
        "A2": (vary(14.0, 0.5), vary(148.0, 2.0), 0.4, 7.0, 24.0, 0.050),
        "A4": (vary(22.0, 0.6), vary(146.0, 2.0), 0.4, 7.5, 26.0, 0.052),
    }

    def envelope(tws: Floats, twa: Floats) -> Floats:
        c = np.cos(np.radians(twa))
        top = 9.55 - 0.55 * c - 1.05 * c**2 - 0.35 * c**3
        scale = 6.6 + 1.5 * c**2 - 2.2 * c + 1.1 * np.maximum(-c - 0.7, 0.0)
        pinch = -np.expm1(-((twa / 29.0) ** 2.4))
        surf = 0.11 * 1.5 * softplus((tws - 19.0) / 1.5) * rise((twa - 120.0) / 9.0)
        return (top * -np.expm1(-((tws / scale) ** 1.22)) + surf) * pinch

    def speed(name: str, tws: Floats, twa: Floats) -> Floats:
        best_tws, best_twa, tilt, wide_tws, wide_twa, steep = table[name]
        d_tws = (tws - best_tws) / (wide_tws * (1.0 + 0.35 * np.tanh((tws - best_tws) / 8.0)))
        d_twa = (twa - best_twa - tilt * (tws - best_tws)) / wide_twa
        loss = steep * (np.sqrt(1.0 + d_tws**2 + d_twa**2) - 1.0) + 0.005 * d_twa**4 / (1.0 + d_twa**4 / 60.0)
        return envelope(tws, twa) * np.exp(-loss)

    return KnownBoat(
        kind="cruiser-racer",
        name="Marlpit Lass (invented)",
        loa_m=16.0,
        lwl_m=14.2,
        sensor_height_m=23.4,
        sails=(
            KnownSail("MN", "mainsail", "mast", 82.0, 74.0),
            KnownSail("J1", "headsail", "forestay", 66.0, 43.0, ("Genoa light", "number one")),
            KnownSail("J2", "headsail", "forestay", 60.0, 45.0, ("Genoa medium", "number two")),
            KnownSail("J3", "headsail", "forestay", 41.0, 38.0, ("blade", "number three")),
            KnownSail("C0", "headsail", "bowsprit", 105.0, 47.0, ("code zero",)),
            KnownSail("JT", "headsail", "stem", 74.0, 46.0, ("jib top", "reacher")),
            KnownSail("A3", "spinnaker", "bowsprit", 178.0, 40.0, ("reaching gennaker",)),
            KnownSail("A1", "spinnaker", "bowsprit", 226.0, 37.0, ("half ounce", "light gennaker"), 14.0),
            KnownSail("A2", "spinnaker", "bowsprit", 236.0, 44.0, ("big gennaker", "A-two")),
            KnownSail("A4", "spinnaker", "bowsprit", 190.0, 48.0, ("heavy gennaker",)),
        ),
        sets=_sets(
            KnownSet("J1", ("J1",), heeling=1.0, upwash_deg=0.3),
            KnownSet("J2", ("J2",), heeling=0.95, upwash_deg=0.1),
            KnownSet("J3", ("J3",), heeling=0.8, upwash_deg=-0.3),
            KnownSet("J3+R1", ("J3",), reefs=1, heeling=0.7, upwash_deg=-0.5),
            KnownSet("C0", ("C0",), heeling=1.05, upwash_deg=0.6),
            KnownSet("JT", ("JT",), heeling=0.9),
            KnownSet("A3", ("A3",), heeling=1.0, upwash_deg=0.4),
            KnownSet("A1", ("A1",), heeling=1.0, upwash_deg=0.2),
            KnownSet("A2", ("A2",), heeling=1.05, upwash_deg=0.3),
            KnownSet("A4", ("A4",), heeling=1.0, upwash_deg=-0.2),
        ),
        speed_law=speed,
        lag_s=13.0,
        turn_s=11.0,
        heel_full_deg=27.0,
        heel_aws_kn=23.0,
        climate_kn=(6.0, 22.0),
        clock="tag",
        recut="A2",
    )


# --- 30 m light maxi: a fixed point in the apparent wind, faster than the wind ---


def _maxi(vary: Vary) -> KnownBoat:
    # per set: pull, best apparent angle, half widths towards and away from the wind (log), apparent wind it bears
    table = {
        "J1": (vary(1.000, 0.006), 24.5, 0.55, 1.30, vary(27.0, 0.8)),
        "J2": (vary(0.983, 0.006), 24.0, 0.55, 1.20, vary(33.0, 0.8)),
        "J3+R1": (vary(0.948, 0.006), 24.0, 0.55, 1.15, vary(43.0, 1.0)),
        "M0": (vary(1.085, 0.008), vary(33.0, 0.6), 0.42, 1.15, vary(22.0, 0.7)),
        "J2+SS+TS": (vary(1.045, 0.008), vary(35.0, 0.6), 0.40, 1.25, vary(33.0, 0.8)),
        "A3+SS": (vary(1.160, 0.008), vary(50.0, 0.8), 0.42, 1.35, vary(28.0, 0.8)),
        "A2": (vary(1.215, 0.008), vary(67.0, 1.2), 0.46, 1.45, vary(21.0, 0.7)),
        "A4": (vary(1.150, 0.008), vary(68.0, 1.2), 0.48, 1.45, vary(31.0, 0.8)),
    }

    def pull_of(name: str, aws: Floats, awa: Floats) -> Floats:
        pull, best, tight, slack, bears = table[name]
        u = np.log(np.maximum(awa, 1.0) / best)
        angle = np.exp(-0.5 * np.where(u < 0, u / tight, u / slack) ** 2) * (1.0 - np.exp(-((awa / 13.0) ** 2.2)))
        base = 0.44 + 0.60 * rise((awa - 33.0) / 9.0)  # what hull and mainsail make of the angle
        return pull * angle * base * (1.0 + (aws / bears) ** 4.5) ** (-1.0 / 9.0)

    def fixed_point(name: str, tws: Floats, twa: Floats) -> Floats:
        x, y = tws * np.cos(np.radians(twa)), tws * np.sin(np.radians(twa))
        v = 0.8 * tws
        for _ in range(60):
            aws, awa = np.hypot(x + v, y), np.degrees(np.arctan2(y, x + v))
            eager = 7.3 * (aws / 6.0) ** 0.72 * pull_of(name, aws, awa) * 1.22
            v = v + 0.35 * (31.0 * np.tanh(eager / 31.0) - v)
        return v

    # The law is the smooth table through the fixed points: solving anew for each sample would take minutes.
    tws_axis, twa_axis = np.concatenate([[0.0], np.arange(0.5, 46.0, 0.75)]), np.arange(0.0, 181.0, 1.5)
    mesh = np.meshgrid(np.maximum(tws_axis, 1e-3), twa_axis, indexing="ij")
    smooth = {name: RectBivariateSpline(tws_axis, twa_axis, fixed_point(name, *mesh)) for name in table}

    def speed(name: str, tws: Floats, twa: Floats) -> Floats:
        return np.asarray(smooth[name].ev(np.minimum(tws, 45.0), twa))

    return KnownBoat(
        kind="maxi",
        name="Farthing Comet (invented)",
        loa_m=30.0,
        lwl_m=29.0,
        sensor_height_m=46.5,
        sails=(
            KnownSail("MN", "mainsail", "mast", 410.0, 320.0),
            KnownSail("J1", "headsail", "forestay", 250.0, 165.0, ("light jib",)),
            KnownSail("J2", "headsail", "forestay", 215.0, 160.0, ("medium jib", "two")),
            KnownSail("J3", "headsail", "forestay", 140.0, 130.0, ("heavy jib",)),
            KnownSail("M0", "headsail", "bowsprit", 430.0, 210.0, ("masthead zero",), 26.0),
            KnownSail("A3", "spinnaker", "bowsprit", 640.0, 185.0, ("reaching kite",)),
            KnownSail("A2", "spinnaker", "bowsprit", 880.0, 205.0, ("runner", "big one")),
            KnownSail("A4", "spinnaker", "bowsprit", 700.0, 215.0, ("heavy runner",)),
            KnownSail("SS", "headsail", "baby stay", 92.0, 55.0, ("staysail",)),
            KnownSail("TS", "headsail", "foredeck", 66.0, 45.0, ("tall boy",)),
        ),
        sets=_sets(
            KnownSet("J1", ("J1",), heeling=1.0, upwash_deg=0.2),
            KnownSet("J2", ("J2",), heeling=0.9),
            KnownSet("J3+R1", ("J3",), reefs=1, heeling=0.75, upwash_deg=-0.4),
            KnownSet("M0", ("M0",), heeling=1.05, upwash_deg=0.7),
            KnownSet("J2+SS+TS", ("J2", "SS", "TS"), heeling=1.0, upwash_deg=0.4),
            KnownSet("A3+SS", ("A3", "SS"), heeling=1.05, upwash_deg=0.5),
            KnownSet("A2", ("A2",), heeling=1.0, upwash_deg=0.1),
            KnownSet("A4", ("A4",), heeling=1.0, upwash_deg=-0.2),
        ),
        speed_law=speed,
        lag_s=19.0,
        turn_s=18.0,
        heel_full_deg=24.0,
        heel_aws_kn=26.0,
        climate_kn=(7.0, 20.0),
        clock="epoch_ms",
        recut="M0",
    )


# --- 12 m boat of many small sails: every sail adds its share ---


def _staysail(vary: Vary) -> KnownBoat:
    # per sail: share, angles between which it draws, wind at which it begins to be too much, how it fades when deep
    sails = {
        "MN": (1.00, 26.0, 190.0, 24.0, 0.0),
        "J1": (vary(0.80, 0.012), 27.0, 128.0, vary(11.5, 0.3), 0.0),
        "J2": (vary(0.735, 0.010), 27.0, 126.0, vary(16.0, 0.4), 0.0),
        "J3": (vary(0.635, 0.010), 27.0, 126.0, vary(23.0, 0.5), 0.0),
        "JT": (vary(0.86, 0.012), vary(47.0, 1.0), 139.0, vary(16.0, 0.4), 0.0),
        "GS": (vary(0.155, 0.008), vary(58.0, 1.5), 130.0, 12.5, 0.0),
        "ST": (vary(0.115, 0.006), vary(50.0, 1.5), vary(141.0, 1.5), 24.0, 0.0),
        "A3": (vary(1.13, 0.014), vary(80.0, 1.5), 176.0, vary(15.5, 0.4), 0.0),
        "A2": (vary(1.31, 0.014), vary(99.0, 1.5), 205.0, vary(12.5, 0.4), 0.0),
        "A4": (vary(1.19, 0.014), vary(93.0, 1.5), 205.0, vary(19.0, 0.5), 0.0),
    }
    sets = {
        "J1": ("J1",),
        "J2": ("J2",),
        "J3": ("J3",),
        "J3+R1": ("J3",),
        "JT+ST": ("JT", "ST"),
        "TRIPLE": ("JT", "GS", "ST"),
        "A3+ST": ("A3", "ST"),
        "A2+ST": ("A2", "ST"),
        "A2": ("A2",),
        "A4": ("A4",),
    }
    crowding = vary(0.030, 0.003)

    def share(code: str, tws: Floats, twa: Floats, reefed: bool) -> Floats:
        size, low, high, much, _ = sails[code]
        if reefed and code == "MN":
            size, much = size * 0.90, much * 1.38
        soft = 6.0 if code == "MN" else 9.0
        draws = rise((twa - low - 2.0) / soft) * rise((high - twa) / 14.0)
        over = (tws / much) ** 3 * (0.45 + 0.55 * np.sin(np.radians(np.clip(twa, 30, 150))) ** 2)
        return size * draws * (1.0 - 0.62 * over / (1.0 + over))

    def speed(name: str, tws: Floats, twa: Floats) -> Floats:
        reefed = name.endswith("+R1")
        codes = ("MN", *sets[name])
        total = sum(share(c, tws, twa, reefed) for c in codes)
        total = total - crowding * (len(codes) - 2) * (1.0 + rise((twa - 137.0) / 8.0) * 1.6)
        course = 0.80 + 0.26 * np.sin(np.radians(twa)) - 0.07 * np.cos(np.radians(2.0 * (twa - 20.0)))
        q = np.maximum(tws / 9.6 * total * course / 1.62, 1e-3)
        power = q / (1.0 + q**2.3) ** (1.0 / 2.3)
        return (
            9.1 * power * (0.90 + 0.10 * rise((twa - 70.0) / 14.0)) + 0.13 * softplus((tws * total - 26.0) / 3.0) * 1.6
        )

    return KnownBoat(
        kind="staysail",
        name="Tanglewrack (invented)",
        loa_m=12.0,
        lwl_m=10.7,
        sensor_height_m=18.1,
        sails=(
            KnownSail("MN", "mainsail", "mast", 47.0, 42.0),
            KnownSail("J1", "headsail", "forestay", 41.0, 25.0, ("big jib",)),
            KnownSail("J2", "headsail", "forestay", 35.0, 25.0, ("jib two", "No 2")),
            KnownSail("J3", "headsail", "forestay", 25.0, 23.0, ("small jib", "No 3")),
            KnownSail("JT", "headsail", "stem", 46.0, 26.0, ("yankee", "jib top")),
            KnownSail("GS", "headsail", "mid stay", 24.0, 14.0, ("genoa staysail",)),
            KnownSail("ST", "headsail", "inner stay", 15.0, 10.0, ("staysail", "stay'l")),
            KnownSail("A3", "spinnaker", "bowsprit", 98.0, 25.0, ("reacher",)),
            KnownSail("A2", "spinnaker", "bowsprit", 135.0, 29.0, ("runner",)),
            KnownSail("A4", "spinnaker", "bowsprit", 110.0, 30.0, ("chicken kite",)),
        ),
        sets=_sets(
            *(
                KnownSet(n, f, reefs=int(n.endswith("+R1")), heeling=h, upwash_deg=u)
                for (n, f), h, u in zip(
                    sets.items(),
                    (1.0, 0.9, 0.78, 0.68, 0.95, 1.02, 1.02, 1.05, 1.0, 0.95),
                    (0.2, 0.0, -0.3, -0.5, 0.4, 0.8, 0.5, 0.4, 0.1, -0.2),
                    strict=True,
                )
            )
        ),
        speed_law=speed,
        lag_s=9.0,
        turn_s=9.0,
        heel_full_deg=25.0,
        heel_aws_kn=21.0,
        climate_kn=(6.0, 21.0),
        clock="rfc3339",
        recut="J1",
    )


_BUILDERS: dict[str, Callable[[Vary], KnownBoat]] = {
    "sportboat": _sportboat,
    "cruiser-racer": _cruiser_racer,
    "maxi": _maxi,
    "staysail": _staysail,
    **{kind: partial(balance_boat, kind) for kind in HULLS},
}
