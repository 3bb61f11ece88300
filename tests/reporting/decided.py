"""Invented decision tables for the season of `conftest`, few rows each."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from pipeline.reporting.records.frames import DECISIONS

BEGIN = datetime(2027, 6, 12, 10, 0)


def table(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows of a decision table; columns that a row does not name are blank."""
    schema = DECISIONS[name]
    unknown = {c for r in rows for c in r} - set(schema)
    assert not unknown, f"{name} has no columns {unknown}"
    return pl.DataFrame([dict.fromkeys(schema) | r for r in rows], schema=schema)


def make_card() -> pl.DataFrame:
    both = {"limit_aws_kn": 16.0, "verdict": "clear"}
    return table(
        "card",
        [
            both
            | {"set_a": "J1", "set_b": "J2", "mode": "close-hauled", "read": "aws", "limit_aws_kn": 40.0}
            | {"aws_kn": 19.5, "awa_deg": 25.0, "low": 18.0, "high": 21.0, "either_from": 19.0, "either_to": 20.5}
            | {"change_up_at": 20.0, "change_down_at": 18.5, "tws_kn": 14.0, "twa_deg": 45.0},
            both
            | {"set_a": "J1", "set_b": "G1", "mode": "fixed-angle", "read": "awa", "verdict": "one-sided"}
            | {"aws_kn": 13.0, "awa_deg": 62.0, "high": 66.0, "either_to": 63.0, "change_up_at": 63.0}
            | {"tws_kn": 12.0, "twa_deg": 90.0},
            both
            | {"set_a": "J1", "set_b": "G1", "mode": "fixed-angle", "read": "awa"}
            | {"aws_kn": 17.5, "awa_deg": 68.0, "low": 65.0, "high": 72.0, "either_from": 67.0, "either_to": 70.0}
            | {"change_up_at": 70.0, "change_down_at": 66.0, "tws_kn": 16.0, "twa_deg": 95.0},
            both
            | {"set_a": "G1", "set_b": "G2+ST", "mode": "running", "read": "aws"}
            | {"aws_kn": 15.5, "awa_deg": 120.0, "low": 14.0, "high": 17.0, "either_from": 15.0, "either_to": 16.0}
            | {"change_up_at": 16.5, "change_down_at": 14.5, "tws_kn": 19.0, "twa_deg": 150.0},
        ],
    )


def make_rules() -> pl.DataFrame:
    rows = []
    for at, up, down in ((60.0, 1.2, 0.8), (65.0, 1.6, None), (70.0, 2.6, 1.0)):
        for minutes in (5.0, 15.0, 30.0, 60.0):
            rows.append(
                {"set_a": "J1", "set_b": "J2", "mode": "fixed-angle", "along": "tws_kn", "at": at, "crossing": 14.0}
                | {"minutes_ahead": minutes, "up_aws_kn": up * 5.0 / minutes}
                | {"down_aws_kn": None if down is None else down * 5.0 / minutes}
                | {"cost_up_s": 4.0, "cost_down_s": 6.0}
            )
    rows += [
        {"set_a": "J1", "set_b": "G1", "mode": "fixed-angle", "along": "twa_deg", "at": 12.0, "crossing": 90.0}
        | {"minutes_ahead": minutes, "up_awa_deg": 30.0 / minutes, "cost_up_s": 5.0, "cost_down_s": 5.0}
        for minutes in (5.0, 15.0, 30.0, 60.0)
    ]
    return table("change_rules", rows)


def make_costs() -> pl.DataFrame:
    rows = [
        ("all", 30, 18, 4.2, 3.1, 5.3),
        ("spinnaker peel", 10, 8, 5.5, 4.0, 7.0),
        ("headsail change", 20, 10, 3, 1, 5),
    ]
    names = ("kind", "changes", "measured", "lost_s", "lost_low_s", "lost_high_s")
    return table("change_costs", [dict(zip(names, r, strict=True)) | {"lost_m": 17.0} for r in rows])


def make_plan() -> pl.DataFrame:
    first = {"along": "tws_kn", "at": 60.0, "crossing": 14.0, "worth_s_per_nm": 0.4}
    return table(
        "test_plan",
        [
            first
            | {"rank": 1, "set_a": "J1", "set_b": "J2", "tws_kn": 14.0, "twa_deg": 60.0}
            | {"band_now": 4.2, "band_after_half_hour": 2.4, "open_now": True, "open_after": False},
            first
            | {"rank": 2, "set_a": "J1", "set_b": "G1", "along": "twa_deg", "tws_kn": 9.0, "twa_deg": 90.0}
            | {"band_now": 12.0, "open_now": False},
        ],
    )


def make_day() -> pl.DataFrame:
    rows = []
    for low, rank, one, other in ((8.0, 2, "J1", "G1"), (12.0, 1, "J2", "J1")):
        for k, (start, minutes, fly) in enumerate(((0.0, 7.5, one), (7.5, 15.0, other), (22.5, 7.5, one)), 1):
            rows.append(
                {"wind_from_kn": low, "wind_to_kn": low + 4, "order": k, "start_minute": start, "minutes": minutes}
                | {"sail_set": fly, "against": other if fly == one else one, "tws_kn": low + 1, "twa_deg": 60.0}
                | {"tacks": "one tack", "rank": rank, "narrows": "as in test_plan"}
            )
    return table("training_day", rows)


def make_review(races: int = 3, stretches: int = 14) -> pl.DataFrame:
    """Losses 0 to 13 s in every race, the last stretch not judged; race k lies k days later."""
    rows = []
    for race in range(races):
        for k in range(stretches):
            start = BEGIN + timedelta(days=race, minutes=4 * k)
            known = k < stretches - 1
            rows.append(
                {"race": f"race {race + 1}", "start": start, "end": start + timedelta(minutes=4), "flown": "J1"}
                | {"fastest_measured": "J2" if k else "J1", "fastest_designed": "J1", "minutes": 4.0}
                | {"tws_kn": 14.0, "twa_deg": -60.0, "likelier": "J2" if k == 3 else None}
                | (
                    {
                        "loss_pct": k / 2.4,
                        "loss_low_pct": 0.0,
                        "loss_high_pct": k / 1.2,
                        "loss_s": k + 0.1 * race * (k > 0),
                    }
                    | {"loss_low_s": 0.5 * k, "loss_high_s": 2.0 * k + 1.0, "chance_slower": k / stretches}
                    if known
                    else {}
                )
            )
    return table("race_review", rows)


def make_totals(races: int = 3) -> pl.DataFrame:
    rows = []
    for race in range(races):
        start = BEGIN + timedelta(days=race)
        rows.append(
            {"race": f"race {race + 1}", "start": start, "finish": start + timedelta(hours=1), "minutes": 56.0}
            | {"covered_minutes": 52.0, "loss_s": 78.0 + race, "loss_low_s": 39.0, "loss_high_s": 169.0}
            | {"likely_s": 90.0, "beyond_doubt_s": 20.0, "changes": 4, "late_changes": 2, "early_changes": 1}
            | {"unpaid_changes": 0}
        )
    blank = {"race": "race unknown", "start": BEGIN + timedelta(days=races), "minutes": 5.0, "covered_minutes": 0.0}
    return table("race_totals", [*rows, blank])


def make_change_review() -> pl.DataFrame:
    verdicts = (
        ("in time", 1.0, 0.9),
        ("late", 9.0, 0.6),
        ("late", 20.0, 0.8),
        ("did not pay", 6.0, 0.7),
        ("untested", None, None),
    )
    return table(
        "change_review",
        [
            {"race": "race 1", "race_start": BEGIN, "time": BEGIN + timedelta(minutes=9 * k), "from_set": "J1"}
            | {"to_set": "J2", "kind": "headsail change", "verdict": verdict, "seconds": s, "known_share": known}
            | {"seconds_low": None if s is None else s / 2, "seconds_high": None if s is None else 2 * s}
            | {"minutes_late": 3.0 if verdict == "late" else None, "gain_s": s, "cost_s": 4.0}
            for k, (verdict, s, known) in enumerate(verdicts)
        ],
    )


def make_unheard() -> pl.DataFrame:
    """Three windows of the first doubtful stretch."""
    begin = make_audit()["start"][0]
    rows = [(begin + timedelta(minutes=k), make_audit()["logged"][0]) for k in range(3)]
    return pl.DataFrame(rows, schema=DECISIONS["unheard_windows"], orient="row")


def make_audit() -> pl.DataFrame:
    return table(
        "tag_audit",
        [
            {"start": BEGIN + timedelta(hours=k), "end": BEGIN + timedelta(hours=k, minutes=20), "logged": "J1"}
            | {"likelier": "J2", "odds": odds, "minutes": 20.0, "windows": 12, "chance": 0.8}
            | {"off_logged_pct": 4.5, "off_likelier_pct": -0.3}
            for k, odds in enumerate((12.0, 5e6))
        ],
    )


def make_times() -> pl.DataFrame:
    verdicts = ("as logged", "late", "early", "open", "as logged")
    return table(
        "change_times",
        [
            {"time": BEGIN + timedelta(hours=k), "from_set": "J1", "to_set": "G1", "verdict": verdict}
            | {"likelier": BEGIN + timedelta(hours=k, minutes=-3), "odds": 4.0 + k}
            | {"low": BEGIN + timedelta(hours=k, minutes=-4), "high": BEGIN + timedelta(hours=k, minutes=-2)}
            for k, verdict in enumerate(verdicts)
        ],
    )


def make_manoeuvres() -> pl.DataFrame:
    rows = []
    for k in range(12):
        start = BEGIN + timedelta(minutes=10 * k)
        lost = None if k == 11 else 5.0 + k
        rows.append(
            {
                "start": start,
                "end": start + timedelta(seconds=50),
                "kind": "tack",
                "lost_m": None if lost is None else 3 * lost,
            }
            | {"lost_s": lost, "sail_set": "J1", "counted": "beat"}
        )
    return table(
        "manoeuvres",
        [*rows, {"start": BEGIN, "end": BEGIN, "kind": "gybe", "lost_m": 8.0, "lost_s": 2.0, "counted": "run"}],
    )


def make_beyond() -> pl.DataFrame:
    rows = [("G1", "G1", 17.0, 16.0, 2.0), ("G1", "G1", 20.0, 16.0, 3.0), ("J2", "J2", 41.0, 40.0, 9.0)]
    return table(
        "beyond_limits",
        [
            {"start": BEGIN, "end": BEGIN + timedelta(minutes=minutes), "sail_set": name, "sail": sail}
            | {"aws_max_kn": aws, "limit_kn": limit, "minutes": minutes}
            for name, sail, aws, limit, minutes in rows
        ],
    )


def make_limit_cells(best: pl.DataFrame) -> pl.DataFrame:
    """G1 is beyond its limit from 14 kn on, G2+ST from 23 kn on, wherever the chart goes."""
    parts = [
        best.filter(pl.col("tws_kn") >= above)
        .select("tws_kn", "twa_deg")
        .with_columns(sail_set=pl.lit(name), sail=pl.lit(sail), aws_kn=pl.lit(limit + 1), limit_kn=pl.lit(limit))
        for name, sail, above, limit in (("G1", "G1", 14.0, 16.0), ("G2+ST", "G2", 23.0, 24.0))
    ]
    return pl.concat(parts).select(pl.col(c).cast(t) for c, t in DECISIONS["limit_cells"].items())


def make_inventory() -> pl.DataFrame:
    rows = [("J2", 0.1, 0.0, 0.8), ("G1", 2.3, 1.1, 4.5), ("J1", 0.9, 0.4, 1.4), ("MN", None, None, None)]
    return table(
        "inventory",
        [
            {
                "sail": sail,
                "hours": 5.0,
                "share_fastest": 0.25,
                "cost_s_per_nm": cost,
                "cost_low": low,
                "cost_high": high,
            }
            | {"hours_uncovered": 1.2, "weight_kg": 44.0, "covered_by": "J1 G2+ST", "required": sail == "MN"}
            | {"hours_judged": 20.0, "cost_corrected_s_per_nm": cost}
            for sail, cost, low, high in rows
        ],
    )


def make_lists() -> pl.DataFrame:
    rows = [
        ("all sails", "", 260.0, 0.0, 0.0, 0.0),
        ("trade-off", "J2", 210.0, 0.4, 0.1, 1.2),
        ("trade-off", "", 260.0, 0.0, 0.0, 0.0),
        ("trade-off", "J2 G1", 170.0, 3.0, 1.0, 9.0),
        ("within 2 s/nm", "J2", 210.0, 0.4, 0.1, 1.2),
    ]
    return table(
        "sail_lists",
        [
            {"rule": rule, "sails": " ".join(c for c in ("MN", "J1", "J2", "G1") if c not in ashore.split())}
            | {"left_ashore": ashore, "weight_kg": weight, "loss_s_per_nm": loss, "loss_low": low, "loss_high": high}
            | {"number": 4 - len(ashore.split()), "hours_uncovered": 0.0, "hours_unsure": 0.5}
            | {"loss_corrected_s_per_nm": loss}
            for rule, ashore, weight, loss, low, high in rows
        ],
    )


def make_overlap() -> pl.DataFrame:
    rows = [("J1", "J2", 3.0, "needed"), ("J2", "J1", 0.3, "unnecessary"), ("G1", "G2+ST", 1.0, "open")]
    return table(
        "set_overlap",
        [
            {
                "sail_set": stays,
                "neighbour": goes,
                "hours": 4.0,
                "share_known": 0.97,
                "loss_pct": loss,
                "verdict": verdict,
            }
            | {
                "loss_low_pct": loss - 0.2,
                "loss_high_pct": loss + 0.4,
                "loss_s_per_nm": 4 * loss,
                "worst_pct": 2 * loss,
            }
            | {"worst_tws_kn": 14.0, "worst_twa_deg": 60.0, "frees": "J1"}
            for stays, goes, loss, verdict in rows
        ],
    )


def make_areas() -> pl.DataFrame:
    rows = [("J1", -0.2, -1.0, 0.8, "untested"), ("G1", 1.5, 0.4, 2.2, "grew"), ("J2", -2.0, -3.0, -1.1, "shrank")]
    return table(
        "area_changes",
        [
            {"sail_set": name, "hours_designed": 5.0, "hours_tested": 3.0, "hours_measured": 3.0 + change}
            | {"change_hours": change, "change_low": low, "change_high": high, "gained_from": "J2", "lost_to": ""}
            | {"verdict": verdict}
            for name, change, low, high, verdict in rows
        ],
    )


def make_speeds() -> pl.DataFrame:
    rows = [
        ("J1", 10.0, -3.0, "slower"),
        ("J1", 11.0, -5.0, "slower"),
        ("J1", 12.0, 0.4, "as predicted"),
        ("G1", 12.0, 0.2, "as predicted"),
    ]
    return table(
        "speed_comparison",
        [
            {
                "sail_set": name,
                "tws_kn": tws,
                "twa_deg": 60.0,
                "predicted_kn": 8.0,
                "measured_kn": 8.0 * (1 + off / 100),
            }
            | {"difference_pct": off, "low_pct": off - 1, "high_pct": off + 1, "verdict": verdict, "provisional": True}
            for name, tws, off, verdict in rows
        ],
    )


def make_gaps() -> pl.DataFrame:
    place = {"tws_low_kn": 8.0, "tws_high_kn": 11.0, "twa_low_deg": 100.0, "twa_high_deg": 115.0, "sets": "J1 G1"}
    hollow = {
        "depth_pct": 1.4,
        "depth_low_pct": 0.6,
        "depth_high_pct": 2.2,
        "deepest_tws_kn": 9.0,
        "deepest_twa_deg": 105.0,
    }
    many = [place | {"kind": "no set known", "hours": 0.1 * (k + 1)} for k in range(12)]
    return table("chart_gaps", [*many, place | hollow | {"kind": "hollow", "hours": 2.0}])


def make_breaks() -> pl.DataFrame:
    row = {"sail_set": "G2+ST", "rule": "one sail to a station", "sails": "G2 ST", "what": "has 2 sails on 'bowsprit'"}
    return table("rule_breaks", [row | {"minutes": 42.0}, row | {"sail_set": "G1", "minutes": 0.0}])


def make_tracks(races: int = 3) -> pl.DataFrame:
    """Each race sails to the north-east for an hour, a point every 20 s; race 2 is reckoned, race 3 knows no place."""
    rows = []
    for race in range(races):
        start = BEGIN + timedelta(days=race)
        for k in range(180):
            placed = race % 3 != 2
            rows.append(
                {"race": f"race {race + 1}", "race_start": start, "time": start + timedelta(seconds=20 * k)}
                | {"east_nm": 0.02 * k if placed else None, "north_nm": 0.03 * k if placed else None}
                | {"basis": ("position", "reckoned", None)[race % 3], "bsp_kn": 8.0}
                | {"tws_kn": 13.0 + 0.01 * k, "twd_deg": (355.0 + 0.1 * k) % 360.0}
            )
    return table("race_tracks", rows)


def make_decisions(best: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Every decision table, by name."""
    return {
        "card": make_card(),
        "change_rules": make_rules(),
        "change_costs": make_costs(),
        "sail_changes": table("sail_changes", []),
        "manoeuvres": make_manoeuvres(),
        "race_review": make_review(),
        "race_totals": make_totals(),
        "race_tracks": make_tracks(),
        "change_review": make_change_review(),
        "tag_audit": make_audit(),
        "unheard_windows": make_unheard(),
        "change_times": make_times(),
        "test_plan": make_plan(),
        "training_day": make_day(),
        "beyond_limits": make_beyond(),
        "limit_cells": make_limit_cells(best),
        "inventory": make_inventory(),
        "inventory_notes": table("inventory_notes", [{"topic": "worth", "note": "Judged by 20.0 of 22.0 hours."}]),
        "sail_lists": make_lists(),
        "set_overlap": make_overlap(),
        "area_changes": make_areas(),
        "speed_comparison": make_speeds(),
        "chart_gaps": make_gaps(),
        "rule_breaks": make_breaks(),
    }
