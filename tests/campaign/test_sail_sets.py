"""Names of sail sets, and back."""

from itertools import combinations
from pathlib import Path

import pytest

from pipeline.campaign.boat_file import parse_boat
from pipeline.campaign.sail_sets import reefs_of, sails_of, set_name

TEXT = (Path(__file__).parent.parent / "data" / "sandpiper.toml").read_text()
BOAT, _ = parse_boat(TEXT.encode())


@pytest.mark.parametrize(
    ("drawing", "reefs", "name"),
    [
        ({"MN", "G2", "ST"}, 0, "G2+ST"),  # named; a made-up name would follow the order of the file
        ({"MN", "J1", "ST"}, 1, "upwind+R1"),
        ({"MN", "G2", "J2"}, 0, "J2+G2"),
        ({"MN", "J1"}, 2, "J1+R2"),
        ({"MN"}, 0, "MAIN"),
        ({"MN"}, 3, "MAIN+R3"),
        (set(), 1, "BARE"),
        ({"G2"}, 1, "G2"),  # the mainsail is left out of a name, whether it is up or not
        ({"G2", "ST"}, 0, "ST+G2"),
    ],
)
def test_names(drawing, reefs, name):
    assert set_name(drawing, reefs, BOAT) == name
    assert set(sails_of(name, BOAT)) == (drawing | {"MN"} if drawing else drawing)


@pytest.mark.parametrize("name", ["unlogged", "unknown", "", "G9", "J1+", "G2+ST+", "J1+R0", "J1-MN"])
def test_what_is_no_set_has_no_sails(name):
    assert sails_of(name, BOAT) is None


def test_every_combination_with_the_mainsail_has_a_name_of_its_own():
    names = {}
    for size in range(len(BOAT.sails)):
        for others in combinations([c for c in BOAT.sails if c != "MN"], size):
            drawing = tuple(c for c in BOAT.sails if c == "MN" or c in others)
            for reefs in range(3):
                name = set_name(drawing, reefs, BOAT)
                told = (drawing, reefs)
                assert names.setdefault(name, told) == told
                assert sails_of(name, BOAT) == drawing
                assert reefs_of(name, BOAT) == told[1]


def test_a_trysail_takes_the_place_of_the_mainsail():
    boat, _ = parse_boat((TEXT + '\n[sails.TRY]\nkind = "mainsail"\nstation = "mast"\narea_m2 = 9\n').encode())
    assert set_name({"TRY", "J2"}, 0, boat) == "J2+TRY"
    assert sails_of("J2+TRY", boat) == ("J2", "TRY")


def test_a_sail_coded_like_a_reef_is_not_taken_for_one():
    boat, _ = parse_boat(TEXT.replace("[sails.J2]", "[sails.R2]").encode())
    assert sails_of("J1+R2", boat) == ("MN", "J1", "R2")
    assert reefs_of("J1+R2", boat) == 0
