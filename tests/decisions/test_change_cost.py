"""What a change and a manoeuvre cost, on a boat that always sails at her surface but for known losses."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.decisions.as_sailed import as_sailed
from pipeline.decisions.change_cost import change_costs_of, span_s
from pipeline.decisions.change_pools import ALL, COMMON_ERROR, pool_changes
from pipeline.decisions.sail_change_kinds import kind_of_change, sail_changes_of
from tests.decisions.invented_season import BOAT, START, Leg, log_speed, made_season

DIP = (0.4, 30.0)  # of the speed, for so many seconds
REACH = [Leg(20, "LJ", 12.0, 85.0), Leg(20, "HJ", 12.0, 85.0)]


def costs_of(season):
    changes = sail_changes_of(season.segments, BOAT)
    return change_costs_of(as_sailed(season), season.fit, changes, BOAT.loa_m)


def speed(sail_set, tws=12.0, twa=85.0):
    return float(np.exp(log_speed(sail_set, np.array([tws]), np.array([twa])))[0])


def test_the_metres_lost_in_a_dip_are_found():
    row = costs_of(made_season(REACH, dips={20.0: DIP})).sail_changes.row(0, named=True)
    metres = DIP[0] * DIP[1] * speed("HJ") * 1852 / 3600
    assert (row["from_set"], row["to_set"], row["time"]) == ("LJ", "HJ", START + timedelta(minutes=20))
    assert row["lost_m"] == pytest.approx(metres, rel=0.06)
    assert row["lost_s"] == pytest.approx(DIP[0] * DIP[1], rel=0.06)
    assert row["lost_low_s"] < row["lost_s"] < row["lost_high_s"]


def test_a_slow_day_is_no_cost():
    slow = [Leg(20, "LJ", 12.0, 85.0, 0.9), Leg(20, "HJ", 12.0, 85.0, 0.94)]
    row = costs_of(made_season(slow)).sail_changes.row(0, named=True)
    assert row["lost_s"] == pytest.approx(0.0, abs=0.6)


@pytest.mark.parametrize(("twa", "counted"), [(45.0, "beat"), (150.0, "run")])
def test_on_beats_and_runs_velocity_made_good_counts(twa, counted):
    """For two minutes the boat sails 10 degrees off: her speed stays that of her surface, her progress does not."""
    off = twa + (10.0 if twa < 90 else -10.0)
    legs = [Leg(10, "LJ", 12.0, twa), Leg(1.5, "HJ", 12.0, off), Leg(10, "HJ", 12.0, twa)]
    row = costs_of(made_season(legs)).sail_changes.row(0, named=True)
    made = [speed("HJ", 12.0, a) * abs(np.cos(np.radians(a))) for a in (twa, off)]
    assert row["counted"] == counted
    assert row["lost_s"] == pytest.approx(90.0 * (1 - made[1] / made[0]), abs=1.5)


def test_a_change_too_near_the_end_of_the_log_has_no_cost():
    row = costs_of(made_season([Leg(20, "LJ", 12.0, 85.0), Leg(1, "HJ", 12.0, 85.0)])).sail_changes.row(0, named=True)
    assert row["lost_s"] is None and row["lost_m"] is None


def test_what_a_tack_loses_is_progress_to_windward():
    angles = np.linspace(42.0, -42.0, 15)
    turn = [Leg(1 / 60, "LJ", 12.0, a, 0.6) for a in angles]
    legs = [Leg(10, "LJ", 12.0, 45.0), *turn, Leg(0.4, "LJ", 12.0, -45.0, 0.8), Leg(10, "LJ", 12.0, -45.0)]
    found = costs_of(made_season(legs)).manoeuvres
    assert found["kind"].to_list() == ["tack"]
    pace = speed("LJ", 12.0, 45.0) * np.cos(np.radians(45.0)) * 1852 / 3600
    made = sum(0.6 * speed("LJ", 12.0, abs(a)) * np.cos(np.radians(a)) for a in angles) * 1852 / 3600
    true = len(angles) * pace - made + 24.0 * 0.2 * pace
    assert found["lost_m"][0] == pytest.approx(true, rel=0.1)


def test_spans_grow_with_the_boat():
    assert span_s(8.0) == (60.0, 90.0)
    assert span_s(30.0)[0] > 60.0 and span_s(30.0)[1] > 90.0


@pytest.mark.parametrize(
    ("before", "after", "kind"),
    [
        ("LJ", "HJ", "headsail change"),
        ("LJ", "SP", "spinnaker hoist"),
        ("SP", "HJ", "spinnaker drop"),
        ("MAIN", "LJ", "headsail hoist"),
        ("LJ", "LJ+R1", "reef"),
        ("LJ+R2", "LJ+R1", "shake"),
        ("LJ", "LJ+SP", "spinnaker hoist"),
        ("LJ", "LJ+HJ", "staysail up"),
        ("LJ+HJ", "HJ", "staysail down"),
        ("LJ", "unknown", "other"),
    ],
)
def test_kinds_of_change(before, after, kind):
    assert kind_of_change(before, after, BOAT) == kind


def test_a_state_held_only_while_changing_is_no_change_of_its_own():
    t = [datetime(2027, 6, 1, 12, m) for m in (0, 10, 12, 30)]
    rows = [(t[0], t[1], "LJ", "", "logged"), (t[1], t[2], "MAIN", "", "changing"), (t[2], t[3], "HJ", "", "logged")]
    segments = pl.DataFrame(rows, schema=["start", "end", "sail_set", "source", "quality"], orient="row")
    (change,) = sail_changes_of(segments, BOAT)
    assert (change.from_set, change.to_set, change.time) == ("LJ", "HJ", t[2])


def test_over_a_gap_there_is_no_change():
    t = [datetime(2027, 6, 1, 12, m) for m in (0, 10, 30, 40)]
    rows = [(t[0], t[1], "LJ", "", "logged"), (t[2], t[3], "HJ", "", "logged")]
    segments = pl.DataFrame(rows, schema=["start", "end", "sail_set", "source", "quality"], orient="row")
    assert sail_changes_of(segments, BOAT) == []


def changes_table(lost, kinds, errors, within=None):
    return pl.DataFrame(
        {
            "kind": kinds,
            "within": within or [None] * len(lost),
            "lost_s": lost,
            "lost_m": [4.0 * v for v in lost],
            "error_s": errors,
        },
        schema_overrides={"within": pl.String},
    )


def test_pooled_costs_hold_the_mean_and_resist_a_wrong_one():
    rng = np.random.default_rng(5)
    lost = [*rng.normal(8.0, 2.0, 60), 150.0]
    pooled = pool_changes(changes_table(lost, ["reef"] * 61, [2.0] * 61))
    row = pooled.table.filter(pl.col("kind") == "reef").row(0, named=True)
    assert row["lost_low_s"] < 8.0 < row["lost_high_s"]
    assert row["lost_s"] == pytest.approx(8.0, abs=0.8)
    assert row["lost_m"] == pytest.approx(4.0 * row["lost_s"])
    assert row["lost_high_s"] - row["lost_s"] >= 1.6 * COMMON_ERROR * row["lost_s"]


def test_a_kind_seen_once_leans_on_the_others():
    lost = [*np.tile([7.0, 8.0, 9.0], 10), 20.0]
    pooled = pool_changes(changes_table(lost, [*["reef"] * 30, "shake"], [3.0] * 31))
    assert 8.0 < pooled.seconds_of("shake") < 14.0
    assert pooled.seconds_of("never seen") == pooled.usual_s
    widths = {k: high - low for k, low, high in pooled.table.select("kind", "lost_low_s", "lost_high_s").rows()}
    assert widths["shake"] > widths["reef"] > 0
    assert ALL in widths


def test_changes_in_a_tack_are_not_pooled_and_too_few_say_nothing():
    within = ["tack"] * 5 + [None] * 2
    pooled = pool_changes(changes_table([50.0] * 5 + [5.0] * 2, ["reef"] * 7, [1.0] * 7, within))
    assert pooled.table.is_empty() and pooled.seconds_of("reef") is None
