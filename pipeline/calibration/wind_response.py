"""How the computed true wind answers to each correction: the whole chain, and its numerical derivative, at the pieces.

The chain is that of `sailing.wind_of_samples`, called on the raw means of a piece: same functions, same order.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.angles import Floats, wrap_180
from pipeline.calibration.wind_pieces import Pieces
from pipeline.campaign.settings import Boat
from pipeline.wind.apparent import to_horizontal, with_offset, without_upwash
from pipeline.wind.height import height_factor
from pipeline.wind.leeway import true_wind_with_leeway
from pipeline.wind.triangle import true_from_apparent

# Step of the derivative: small against what is looked for, large against rounding.
STEPS: dict[str, float] = {
    "awa_offset_deg": 0.1,
    "upwash_deg": 0.1,
    "aws_factor": 0.002,
    "boat_speed_factor": 0.002,
    "heading_offset_deg": 0.1,
    "leeway_coefficient": 0.1,
}
PERCENT = 100.0


def computed_wind(pieces: Pieces, corrections: Mapping[str, Floats], boat: Boat) -> tuple[Floats, Floats]:
    """Direction (deg true) and speed (kn, reference height) of the true wind over the water at each piece.

    `corrections`: one array a parameter of `Corrections`, as long as the pieces.
    """
    awa = with_offset(pieces.awa_deg, corrections["awa_offset_deg"])
    aws = pieces.aws_kn * corrections["aws_factor"]
    awa = without_upwash(awa, corrections["upwash_deg"])
    awa, aws = to_horizontal(awa, aws, pieces.heel_deg, pieces.pitch_deg)
    bsp = np.where(pieces.ground, pieces.bsp_kn, pieces.bsp_kn * corrections["boat_speed_factor"])
    leeway, twa, tws = true_wind_with_leeway(awa, aws, bsp, pieces.heel_deg, corrections["leeway_coefficient"])
    measured = np.isfinite(pieces.leeway_deg)
    if measured.any():
        twa_measured, tws_measured = true_from_apparent(awa, aws, bsp, np.nan_to_num(pieces.leeway_deg))
        leeway = np.where(measured, pieces.leeway_deg, leeway)
        twa, tws = np.where(measured, twa_measured, twa), np.where(measured, tws_measured, tws)
    instruments = boat.instruments
    factor = height_factor(instruments.wind_sensor_height_m, instruments.reference_height_m)
    twd = wrap_180(pieces.hdg_deg + corrections["heading_offset_deg"] + leeway + twa)
    return twd, tws * factor


def shift(
    pieces: Pieces, before: Mapping[str, Floats], after: Mapping[str, Floats], boat: Boat
) -> tuple[Floats, Floats]:
    """By how much the wind moves between two calibrations: direction in deg, speed in per cent (log)."""
    twd_a, tws_a = computed_wind(pieces, before, boat)
    twd_b, tws_b = computed_wind(pieces, after, boat)
    return wrap_180(twd_b - twd_a), PERCENT * np.log(tws_b / tws_a)


def response(
    pieces: Pieces, corrections: Mapping[str, Floats], boat: Boat, parameters: tuple[str, ...]
) -> tuple[Floats, Floats]:
    """Derivatives of direction (deg) and log speed (per cent) by each parameter, central differences.

    Two arrays of shape (pieces, parameters), per unit of the parameter.
    """
    columns = []
    for name in parameters:
        step = STEPS[name]
        less = {**corrections, name: corrections[name] - step}
        more = {**corrections, name: corrections[name] + step}
        columns.append([d / (2.0 * step) for d in shift(pieces, less, more, boat)])
    both = np.moveaxis(np.array(columns).reshape(len(parameters), 2, len(pieces)), 0, 2)
    return both[0], both[1]
