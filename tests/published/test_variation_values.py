"""Magnetic variation against NOAA's published test values, in three editions of the World Magnetic Model."""

import csv
from pathlib import Path

import numpy as np
import pytest
from pygeomag import GeoMag

from pipeline.wind.variation import EDITIONS, OutOfModel, variation_along_track, variation_deg

TABLE = Path(__file__).parents[1] / "data" / "geomagnetic" / "wmm2025_test_values.csv"
# The tables are printed to 0.01 deg.
PRINTED_DEG = 0.005


def rows_of_the_table() -> list[dict[str, float]]:
    with TABLE.open(encoding="utf-8") as lines:
        rows = csv.DictReader(line for line in lines if not line.startswith("#"))
        return [{k: float(v) for k, v in row.items()} for row in rows]


def test_all_100_points_of_2025_to_their_last_digit() -> None:
    # CIRES-Geomagnetism/wmm, wmm/WMM2025_FINAL_TEST_VALUES.txt: 2025.0 to 2029.5, 0 to 98 km, 87 S to 89 N
    rows = rows_of_the_table()
    assert len(rows) == 100
    off = [variation_deg(r["lat_deg"], r["lon_deg"], r["year"], r["height_km"]) - r["declination_deg"] for r in rows]
    assert np.abs(off).max() < PRINTED_DEG


@pytest.mark.parametrize(
    ("year", "height_km", "lat", "lon", "expected"),
    [
        # CIRES-Geomagnetism/wmm, tests/WMM2025_TEST_VALUE_TABLE_FOR_REPORT.txt
        (2025.0, 0, 80, 0, 1.28),
        (2025.0, 0, 0, 120, -0.16),
        (2025.0, 0, -80, 240, 68.78),
        (2025.0, 100, 80, 0, 0.85),
        (2025.0, 100, 0, 120, -0.15),
        (2025.0, 100, -80, 240, 68.21),
        (2027.5, 0, 80, 0, 2.59),
        (2027.5, 0, 0, 120, -0.24),
        (2027.5, 0, -80, 240, 68.49),
        (2027.5, 100, 80, 0, 2.16),
        (2027.5, 100, 0, 120, -0.23),
        (2027.5, 100, -80, 240, 67.93),
        # NOAA, WMM2020testvalues.pdf, as quoted in boxpet/pygeomag, test/test_values/WMM2020testvalues.txt
        (2020.0, 0, 80, 0, -1.28),
        (2020.0, 0, 0, 120, 0.16),
        (2020.0, 0, -80, 240, 69.36),
        (2020.0, 100, 80, 0, -1.70),
        (2020.0, 100, 0, 120, 0.16),
        (2020.0, 100, -80, 240, 68.78),
        (2022.5, 0, 80, 0, 0.01),
        (2022.5, 0, 0, 120, -0.06),
        (2022.5, 0, -80, 240, 69.13),
        (2022.5, 100, 80, 0, -0.41),
        (2022.5, 100, 0, 120, -0.05),
        (2022.5, 100, -80, 240, 68.55),
    ],
)
def test_reports_of_the_editions(year: float, height_km: float, lat: float, lon: float, expected: float) -> None:
    assert variation_deg(lat, lon, year, height_km) == pytest.approx(expected, abs=PRINTED_DEG + 1e-6)


@pytest.mark.parametrize(
    ("year", "lat", "lon", "expected"),
    [
        # computed with pygeomag 1.1.0 and wmm-calculator 1.4.4, which agree
        (2026.0, 50.75, -1.30, 0.7507),
        (2026.0, 41.50, -71.35, -13.7192),
        (2026.0, 43.30, 5.35, 2.7288),
        (2026.0, -36.84, 174.80, 20.2888),
        (2024.5, 50.75, -1.30, 0.5865),  # edition of 2020
    ],
)
def test_sailing_waters(year: float, lat: float, lon: float, expected: float) -> None:
    assert variation_deg(lat, lon, year) == pytest.approx(expected, abs=0.001)


def test_beyond_every_edition_is_an_error() -> None:
    first, last = EDITIONS[0][0], EDITIONS[-1][1]
    for year in (first - 0.1, last + 0.1):
        with pytest.raises(OutOfModel, match=f"not for {year:.2f}"):
            variation_deg(50.75, -1.30, year)


def test_the_cells_of_a_track_are_finer_than_the_models_own_error() -> None:
    # stated error of declination at Cowes: sqrt(0.26^2 + (5417 / H)^2) = 0.3756 deg (pygeomag calculate_uncertainty)
    stated = GeoMag().calculate(50.75, -1.30, 0.0, 2026.0).calculate_uncertainty().d
    assert stated == pytest.approx(0.375618, abs=1e-5)
    rng = np.random.default_rng(4)
    lat, lon = 50.75 + rng.uniform(-1, 1, 40), -1.30 + rng.uniform(-1, 1, 40)
    exact = [variation_deg(a, b, 2026.0) for a, b in zip(lat, lon, strict=True)]
    assert np.abs(variation_along_track(lat, lon, 2026.0) - exact).max() < stated / 10
