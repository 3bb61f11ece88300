"""Magnetic variation against NOAA's published test values."""

import pytest

from pipeline.wind.variation import variation_deg


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
        # the same repository, tests/WMM2025_FINAL_TEST_VALUES_HIGHPREC.txt
        (2025.0, 28, 89, -121, -99.77),
        (2025.0, 48, 80, -96, -29.91),
        (2025.0, 54, 82, 87, 54.89),
        (2025.0, 65, 43, 93, 0.50),
    ],
)
def test_noaa_test_values(year: float, height_km: float, lat: float, lon: float, expected: float) -> None:
    assert variation_deg(lat, lon, year, height_km) == pytest.approx(expected, abs=0.0051)


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
