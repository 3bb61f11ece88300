"""Proposals on paper: what a person may paste must read back as what was meant."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calibration.proposals import (
    CANNOT_SAY,
    NO_CHANGE,
    PROPOSED,
    Proposal,
    calibration_toml,
    on_paper,
)
from pipeline.campaign.boat_file import read_boat
from pipeline.campaign.settings import DEFAULT_CORRECTIONS, Calibration, Corrections

JULY = datetime(2027, 7, 2)
BOAT = """
[boat]
name = "Paper"
loa_m = 10.0
[instruments]
wind_sensor_height_m = 15.0
time_zone = "Pacific/Auckland"
[sails.MN]
kind = "mainsail"
station = "mast"
[sails.G2]
kind = "spinnaker"
station = "bowsprit"
[[sail_sets]]
name = "G2"
sails = ["MN", "G2"]
"""


def proposal(parameter: str = "awa_offset_deg", **changes: object) -> Proposal:
    plain = Proposal(parameter, None, None, None, in_use=0.0, proposed=2.04, low=1.8, high=2.3)
    return replace(plain, **changes)  # type: ignore[arg-type]


def read_back(text: str, folder: Path) -> Calibration:
    path = folder / "boat.toml"
    path.write_text(BOAT + text, encoding="utf-8")
    return read_boat(path)[0].calibration


def test_verdicts() -> None:
    assert proposal().verdict == PROPOSED
    assert proposal(low=-0.1).verdict == NO_CHANGE
    assert proposal(proposed=None, low=None, high=None).verdict == CANNOT_SAY
    assert [proposal(low=-0.1).on_paper, proposal(proposed=None).on_paper, proposal().on_paper] == [0.0, 0.0, 2.0]


def test_only_what_the_data_exclude_is_changed() -> None:
    before = Calibration(boat=replace(DEFAULT_CORRECTIONS, aws_factor=1.02))
    after = on_paper(
        before,
        [
            proposal(),
            proposal("heading_offset_deg", low=-0.5),
            proposal("aws_factor", in_use=1.02, proposed=None, low=None, high=None),
            proposal("upwash_deg", sail_set="G2", proposed=1.26, low=0.7, high=1.8),
        ],
    )
    assert after.boat == replace(DEFAULT_CORRECTIONS, aws_factor=1.02, awa_offset_deg=2.0)
    assert after.periods == ()
    assert after.sets == {"G2": Corrections(upwash_deg=1.3)}
    assert before.boat.awa_offset_deg == 0.0


def test_values_by_set_are_taken_together_or_not_at_all() -> None:
    """One set's interval excludes the value in use: the others' and the boat's go with it; a blank one stays blank."""
    boat = proposal("upwash_deg", proposed=0.31, low=-0.5, high=1.1)
    near = proposal("upwash_deg", sail_set="J1", proposed=0.44, low=-0.2, high=1.0)
    blank = proposal("upwash_deg", sail_set="A2", proposed=None, low=None, high=None)
    far = proposal("upwash_deg", sail_set="G2", proposed=1.26, low=0.7, high=1.8)
    assert on_paper(Calibration(), [boat, near, blank]) == Calibration()
    after = on_paper(Calibration(), [boat, near, blank, far])
    assert after.boat.upwash_deg == 0.3
    assert after.sets == {"G2": Corrections(upwash_deg=1.3), "J1": Corrections(upwash_deg=0.4)}


def test_periods_of_a_drift_replace_those_in_force() -> None:
    before = Calibration(
        periods=((datetime(2027, 6, 1), Corrections(awa_offset_deg=9.0, leeway_coefficient=9.5)),),
    )
    after = on_paper(
        before, [proposal(proposed=0.01, low=-0.3, high=0.3), proposal(start=JULY, proposed=-2.0, low=-2.4, high=-1.6)]
    )
    assert after.boat.awa_offset_deg == 0.0
    assert after.periods == (
        (datetime(2027, 6, 1), Corrections(leeway_coefficient=9.5)),
        (JULY, Corrections(awa_offset_deg=-2.0)),
    )


def test_equal_neighbours_make_one_period() -> None:
    after = on_paper(Calibration(), [proposal(), proposal(start=JULY)])
    assert after.periods == ()
    assert after.boat.awa_offset_deg == 2.0


def test_a_parameter_of_no_boat_file_is_refused() -> None:
    with pytest.raises(ValueError, match="no calibration parameter 'deviation'"):
        on_paper(Calibration(), [proposal("deviation")])


def test_text_reads_back(tmp_path: Path) -> None:
    meant = Calibration(
        boat=replace(DEFAULT_CORRECTIONS, boat_speed_factor=1.031, awa_offset_deg=-1.2),
        periods=((JULY, Corrections(awa_offset_deg=0.8)), (datetime(2027, 8, 1, 9, 30), Corrections(upwash_deg=2.0))),
        sets={"G2": Corrections(upwash_deg=1.5, aws_factor=0.99)},
    )
    text = calibration_toml(meant, {"awa_offset_deg": "from 110 tacks\non 16 days"})
    assert "awa_offset_deg = -1.2  # from 110 tacks on 16 days" in text
    assert "from = 2027-07-02T00:00:00Z" in text
    assert '[calibration.sets."G2"]' in text
    assert read_back(text, tmp_path) == meant


numbers = st.floats(-20, 20).map(lambda v: round(v, 3))
some = st.builds(
    Corrections,
    boat_speed_factor=st.none() | st.floats(0.6, 1.9),
    heading_offset_deg=st.none() | numbers,
    awa_offset_deg=st.none() | numbers,
    aws_factor=st.none() | st.floats(0.6, 1.9),
    upwash_deg=st.none() | numbers,
    leeway_coefficient=st.none() | st.floats(0, 40),
).filter(lambda c: c != Corrections())
moments = st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)).map(lambda d: d.replace(microsecond=0))


@settings(deadline=None)
@given(periods=st.dictionaries(moments, some, max_size=3), factor=st.floats(0.6, 1.9))
def test_any_calibration_reads_back(
    periods: dict[datetime, Corrections], factor: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    meant = Calibration(
        boat=replace(DEFAULT_CORRECTIONS, boat_speed_factor=factor), periods=tuple(sorted(periods.items()))
    )
    assert read_back(calibration_toml(meant), tmp_path_factory.mktemp("paper")) == meant
