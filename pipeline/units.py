"""Unit conversions, each constant once. Inside the pipeline: knots, degrees, metres, kilograms, hPa, degC."""

from __future__ import annotations

# Exact: the international nautical mile is 1852 m (SI brochure), the foot 0.3048 m, the statute mile 1609.344 m.
METRES_PER_NAUTICAL_MILE = 1852.0
METRES_PER_FOOT = 0.3048
METRES_PER_FATHOM = 1.8288
KN_PER_MS = 3600.0 / METRES_PER_NAUTICAL_MILE
KN_PER_KMH = 1000.0 / METRES_PER_NAUTICAL_MILE
KN_PER_MPH = 1609.344 / METRES_PER_NAUTICAL_MILE
HPA_PER_BAR = 1000.0
HPA_PER_INHG = 33.863886666667
DEG_PER_RAD = 57.29577951308232

# unit as a person writes it -> (dimension, factor, offset): value_in_house_unit = factor * value + offset
UNITS: dict[str, tuple[str, float, float]] = {
    "kn": ("speed", 1.0, 0.0),
    "m/s": ("speed", KN_PER_MS, 0.0),
    "km/h": ("speed", KN_PER_KMH, 0.0),
    "mph": ("speed", KN_PER_MPH, 0.0),
    "deg": ("angle", 1.0, 0.0),
    "rad": ("angle", DEG_PER_RAD, 0.0),
    "m": ("length", 1.0, 0.0),
    "ft": ("length", METRES_PER_FOOT, 0.0),
    "fathom": ("length", METRES_PER_FATHOM, 0.0),
    "degC": ("temperature", 1.0, 0.0),
    "degF": ("temperature", 5.0 / 9.0, -160.0 / 9.0),
    "K": ("temperature", 1.0, -273.15),
    "hPa": ("pressure", 1.0, 0.0),
    "mbar": ("pressure", 1.0, 0.0),
    "bar": ("pressure", HPA_PER_BAR, 0.0),
    "Pa": ("pressure", 0.01, 0.0),
    "inHg": ("pressure", HPA_PER_INHG, 0.0),
    "deg/min": ("turn", 1.0, 0.0),
    "deg/s": ("turn", 60.0, 0.0),
    "rad/s": ("turn", 60.0 * DEG_PER_RAD, 0.0),
}

# Spellings met in headings and units rows, beside the names above (common practice, no source).
_SPELLINGS = {
    "kt": "kn",
    "kts": "kn",
    "knot": "kn",
    "knots": "kn",
    "mps": "m/s",
    "m s-1": "m/s",
    "km/hr": "km/h",
    "kmh": "km/h",
    "kph": "km/h",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "deg t": "deg",
    "deg m": "deg",
    "°t": "deg",
    "°m": "deg",
    "radians": "rad",
    "metre": "m",
    "metres": "m",
    "meters": "m",
    "feet": "ft",
    "°c": "degC",
    "c": "degC",
    "°f": "degF",
    "f": "degF",
    "mb": "mbar",
    "°/s": "deg/s",
    "°/min": "deg/min",
}
_BY_LOWER = {name.lower(): name for name in UNITS} | _SPELLINGS


def unit_named(text: str) -> str | None:
    """The unit of `UNITS` that `text` names, brackets and case aside; None if there is none."""
    bare = text.strip().strip("[](){}").strip()
    return bare if bare in UNITS else _BY_LOWER.get(bare.lower())
