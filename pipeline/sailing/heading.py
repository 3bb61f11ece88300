"""True heading of every sample, from what the log holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.angles import Floats, circular_mean, difference, wrap_180, wrap_360
from pipeline.campaign.settings import Instruments
from pipeline.problems import Problem, UnusableInput
from pipeline.sailing.stretches import Ints
from pipeline.wind.variation import OutOfModel, variation_along_track

# A display that does not know the variation prints the same course twice, as true and as magnetic.
_SAME_DEG = 0.05

NO_VARIATION = (
    "heading is magnetic and no variation is known: true wind direction stays unknown "
    "(set instruments.variation_deg in boat.toml, a number or 'auto')"
)
NO_POSITION = "variation_deg is 'auto' but no position is logged: true wind direction stays unknown there"
FROM_COURSES = "variation taken from courses over ground logged both true and magnetic"


@dataclass(frozen=True, slots=True)
class TrueHeading:
    """`hdg_deg`: degrees true, NaN where unknown, before the calibration's offset; `notes`: reason -> samples."""

    hdg_deg: Floats
    notes: Mapping[str, int] = field(default_factory=dict)


def true_heading(channels: Mapping[str, Floats], year: Floats, stretch: Ints, instruments: Instruments) -> TrueHeading:
    """True heading: as logged, else magnetic heading plus variation (logged, else boat.toml's, else of the model).

    `channels` holds arrays by channel name (`hdg_true hdg_mag variation lat lon cog cog_mag`), `year` decimal years and
    `stretch` the number of the unbroken stretch of each sample. Within a stretch that logs a true heading, its gaps are
    filled from the magnetic one with their mean difference, so that two sensors do not take turns.
    Raises `UnusableInput` where 'auto' needs the model for a date that it does not hold for.
    """
    notes: dict[str, int] = {}
    magnetic, logged_true = channels["hdg_mag"], channels["hdg_true"]
    needs = np.isfinite(magnetic) & np.isnan(logged_true)
    hdg = logged_true.copy()
    if not needs.any():
        return TrueHeading(hdg, notes)
    variation = _variation(channels, year, stretch, instruments, needs & ~_both(channels, stretch), notes)
    hdg[needs] = wrap_360(magnetic + variation)[needs]
    _bridge(hdg, channels, stretch, needs)
    unknown = int((needs & np.isnan(hdg)).sum())
    if unknown:
        reason = NO_POSITION if instruments.variation_deg == "auto" else NO_VARIATION
        notes[reason] = notes.get(reason, 0) + unknown
    return TrueHeading(hdg, notes)


def _both(channels: Mapping[str, Floats], stretch: Ints) -> np.ndarray:
    """Samples of stretches that log a true and a magnetic heading together."""
    pair = np.isfinite(channels["hdg_true"]) & np.isfinite(channels["hdg_mag"])
    return np.bincount(stretch[pair], minlength=int(stretch[-1]) + 1)[stretch] > 0


def _bridge(hdg: Floats, channels: Mapping[str, Floats], stretch: Ints, needs: np.ndarray) -> None:
    among = np.unique(stretch[needs & _both(channels, stretch)])
    if not among.size:
        return
    turn = difference(channels["hdg_true"], channels["hdg_mag"])
    for s in among:
        here = stretch == s
        mean = wrap_180(circular_mean(turn[here]))
        fill = here & needs
        if np.isfinite(mean):
            hdg[fill] = wrap_360(channels["hdg_mag"][fill] + mean)


def _variation(
    channels: Mapping[str, Floats],
    year: Floats,
    stretch: Ints,
    instruments: Instruments,
    wanted: np.ndarray,
    notes: dict[str, int],
) -> Floats:
    variation = _held(channels["variation"], stretch)
    lacking = wanted & np.isnan(variation)
    if not lacking.any():
        return variation
    given = instruments.variation_deg
    if isinstance(given, int | float):
        variation[lacking] = float(given)
        return variation
    from_courses = _from_courses(channels, stretch)
    if given == "auto":
        _from_model(variation, channels, year, stretch, lacking, from_courses)
        lacking = wanted & np.isnan(variation)
    filled = lacking & np.isfinite(from_courses)
    variation[filled] = from_courses[filled]
    if filled.any():
        notes[FROM_COURSES] = int(filled.sum())
    return variation


def _from_model(
    variation: Floats,
    channels: Mapping[str, Floats],
    year: Floats,
    stretch: Ints,
    lacking: np.ndarray,
    from_courses: Floats,
) -> None:
    lat, lon = _held(channels["lat"], stretch)[lacking], _held(channels["lon"], stretch)[lacking]
    try:
        variation[lacking] = variation_along_track(lat, lon, year[lacking])
    except OutOfModel as error:
        if np.isfinite(from_courses[lacking]).all():
            return
        advice = "give instruments.variation_deg as a number of degrees, east positive"
        raise UnusableInput(
            [Problem("boat.toml", f"variation_deg = 'auto' cannot be met: {error}; {advice}.")]
        ) from None


def _from_courses(channels: Mapping[str, Floats], stretch: Ints) -> Floats:
    turn = difference(channels["cog"], channels["cog_mag"])
    out = np.full(len(turn), np.nan)
    if np.isnan(turn).all():
        return out
    for s in np.unique(stretch[np.isfinite(turn)]):
        here = stretch == s
        mean = float(wrap_180(circular_mean(turn[here])))
        if abs(mean) > _SAME_DEG:
            out[here] = mean
    return out


def _held(values: Floats, stretch: Ints) -> Floats:
    """Values held to the next one within their stretch, the first also before itself."""
    out = np.full(len(values), np.nan)
    known = np.flatnonzero(np.isfinite(values))
    if known.size == 0:
        return out
    at = np.cumsum(np.isfinite(values)) - 1
    for shift in (0, 1):
        source = known[np.clip(at + shift, 0, known.size - 1)]
        use = np.isnan(out) & (stretch[source] == stretch)
        out[use] = values[source[use]]
    return out
