"""The invented yacht's sails and the sets that she races: dimensions, weights, and how each sail works in the model."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

AWA_NODES_DEG = (27.0, 50.0, 80.0, 100.0, 180.0)


@dataclass(frozen=True)
class ForceCurve:
    """Lift and viscous drag coefficient of a sail at `AWA_NODES_DEG`; `luff_deg`: where it begins, and is full."""

    lift: tuple[float, ...]
    drag: tuple[float, ...]
    luff_deg: tuple[float, float]
    flog_drag: float = 0.10  # added while it does not fill
    blanketed: float = 1.0  # what the mainsail leaves of it dead before the wind


RECUT_DATE = "2026-07-25"

# Main, jib and spinnaker after G. S. Hazen, "A Model of Sail Aerodynamics for Diverse Rig Types" (1980), the numbers
# RECALLED FROM MEMORY and not confirmed: good enough for an invented boat, a reference for nothing. The other curves
# are made up between them.
MAIN = ForceCurve((1.5, 1.5, 0.95, 0.85, 0.0), (0.02, 0.15, 0.8, 1.0, 0.9), (5.0, 17.0))
JIB = ForceCurve((1.5, 0.5, 0.3, 0.0, 0.0), (0.02, 0.25, 0.15, 0.0, 0.0), (8.0, 19.0))
SPINNAKER = ForceCurve((0.0, 1.5, 1.0, 0.85, 0.0), (0.0, 0.25, 0.9, 1.2, 0.66), (30.0, 60.0), 0.30, 0.50)
REACHING_HEADSAIL = ForceCurve((1.45, 1.20, 0.68, 0.30, 0.0), (0.03, 0.20, 0.36, 0.30, 0.10), (12.0, 27.0))
REACHING_SPINNAKER = ForceCurve((1.10, 1.55, 1.05, 0.70, 0.0), (0.06, 0.22, 0.70, 0.85, 0.45), (28.0, 52.0), 0.30, 0.50)
HEAVY_SPINNAKER = ForceCurve((0.3, 1.50, 1.05, 0.85, 0.0), (0.02, 0.25, 0.85, 1.15, 0.66), (30.0, 58.0), 0.30, 0.58)
OUTRIGGER_JIB = ForceCurve((1.30, 1.10, 0.70, 0.35, 0.0), (0.05, 0.20, 0.26, 0.20, 0.0), (14.0, 30.0))
STAYSAIL = ForceCurve((1.30, 0.95, 0.60, 0.25, 0.0), (0.03, 0.18, 0.22, 0.15, 0.0), (9.0, 22.0))


@dataclass(frozen=True)
class SailSpec:
    """One sail: what `boat.toml` says of it, and its place in the model."""

    code: str
    kind: str
    station: str
    area_m2: float
    weight_kg: float
    luff_m: float
    foot_m: float
    half_width_m: float
    centre_m: float  # centre of effort above the water
    curve: ForceCurve
    leech_m: float | None = None
    perpendicular_m: float | None = None
    max_aws_kn: float | None = None
    required: bool = False
    aliases: tuple[str, ...] = ()
    recut: tuple[str, str] | None = None  # date and note


SAILS: dict[str, SailSpec] = {
    s.code: s
    for s in (
        SailSpec(
            "MN",
            "mainsail",
            "mast",
            132.0,
            118.0,
            26.4,
            8.1,
            5.6,
            14.2,
            MAIN,
            leech_m=27.9,
            aliases=("main", "mainsail"),
        ),
        SailSpec(
            "J1",
            "headsail",
            "forestay",
            98.0,
            64.0,
            25.2,
            7.9,
            4.15,
            11.1,
            JIB,
            leech_m=24.0,
            perpendicular_m=7.7,
            max_aws_kn=28.0,
            aliases=("light jib",),
        ),
        SailSpec(
            "J2",
            "headsail",
            "forestay",
            70.0,
            56.0,
            23.2,
            6.4,
            3.25,
            10.6,
            JIB,
            leech_m=22.0,
            perpendicular_m=6.2,
            max_aws_kn=36.0,
            aliases=("medium jib", "Jib 2"),
        ),
        SailSpec(
            "J4",
            "headsail",
            "forestay",
            45.0,
            44.0,
            17.8,
            5.2,
            2.60,
            8.4,
            JIB,
            leech_m=16.6,
            perpendicular_m=5.0,
            max_aws_kn=46.0,
            aliases=("blade",),
        ),
        SailSpec(
            "RH",
            "headsail",
            "bowsprit",
            178.0,
            88.0,
            26.6,
            13.2,
            8.30,
            12.8,
            REACHING_HEADSAIL,
            leech_m=23.8,
            perpendicular_m=12.4,
            max_aws_kn=25.0,
            aliases=("reacher", "big reacher"),
        ),
        SailSpec(
            "ST",
            "headsail",
            "inner stay",
            31.0,
            21.0,
            14.8,
            4.3,
            2.05,
            6.6,
            STAYSAIL,
            leech_m=13.4,
            perpendicular_m=4.1,
            max_aws_kn=40.0,
            aliases=("staysail", "Stay"),
        ),
        SailSpec(
            "S1",
            "spinnaker",
            "bowsprit",
            342.0,
            41.0,
            28.2,
            15.7,
            15.05,
            14.4,
            SPINNAKER,
            leech_m=25.7,
            max_aws_kn=17.0,
            aliases=("light runner", "big kite"),
        ),
        SailSpec(
            "S2",
            "spinnaker",
            "bowsprit",
            268.0,
            46.0,
            25.8,
            13.8,
            12.90,
            12.9,
            HEAVY_SPINNAKER,
            leech_m=23.4,
            max_aws_kn=27.0,
            aliases=("heavy runner",),
        ),
        SailSpec(
            "SR",
            "spinnaker",
            "bowsprit",
            226.0,
            49.0,
            25.9,
            13.3,
            10.40,
            12.6,
            REACHING_SPINNAKER,
            leech_m=23.4,
            max_aws_kn=26.0,
            aliases=("reaching kite",),
            recut=(RECUT_DATE, "recut: flatter head"),
        ),
        SailSpec(
            "SJ",
            "headsail",
            "inner stay",
            13.0,
            19.0,
            9.6,
            3.4,
            1.40,
            5.0,
            STAYSAIL,
            leech_m=8.1,
            perpendicular_m=2.7,
            required=True,
            aliases=("storm jib",),
        ),
    )
}


@dataclass(frozen=True)
class SetSpec:
    """One sail set: its sails in the order of `SAILS`, and how well each works in that company (1 = alone)."""

    name: str
    sails: tuple[str, ...]
    effect: tuple[float, ...]
    outrigger: tuple[str, ...] = ()
    curves: dict[str, ForceCurve] | None = None  # a sail that works otherwise in this company
    reef: float = 1.0  # share of the mainsail left
    shaken_tws_kn: tuple[float, float] = (22.0, 40.0)  # the wind whose waves begin to, and fully, shake this set
    shaken_share: float = 0.1  # of its lift, when fully shaken


SETS: dict[str, SetSpec] = {
    s.name: s
    for s in (
        SetSpec("J1", ("MN", "J1"), (1.01, 1.0), shaken_tws_kn=(12.5, 20.0), shaken_share=0.20),
        SetSpec("J2", ("MN", "J2"), (0.965, 0.97), shaken_tws_kn=(18.0, 26.0), shaken_share=0.20),
        SetSpec("J4", ("MN", "J4"), (0.865, 0.85), shaken_tws_kn=(23.0, 32.0), shaken_share=0.20),
        SetSpec(
            "J2+ST",
            ("MN", "J2", "ST"),
            (0.98, 1.0, 0.75),
            ("J2",),
            {"J2": OUTRIGGER_JIB},
            shaken_tws_kn=(21.0, 32.0),
            shaken_share=0.12,
        ),
        SetSpec("RH", ("MN", "RH"), (1.0, 1.02), shaken_tws_kn=(8.0, 16.0), shaken_share=0.22),
        SetSpec(
            "RH+J4+ST",
            ("MN", "J4", "RH", "ST"),
            (0.98, 0.55, 0.91, 0.45),
            ("J4",),
            {"J4": OUTRIGGER_JIB},
            shaken_tws_kn=(15.0, 25.0),
            shaken_share=0.25,
        ),
        SetSpec("SR+ST", ("MN", "ST", "SR"), (0.99, 0.60, 1.0), shaken_tws_kn=(18.0, 30.0), shaken_share=0.12),
        SetSpec("S1", ("MN", "S1"), (1.0, 1.0), shaken_tws_kn=(10.0, 19.0), shaken_share=0.34),
        SetSpec("S2+ST", ("MN", "ST", "S2"), (0.99, 0.55, 1.0), shaken_tws_kn=(22.0, 34.0), shaken_share=0.08),
        SetSpec("J4+R1", ("MN", "J4"), (0.75, 0.74), reef=0.80, shaken_tws_kn=(26.0, 36.0), shaken_share=0.06),
    )
}
NAMED_SETS = tuple(name for name in SETS if not name.endswith("+R1"))


def recut_reaching_spinnaker() -> SailSpec:
    """SR after its recut: a flatter head, so a little more lift forward and a little less area drag aft."""
    lift = (1.18, 1.62, 1.06, 0.67, 0.0)
    drag = (0.06, 0.21, 0.68, 0.81, 0.43)
    return replace(SAILS["SR"], curve=ForceCurve(lift, drag, (26.0, 50.0), 0.30, 0.50))


def curve_on(curve: ForceCurve, awa_deg: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lift and viscous drag coefficient at `awa_deg` (0..180): straight between the nodes, faded out when luffing."""
    lift = np.interp(awa_deg, AWA_NODES_DEG, curve.lift)
    drag = np.interp(awa_deg, AWA_NODES_DEG, curve.drag)
    low, high = curve.luff_deg
    x = np.clip((awa_deg - low) / (high - low), 0.0, 1.0)
    fill = x * x * (3.0 - 2.0 * x)
    behind = np.clip((awa_deg - 115.0) / 65.0, 0.0, 1.0)
    left = 1.0 - (1.0 - curve.blanketed) * behind * behind
    return lift * fill * left, (drag + curve.flog_drag * (1.0 - fill)) * left
