"""Kinds and areas of sails against published rules and formulae."""

import pytest

from pipeline.campaign.sail_measurements import (
    kind_by_ers,
    kind_by_old_rrs,
    mainsail_area_from_girths_m2,
    mainsail_area_with_quarter_m2,
    sail_area_m2,
    spinnaker_area_m2,
    three_width_area_m2,
)
from pipeline.campaign.settings import Sail


@pytest.mark.parametrize(
    ("half_width_m", "foot_m", "kind"),
    [
        # ERS 2021-2024, G.1.3 as quoted by a class (f18-international.org): 75 % and more is a spinnaker, equality
        # counts.
        (0.7500, 1.0, "spinnaker"),
        (0.7499, 1.0, "headsail"),
        (0.75 * 9.4, 9.4, "spinnaker"),
        # A rating office's notice of 20 November 2002 (ircrating.org): one sail measured two ways, 6.00 / 8.47 =
        # 70.84 % a headsail, 6.70 / 8.91 = 75.196 % a spinnaker.
        (6.00, 8.47, "headsail"),
        (6.70, 8.91, "spinnaker"),
    ],
)
def test_spinnaker_or_headsail_by_the_equipment_rules(half_width_m, foot_m, kind):
    ruled = kind_by_ers(half_width_m, foot_m)
    assert ruled.kind == kind
    assert ruled.rule == "ERS 2021-2024, G.1.3"


def test_shares_of_the_notice():
    assert kind_by_ers(6.00, 8.47).half_width_share == pytest.approx(0.7084, abs=5e-5)
    assert kind_by_ers(6.70, 8.91).half_width_share == pytest.approx(0.75196, abs=5e-6)


def test_the_older_racing_rule_says_headsail_up_to_half_the_foot():
    # RRS 50.4 of older editions (game.finckh.net/reg_ned/rrs_50.htm): mid-girth at most 50 % of the foot.
    assert kind_by_old_rrs(4.0, 8.0).kind == "headsail"
    assert kind_by_old_rrs(4.01, 8.0).kind is None


def test_one_sail_two_rules_two_answers():
    assert kind_by_ers(6.0, 10.0).kind == "headsail"
    assert kind_by_old_rrs(6.0, 10.0).kind is None
    assert kind_by_ers(6.0, 10.0).rule != kind_by_old_rrs(6.0, 10.0).rule


@pytest.mark.parametrize(
    ("foot", "half", "luff", "leech", "area"),
    # ISAF multihull rule as quoted at catsailor.com (post 10565); areas by plain arithmetic.
    [(8.0, 6.0, 16.0, 14.0, 80.0), (8.91, 6.70, 15.90, 14.90, 91.65567)],
)
def test_spinnaker_area(foot, half, luff, leech, area):
    assert spinnaker_area_m2(foot, half, luff, leech) == pytest.approx(area, abs=5e-6)


def test_spinnaker_area_at_three_quarters_is_the_short_formula():
    assert spinnaker_area_m2(8.0, 6.0, 16.0, 14.0) == pytest.approx(8.0 * 30.0 / 3.0, rel=1e-12)


def test_mainsail_from_girths():
    # phrf-lo.org, "New mainsail formula for 2018".
    assert mainsail_area_from_girths_m2(15, 5, 2.5, 1.25, 0.625, 0) == pytest.approx(37.5)
    assert mainsail_area_from_girths_m2(15, 5, 5, 5, 5, 5) == pytest.approx(75.0)
    assert mainsail_area_from_girths_m2(15, 5, 3.25, 1.9, 1.1, 0.2) == pytest.approx(44.625)


def test_mainsail_with_quarter_width():
    # forum.mc18.fr t=667, a class rule; parabolic roach of 0.6 m at mid-height: exact area 43.5, both formulae low.
    assert mainsail_area_with_quarter_m2(15, 5, 3.75, 2.5, 1.25, 0.625, 0) == pytest.approx(37.5)
    assert mainsail_area_with_quarter_m2(15, 5, 5, 5, 5, 5, 5) == pytest.approx(75.0)

    def width(h):
        return 5 * (1 - h) + 2.4 * h * (1 - h)

    widths = [width(h) for h in (0.5, 0.75, 0.875, 1.0)]
    assert mainsail_area_with_quarter_m2(15, 5, width(0.25), *widths) == pytest.approx(43.195, abs=1e-3)
    assert mainsail_area_from_girths_m2(15, 5, *widths) == pytest.approx(42.633, abs=1e-3)


def test_three_widths_are_exact_for_a_triangle_and_a_parabola():
    # Simpson's rule is exact for cubics: the roach above gives the exact 43.5.
    assert three_width_area_m2(15, 5, 2.5) == pytest.approx(37.5)
    assert three_width_area_m2(15, 5, 2.5 + 0.6) == pytest.approx(43.5)


def test_area_from_the_boat_file():
    assert sail_area_m2(Sail("G", "spinnaker", "b", luff_m=16, leech_m=14, foot_m=8, half_width_m=6)) == pytest.approx(
        80
    )
    assert sail_area_m2(Sail("G", "spinnaker", "b", luff_m=15, foot_m=8, half_width_m=6)) == pytest.approx(80)
    assert sail_area_m2(Sail("J", "headsail", "f", luff_m=15, perpendicular_m=5)) == pytest.approx(37.5)
    assert sail_area_m2(Sail("J", "headsail", "f", luff_m=15, perpendicular_m=5, half_width_m=2.5)) == pytest.approx(
        37.5
    )
    assert sail_area_m2(Sail("J", "headsail", "f", area_m2=40, luff_m=15, perpendicular_m=5)) == 40
    assert sail_area_m2(Sail("J", "headsail", "f", foot_m=5, half_width_m=2)) is None
