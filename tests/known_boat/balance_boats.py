"""Three invented boats whose speeds solve a balance of forces: those of the window simulator, with sails and a crew.

Their surfaces have what the other formulas lack: a hump at hull speed, a jump onto the plane, sets that collapse within
ten degrees of where they cease to draw.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.known_boat.boat import Floats, KnownBoat, KnownSail, KnownSet, Vary
from tests.known_boat.window_simulator import TWS, Rig, Truth, boats

STATIONS = {"J": "forestay", "C": "bowsprit", "R": "bowsprit", "A": "bowsprit", "G": "bowsprit"}


@dataclass(frozen=True)
class _Hull:
    """What a season needs beside the forces."""

    simulated: str
    name: str
    sensor_height_m: float
    lag_s: float
    turn_s: float
    heel_full_deg: float
    heel_aws_kn: float
    climate_kn: tuple[float, float]
    loa_m: float


HULLS = {
    "balance-8": _Hull("light8", "Whimbrel Skerry (invented)", 11.5, 5.0, 6.0, 22.0, 19.0, (6.0, 19.0), 8.0),
    "balance-16": _Hull("cruiser16", "Grey Ouzel (invented)", 23.0, 14.0, 12.0, 24.0, 24.0, (6.0, 20.0), 16.0),
    "balance-30": _Hull("foil30", "Long Tern (invented)", 40.0, 16.0, 16.0, 16.0, 30.0, (6.0, 19.0), 30.0),
}


def balance_boat(kind: str, vary: Vary) -> KnownBoat:
    """One of `HULLS`, its masses, areas and limits varied."""
    hull = HULLS[kind]
    plain = boats()[hull.simulated]
    rigs = tuple(
        replace(
            rig,
            area=rig.area * vary(1.0, 0.012),
            aws_limit=rig.aws_limit * vary(1.0, 0.03),
            heel_arm=rig.heel_arm * vary(1.0, 0.01),
        )
        for rig in plain.rigs
    )
    mass_t, stability = plain.mass_t * vary(1.0, 0.02), plain.stability * vary(1.0, 0.02)
    truth = Truth.of(replace(plain, mass_t=mass_t, stability=stability, rigs=rigs))

    def speed(name: str, tws: Floats, twa: Floats) -> Floats:
        return truth.speed(name, np.minimum(tws, TWS[-1]), twa)

    sails = {"MN": KnownSail("MN", "mainsail", "mast", 3.75 * hull.loa_m, 2.5 * hull.loa_m)}
    for rig in rigs:
        for code in rig.name.split("+"):
            sails.setdefault(code, _sail(code, rig))
    return KnownBoat(
        kind=kind,
        name=hull.name,
        loa_m=hull.loa_m,
        lwl_m=plain.lwl_m,
        sensor_height_m=hull.sensor_height_m,
        sails=tuple(sails.values()),
        sets={r.name: KnownSet(r.name, tuple(r.name.split("+")), 0, r.heel_arm, vary(0.2, 0.2)) for r in rigs},
        speed_law=speed,
        lag_s=hull.lag_s,
        turn_s=hull.turn_s,
        heel_full_deg=hull.heel_full_deg,
        heel_aws_kn=hull.heel_aws_kn,
        climate_kn=hull.climate_kn,
        clock="rmc",
        recut=rigs[0].name,
    )


def _sail(code: str, rig: Rig) -> KnownSail:
    area_m2 = rig.area * (0.3 if code == "ST" else 1.0)
    station = {"ST": "inner stay", "JT": "stem"}.get(code) or STATIONS[code[0]]
    return KnownSail(code, "spinnaker" if code[0] in "AG" else "headsail", station, area_m2, 10.0 + 0.1 * area_m2)
