"""Geodesy and units: published lines on the ellipsoid, to their last digit."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from geographiclib.test.test_geodesic import GeodesicTest
from scipy import constants

from pipeline import units
from pipeline.angles import difference
from pipeline.wind.geodesy import distance_and_courses


def dms(degrees: int, minutes: int, seconds: float) -> float:
    return np.copysign(abs(degrees) + minutes / 60.0 + seconds / 3600.0, degrees)


def test_20_lines_of_the_standard_test_set() -> None:
    # GeodesicTest.testcases, shipped with geographiclib 2.1: Karney's published set, s12 to 1e-8 m, azimuths to 1e-12
    cases = np.array(GeodesicTest.testcases)
    assert len(cases) == 20
    lat1, lon1, azi1, lat2, lon2, azi2, s12 = cases[:, :7].T
    distance, set_out, arrive = distance_and_courses(lat1, lon1, lat2, lon2)
    np.testing.assert_allclose(distance, s12, rtol=0, atol=1e-8)
    np.testing.assert_allclose(difference(set_out, azi1), 0.0, atol=1e-10)
    np.testing.assert_allclose(difference(arrive, azi2), 0.0, atol=1e-10)
    first = list(cases[0, [0, 1, 3, 4, 6]])
    assert first == [35.60777, -139.44815, -11.17491, -69.95921, 8935244.5604818305]


@pytest.mark.parametrize(
    ("start", "end", "distance_m", "set_out_deg", "arrive_deg"),
    [
        # GeographicLib documentation
        ((-41.32, 174.81), (40.96, -5.50), 19959679.267, 161.067669986, 18.825195123),  # nearly antipodal
        ((40.6, -73.8), (51.6, -0.5), 5551759.400319, 51.198883, 107.821777),
    ],
)
def test_lines_of_the_library_s_documentation(
    start: tuple[float, float], end: tuple[float, float], distance_m: float, set_out_deg: float, arrive_deg: float
) -> None:
    distance, set_out, arrive = distance_and_courses(*start, *end)
    assert float(distance) == pytest.approx(distance_m, abs=1e-3)
    assert float(set_out) == pytest.approx(set_out_deg, abs=1e-6)
    assert float(arrive) == pytest.approx(arrive_deg, abs=1e-6)


def test_a_line_laid_off_by_the_library_we_rely_on() -> None:
    # GeographicLib documentation, direct problem: from Perth on 225 deg for 20 000 km
    end = Geodesic.WGS84.Direct(-32.06, 115.74, 225.0, 20_000_000.0)
    assert (end["lat2"], end["lon2"]) == pytest.approx((32.11195529, -63.95925278), abs=1e-8)
    # that line is a little longer than the shortest one, which ours is
    distance, _, _ = distance_and_courses(-32.06, 115.74, end["lat2"], end["lon2"])
    assert 19_980_000.0 < float(distance) < 20_000_000.0


def test_vincenty_s_classic_line() -> None:
    # Australian geodetic manual's example as quoted in several public test suites; GRS 80, whose difference from
    # WGS 84 is below 1e-7 m here
    start = dms(-37, 57, 3.72030), dms(144, 25, 29.52440)
    end = dms(-37, 39, 10.15610), dms(143, 55, 35.38390)
    distance, set_out, arrive = distance_and_courses(*start, *end)
    second = 1 / 3600
    assert float(distance) == pytest.approx(54972.271, abs=1e-3)
    assert float(set_out) == pytest.approx(dms(306, 52, 5.37), abs=0.01 * second)
    assert float(arrive) - 180.0 == pytest.approx(dms(127, 10, 25.07), abs=0.01 * second)


def test_near_antipodes_where_vincenty_fails() -> None:
    # read in a public test suite; GeographicLib
    assert float(distance_and_courses(0.0, 0.0, 0.5, 179.7)[0]) == pytest.approx(19944127.4208, abs=1e-4)


@pytest.mark.parametrize(
    ("start", "end", "distance_m"),
    [
        ((0.0, 0.0), (0.0, 1.0), 111319.4908),
        ((0.0, 0.0), (1.0, 0.0), 110574.3886),
        ((-1 / 120, 0.0), (1 / 120, 0.0), 1842.905),  # a minute of latitude on the equator,
        ((45 - 1 / 120, 0.0), (45 + 1 / 120, 0.0), 1852.196),  # at 45 deg
        ((90 - 1 / 60, 0.0), (90.0, 0.0), 1861.566),  # and at the pole
    ],
)
def test_degrees_and_minutes(start: tuple[float, float], end: tuple[float, float], distance_m: float) -> None:
    # GeographicLib
    assert float(distance_and_courses(*start, *end)[0]) == pytest.approx(distance_m, abs=5e-4)


def test_a_sphere_would_be_short() -> None:
    # haversine with R = 6371008.8 m: 5536892 m, 0.27 % short (plain arithmetic; why the ellipsoid is used)
    lat1, lon1, lat2, lon2 = np.radians([40.6, -73.8, 51.6, -0.5])
    h = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    sphere_m = 2 * 6371008.8 * np.arcsin(np.sqrt(h))
    assert sphere_m == pytest.approx(5536892.0, abs=1.0)
    ours_m = float(distance_and_courses(40.6, -73.8, 51.6, -0.5)[0])
    assert 1 - sphere_m / ours_m == pytest.approx(0.0027, abs=5e-5)


def test_missing_and_equal_positions() -> None:
    distance, set_out, arrive = distance_and_courses([np.nan, 50.0, 91.0], [1.0, -1.0, 0.0], 50.0, -1.0)
    np.testing.assert_array_equal(distance, [np.nan, 0.0, np.nan])
    assert np.isnan(set_out).all() and np.isnan(arrive).all()
    assert distance_and_courses([], [], [], [])[0].shape == (0,)
    assert distance_and_courses(np.zeros((2, 3)), 0.0, 0.0, 1.0)[0].shape == (2, 3)


def test_longitudes_beyond_the_date_line() -> None:
    # the same line whichever way the longitude is counted; checked against the library itself
    expected = Geodesic.WGS84.Inverse(10.0, 179.5, 11.0, -179.5)["s12"]
    for lon in (-179.5, 180.5):
        assert float(distance_and_courses(10.0, 179.5, 11.0, lon)[0]) == pytest.approx(expected, abs=1e-6)


def test_units_are_the_exact_ones() -> None:
    # 1 nmi = 1852 m: 1929 Monaco conference, SI brochure; scipy.constants
    assert units.METRES_PER_NAUTICAL_MILE == constants.nautical_mile == 1852.0
    assert pytest.approx(constants.knot, rel=1e-15) == 1.0 / units.KN_PER_MS
    assert constants.knot == 1852 / 3600
    assert pytest.approx(constants.kmh / constants.knot, rel=1e-15) == units.KN_PER_KMH
    assert pytest.approx(constants.mph / constants.knot, rel=1e-15) == units.KN_PER_MPH
    assert pytest.approx(constants.foot, rel=1e-15) == units.METRES_PER_FOOT
    assert pytest.approx(1.0 / constants.degree, rel=1e-15) == units.DEG_PER_RAD
    # 5551759.400319 m = 2997.7103 nmi
    assert pytest.approx(2997.7103, abs=5e-5) == 5551759.400319 / units.METRES_PER_NAUTICAL_MILE
