"""The caution that every report carries, and the approximations behind its figures."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.campaign.settings import DEFAULT_CORRECTIONS, UNLOGGED, Boat
from pipeline.reporting.context import ReportContext
from pipeline.reporting.numbers import brief
from pipeline.sailing.wind_of_samples import GROUND_SPEED_USED

CAUTION = (
    "The figures rank speed in the conditions sailed. They say nothing of strength or safety: makers' wind limits, rig "
    "loads, storm sails that the rules require, and the weather are for the skipper, the class rules and qualified "
    "people. Conditions beyond the data, or beyond a sail's stated limit, are marked as such."
)


def approximations(boat: Boat, tables: Mapping[str, pl.DataFrame], context: ReportContext) -> tuple[str, ...]:
    """One sentence for each approximation that this run used, as far as settings and tables tell."""
    said = [
        "True wind is relative to the water and reduced from the sensor "
        f"({brief(boat.instruments.wind_sensor_height_m)} m) to {brief(boat.instruments.reference_height_m)} m with "
        f"the logarithmic profile over open sea (roughness {brief(0.0002)} m), whatever the day's stability.",
        _leeway(boat),
        *_calibration(boat),
        "A surface value is the expected steady speed on an ordinary day; its 90 % interval allows for days and for "
        "neighbouring windows resembling each other, and not for an instrument that was wrong all season.",
        "Windows are steady stretches of 30 to 60 s. A point of a chart stands for a cell of the grid, not for an "
        "exact wind speed and angle. Both tacks count equally; their difference stands beside each border.",
        "Flown against fastest is judged with the surfaces that the same windows made, by the nearest grid cell.",
        "On charts the makers' limits are compared with the apparent wind at the sensor's height, from the true wind "
        "and the set's own expected speed, without leeway or heel; in gusts and waves it blows harder.",
        *_ground_speed(tables["flags"]),
        *_unlogged(tables["segments"]),
        *_design(boat, tables["design_comparison"]),
        *context.notes,
    ]
    return tuple(dict.fromkeys(said))


def _leeway(boat: Boat) -> str:
    k = boat.calibration.boat.leeway_coefficient
    return (
        "Leeway, where no channel measures it, is a rule of thumb from heel and speed "
        f"(coefficient {brief(DEFAULT_CORRECTIONS.leeway_coefficient if k is None else k)}), fading out off the wind."
    )


def _calibration(boat: Boat) -> list[str]:
    given = boat.calibration
    if given.boat == DEFAULT_CORRECTIONS and not given.periods and not given.sets:
        return ["No calibration of the instruments is given in boat.toml: their readings are taken as they are."]
    if not given.sets:
        return [
            "Upwash and the wind-speed factor are the same for every set; in truth they differ with the sails, and the "
            "intervals of the borders carry that doubt."
        ]
    return []


def _ground_speed(flags: pl.DataFrame) -> list[str]:
    if flags.filter(pl.col("reason") == GROUND_SPEED_USED).is_empty():
        return []
    return [
        "Where the log gave no speed through the water, speed over ground stands for it: current is not told apart."
    ]


def _unlogged(segments: pl.DataFrame) -> list[str]:
    if segments.is_empty() or set(segments["sail_set"]) != {UNLOGGED}:
        return []
    return [
        "There was no sail log: all time counts as one set, called unlogged, and no set can be compared with another."
    ]


def _design(boat: Boat, comparison: pl.DataFrame) -> list[str]:
    if comparison.is_empty() or boat.design.given:
        return []
    return [
        "The comparison with the design is provisional: boat.toml does not say how the designer meant his wind "
        f"([design]); {brief(boat.design.height_m)} m and the angle from the {boat.design.twa_from} are taken."
    ]
