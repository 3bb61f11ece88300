"""What the crew's displays show of a known wind: the way of the measurement, backwards.

True wind in the water at the reference height, to the apparent wind at the sensor's height (true to the water), to what
the masthead unit reports, to what the display makes of it. Angles are sizes from the bow unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.wind.apparent import to_sensor_plane, with_offset, with_upwash
from pipeline.wind.height import height_factor
from pipeline.wind.triangle import apparent_from_true, true_from_apparent

STARBOARD, PORT = 1.0, -1.0


@dataclass(frozen=True, slots=True)
class Sailing:
    """How the boat goes in each of n winds, arrays (n,): speed through the water, sizes of heel and leeway, pitch, and
    the calibration in force. Heel is positive to leeward.
    """

    bsp_kn: Floats
    heel_deg: Floats
    pitch_deg: Floats
    leeway_deg: Floats
    boat_speed_factor: Floats
    awa_offset_deg: Floats
    aws_factor: Floats
    upwash_deg: Floats


@dataclass(frozen=True, slots=True)
class Shown:
    """On the display, arrays (n,): apparent wind, mean of both tacks, its angle on each, and the true wind."""

    aws_kn: Floats
    awa_deg: Floats
    awa_starboard_deg: Floats
    awa_port_deg: Floats
    tws_kn: Floats
    twa_deg: Floats


def apparent_at_sensor(boat: Boat, tws_kn: Floats, twa_deg: Floats, sailing: Sailing) -> tuple[Floats, Floats]:
    """Apparent wind (angle from the bow, speed) in the horizontal plane at the sensor's height, true to the water.

    `tws_kn` at the reference height, `twa_deg` from the course through the water, 0..180.
    """
    return _apparent(boat, tws_kn, twa_deg, sailing, STARBOARD)


def _apparent(boat: Boat, tws_kn: Floats, twa_deg: Floats, s: Sailing, tack: float) -> tuple[Floats, Floats]:
    aloft = tws_kn * height_factor(boat.instruments.reference_height_m, boat.instruments.wind_sensor_height_m)
    return apparent_from_true(tack * twa_deg, aloft, s.bsp_kn, -tack * s.leeway_deg)


def shown_on_displays(boat: Boat, tws_kn: Floats, twa_deg: Floats, sailing: Sailing) -> Shown:
    """What the displays of `[displays]` show in a true wind.

    Without `corrected` the display shows the masthead unit's own angle and speed: in the plane of the heeled sensor,
    in the upwash, without offset and factors; with it, the corrected horizontal wind. A display that reduces the wind
    to another height does so by way of its own true wind, for which it knows leeway only where `twa_from` is `course`.
    """
    starboard, port = (_on_tack(boat, tws_kn, twa_deg, sailing, tack) for tack in (STARBOARD, PORT))
    aws, tws, twa = (0.5 * (a + b) for a, b in zip(starboard[1:], port[1:], strict=True))
    return Shown(aws, 0.5 * (starboard[0] + port[0]), starboard[0], port[0], tws, twa)


def _on_tack(
    boat: Boat, tws_kn: Floats, twa_deg: Floats, sailing: Sailing, tack: float
) -> tuple[Floats, Floats, Floats, Floats]:
    awa, aws = _apparent(boat, tws_kn, twa_deg, sailing, tack)
    s = sailing
    if not boat.displays.corrected:
        awa, aws = to_sensor_plane(awa, aws, s.heel_deg, s.pitch_deg)
        awa = with_offset(with_upwash(awa, s.upwash_deg), -s.awa_offset_deg)
        aws = aws / s.aws_factor
        s = replace(s, bsp_kn=s.bsp_kn / s.boat_speed_factor)
    leeway = -tack * s.leeway_deg if boat.displays.twa_from == "course" else np.zeros_like(s.leeway_deg)
    twa, tws = true_from_apparent(awa, aws, s.bsp_kn, leeway)
    height_m = boat.displays.wind_height_m
    if height_m is not None and height_m != boat.instruments.wind_sensor_height_m:
        tws = tws * height_factor(boat.instruments.wind_sensor_height_m, height_m)
        awa, aws = apparent_from_true(twa, tws, s.bsp_kn, leeway)
    return tack * awa, aws, tws, tack * twa
