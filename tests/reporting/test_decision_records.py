"""The records of the decisions against the tables they come from."""

from __future__ import annotations

import re
from dataclasses import replace
from statistics import median

import numpy as np
import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.reporting.figures.range_drawing import draw_range, scale_of
from pipeline.reporting.figures.trade_off_drawing import draw_trade_off
from pipeline.reporting.figures.trade_off_live import live_trade_off
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records import (
    audit,
    beyond,
    card,
    chart_room,
    costs,
    lists,
    practice,
    race_changes,
    races,
    stock,
)
from pipeline.reporting.records.frames import DECISIONS, complete
from pipeline.reporting.records.manoeuvres import manoeuvre_kinds, median_interval
from pipeline.reporting.records.reality import area_changes, prediction
from pipeline.reporting.run_records import build_records

Tables = dict[str, pl.DataFrame]
NUM = Numbers()


def test_card_lines_are_the_rows_of_the_table(tables: Tables, boat: Boat) -> None:
    found = card.card(tables, boat)
    assert [(p.set_a, p.set_b, p.mode, p.read) for p in found.pairs] == [
        ("J1", "J2", "close-hauled", "AWS"),
        ("J1", "G1", "fixed-angle", "AWA"),
        ("G1", "G2+ST", "running", "AWS"),
    ]
    shown = {(p.set_a, x.tws_kn, x.back_at, x.change_at, x.low, x.high) for p in found.pairs for x in p.lines}
    columns = ("set_a", "tws_kn", "change_down_at", "change_up_at", "low", "high")
    assert shown == set(tables["card"].select(columns).rows())
    assert (found.lines, found.rows, found.left_out) == (4, 7, 0)


def test_card_marks_what_is_beyond_a_makers_limit(tables: Tables, boat: Boat) -> None:
    beat, reach, run = card.card(tables, boat).pairs
    assert [(x.over_a, x.over_b) for x in beat.lines] == [(False, False)]
    assert [(x.over_a, x.over_b) for x in reach.lines] == [(False, False), (False, True)]  # 17.5 kn, G1 up to 16
    assert [(x.over_a, x.over_b) for x in run.lines] == [(False, False)]  # G1 again below 14.5, G2+ST from 16.5
    assert {x.sail: x.max_aws_kn for x in card.card(tables, boat).limits} == {"J2": 40.0, "G1": 16.0, "G2": 24.0}


def test_card_says_open_sides_and_missing_marks(tables: Tables, boat: Boat) -> None:
    beat, reach, _ = card.card(tables, boat).pairs
    first = reach.lines[0]
    assert card.either(first, reach, NUM) == "to 63°"
    assert card.interval(first, reach, NUM) == "to 66°"
    assert card.mark(first.back_at, reach, NUM) == "—"
    assert card.mark(18.5, beat, NUM) == "18.5 kn"
    assert card.mark(20.0, beat, NUM) == "20 kn"
    assert card.either(beat.lines[0], beat, NUM) == "19 to 20.5 kn"
    assert card.where(first, reach, NUM) == ("AWS 13 kn", "TWS 12 kn")
    assert card.where(beat.lines[0], beat, NUM) == ("close-hauled", "45° true")


def test_a_card_of_many_borders_keeps_the_surest_of_each_pair_on_one_sheet(tables: Tables, boat: Boat) -> None:
    one = tables["card"].filter(pl.col("verdict") == "clear").head(1)
    many = pl.concat(
        one.with_columns(
            set_a=pl.lit(f"A{pair}"),
            mode=pl.lit("fixed-angle"),
            high=pl.col("low") + 1.0 + k,
            tws_kn=pl.lit(float(k)),
            verdict=pl.lit("one-sided" if k == 0 else "clear"),
        )
        for pair in range(6)
        for k in range(9)
    )
    found = card.card(tables | {"card": many}, boat)
    assert found.rows <= card.MOST_LINES
    assert found.lines + found.left_out == many.height == 54
    assert len(found.pairs) == 6
    assert all(p.lines[0].tws_kn == 1.0 for p in found.pairs)  # the narrowest clear one, not the one-sided


def test_costs_are_those_of_the_table(tables: Tables) -> None:
    found = costs.change_cost(tables)
    assert found.overall is not None
    assert (found.overall.lost_s, found.overall.low_s, found.overall.high_s) == (4.2, 3.1, 5.3)
    assert [k.kind for k in found.kinds] == ["headsail change", "spinnaker peel"]
    assert costs.cost_words(found, NUM) == (
        "A change costs 4.2 s on average (3.1 to 5.3), measured at 18 of 30 logged changes."
    )


def test_rules_are_medians_along_the_border(tables: Tables) -> None:
    up, down, wider, closer = costs.change_cost(tables).rules
    frame = tables["change_rules"].filter((pl.col("set_b") == "J2") & (pl.col("minutes_ahead") == 15.0))
    assert up.margins[1] == costs.Margin(pytest.approx(median(frame["up_aws_kn"])), 3, 3)
    assert down.margins[1].value == pytest.approx(median(frame["down_aws_kn"].drop_nulls()))
    assert (down.margins[1].pays, down.margins[1].points) == (2, 3)
    assert (up.set_from, up.set_to, down.set_from, down.set_to) == ("J1", "J2", "J2", "J1")
    assert (up.cost_s, down.cost_s, up.unit) == (4.0, 6.0, "kn")
    assert [m.value for m in wider.margins] == [6.0, 2.0, 1.0, 0.5]
    assert (wider.unit, [m.value for m in closer.margins]) == ("deg", [None] * 4)


def test_practice_holds_the_plan_and_leads_with_the_wind_of_the_best_test(tables: Tables) -> None:
    found = practice.practice(tables)
    assert [(t.rank, t.now, t.after, t.unit) for t in found.trials] == [(1, 4.2, 2.4, "kn"), (2, 12.0, None, "deg")]
    assert [(o.from_kn, o.minutes, len(o.turns)) for o in found.orders] == [(12.0, 30.0, 3), (8.0, 30.0, 3)]
    assert practice.band_after(found.trials[0], NUM) == "2.4 kn"
    assert practice.band_after(replace(found.trials[0], open_after=True), NUM) == "at least 2.4 kn"
    assert practice.practice_words(found, NUM) == (
        "Practise next: J1 against J2 in 14 kn of true wind at 60°; half an hour should narrow that border from at "
        "least 4.2 kn to 2.4 kn."
    )


def test_races_and_stretches_are_ranked_by_loss_and_all_counted(tables: Tables) -> None:
    found = races.races(tables)
    assert [t.race for t in found.totals] == ["race 3", "race 2", "race 1", "race unknown"]
    assert len(found.judged) == 3
    review = tables["race_review"]
    lost = review.filter(pl.col("loss_s") > 0).sort("loss_s", descending=True)
    assert [s.loss_s for s in found.worst] == lost["loss_s"].head(races.MOST_STRETCHES).to_list()
    top, first = found.worst[0], lost.row(0, named=True)
    assert (top.loss_s, top.low_s, top.high_s, top.loss_pct) == tuple(
        first[c] for c in ("loss_s", "loss_low_s", "loss_high_s", "loss_pct")
    )
    assert (top.flown, top.measured, top.designed) == ("J1", "J2", "J1")
    here = (pl.col("tws_kn") == 14.0) & (pl.col("twa_deg") == 60.0) & pl.col("supported")
    told = {r["sail_set"]: r for r in tables["surfaces"].filter(here).iter_rows(named=True)}
    for speed, name in ((top.flown_speed, "J1"), (top.measured_speed, "J2")):
        assert speed is not None
        assert (speed.sail_set, speed.bsp_kn, speed.low_kn) == (name, told[name]["bsp_kn"], told[name]["bsp_low_kn"])
    dear, row = (
        found.totals[0],
        tables["race_totals"].sort("loss_s", descending=True, nulls_last=True).row(0, named=True),
    )
    assert (dear.loss_s, dear.low_s, dear.high_s, dear.beyond_doubt_s) == tuple(
        row[c] for c in ("loss_s", "loss_low_s", "loss_high_s", "beyond_doubt_s")
    )
    assert (dear.changes, dear.late, dear.early, dear.unpaid) == (4, 2, 1, 0)
    assert len(found.worst) + found.more + found.lossless + found.unjudged == review.height
    assert (found.more, found.lossless, found.unjudged, found.unjudged_minutes) == (6, 3, 3, 12.0)
    assert [s.likelier for s in found.worst if s.likelier] == ["J2"] * 3
    assert (
        races.race_answer(found, NUM)[0]
        == "In 3 races 237 s were lost against the sets measured fastest, 60 s of them beyond doubt."
    )


def test_races_without_a_log_are_named(tables: Tables) -> None:
    entered = tables["race_totals"].select(pl.lit("race 1").alias("name"), "start", "finish").head(1)
    entered = pl.concat([entered, entered.with_columns(name=pl.lit("the one before"))])
    assert races.races(tables, entered).silent == ("the one before",)
    nothing = races.races(complete({}), entered)
    assert "nothing" in races.race_answer(nothing, NUM)[0].lower()
    assert "No races were given" in races.race_answer(races.races(complete({})), NUM)[0]


def test_changes_in_races_by_verdict_the_dearest_first(tables: Tables) -> None:
    found = race_changes.reviewed_changes(tables)
    assert [(c.verdict, c.seconds) for c in found.shown] == [
        ("late", 20.0),
        ("late", 9.0),
        ("did not pay", 6.0),
        ("in time", 1.0),
        ("untested", None),
    ]
    assert found.counts == (("late", 2), ("did not pay", 1), ("in time", 1), ("untested", 1))


def test_audit_shows_moved_changes_and_counts_all(tables: Tables) -> None:
    found = audit.audit(tables)
    assert [t.odds for t in found.tags] == [5e6, 12.0]
    assert [t.verdict for t in found.times] == ["early", "late"]
    assert found.counts == (("late", 1), ("early", 1), ("as logged", 2), ("open", 1))
    words = audit.audit_words(found, NUM)
    assert "2 stretches" in words
    assert "of 5 logged changes whose time could be judged 2 logged late or early" in words
    assert words.endswith("Nothing was renamed. 3 steady windows under a doubtful name have no say in the surfaces.")
    heard = audit.audit({**tables, "unheard_windows": tables["unheard_windows"].clear()})
    assert audit.audit_words(heard, NUM).endswith("Nothing was renamed.")


@pytest.mark.parametrize(
    ("odds", "said"),
    [
        (12.4, "12 to 1"),
        (5e6, "over 1\u202f000 to 1"),
        (1.5, "1.5 to 1"),
        (0.02, "1 to 50"),
        (0.0, "1 to 1\u202f000"),
        (None, "—"),
    ],
)
def test_odds_in_words(odds: float | None, said: str) -> None:
    assert audit.odds_words(odds, NUM) == said


def test_manoeuvres_by_kind_with_an_interval_that_holds_the_median(tables: Tables) -> None:
    tack, gybe = manoeuvre_kinds(tables)
    assert (tack.kind, tack.number, tack.measured, tack.lost_s, tack.lost_m) == ("tack", 12, 11, 10.0, 30.0)
    assert (tack.low_s, tack.high_s) == (7.0, 13.0)  # third and ninth of eleven: 93 % by the binomial distribution
    assert (gybe.number, gybe.lost_s, gybe.low_s, gybe.high_s) == (1, 2.0, None, None)


def test_the_interval_of_a_median_holds_it_as_often_as_it_says() -> None:
    drawn = np.sort(np.random.default_rng(5).exponential(size=(4000, 15)), axis=1)
    ends = [median_interval(row) for row in drawn]
    held = np.mean([low <= np.log(2.0) <= high for low, high in ends if low is not None and high is not None])
    assert 0.90 <= held <= 0.98


def test_stretches_beyond_a_makers_limit_by_sail(tables: Tables, boat: Boat) -> None:
    found = beyond.beyond_limits(tables, boat)
    assert [(s.sail, s.stretches, s.minutes, s.aws_kn) for s in found.sails] == [
        ("J2", 1, 9.0, 41.0),
        ("G1", 2, 5.0, 20.0),
    ]
    assert [s.aws_kn for s in found.shown] == [20.0, 17.0, 41.0]  # furthest beyond by its own limit
    assert "3 stretches, most with J2 9 min, G1 5 min" in beyond.beyond_words(found, NUM)
    none = beyond.beyond_limits(complete({}), boat)
    assert "No stretch" in beyond.beyond_words(none, NUM)


def test_inventory_is_the_table_dearest_first_required_last(tables: Tables, boat: Boat) -> None:
    found = stock.stock(tables, boat)
    assert [(s.sail, s.cost_s, s.required) for s in found.sails] == [
        ("G1", 2.3, False),
        ("J1", 0.9, False),
        ("J2", 0.1, False),
        ("MN", None, True),
    ]
    assert stock.stock_answer(found, NUM) == (
        "Dearest to leave ashore: G1, 2.3 s a mile (1.1 to 4.5), and 1.2 h without any known set.",
        "Cheapest: J2, 0.1 s a mile (0.0 to 0.8), and 1.2 h without any known set.",
    )


def test_required_sails_are_never_named_as_the_cheapest(tables: Tables, boat: Boat) -> None:
    required = tables["inventory"].with_columns(required=pl.lit(True))
    assert "cannot be said" in stock.stock_answer(stock.stock(tables | {"inventory": required}, boat), NUM)[0]


def test_trade_off_is_drawn_from_the_table(tables: Tables, boat: Boat) -> None:
    found = lists.lists(tables, boat)
    assert [(p.weight_kg, p.loss_s, p.ashore) for p in found.curve.points] == [
        (170.0, 3.0, ("J2", "G1")),
        (210.0, 0.4, ("J2",)),
        (260.0, 0.0, ()),
    ]
    drawing = draw_trade_off(found.curve, narrow=False)
    assert drawing is not None
    for said in ("170 kg, without J2 G1: 3.0 s/nm (1.0 to 9.0)", "260 kg, all sails: 0.0 s/nm (0.0 to 0.0)"):
        assert said in drawing
    live = live_trade_off(found.curve)
    assert live is not None
    assert '"x":[170.0,210.0,260.0],"y":[3.0,0.4,0.0]' in live
    assert [x.rule for x in found.best] == ["within 2 s/nm"]
    assert lists.list_answer(found, NUM) == (
        "Best list within 2 s/nm: leave J2 ashore; it loses 0.4 s a mile (0.1 to 1.2).",
    )


def test_without_weights_the_curve_goes_by_number(tables: Tables, boat: Boat) -> None:
    rule = pl.col("rule").replace("trade-off", "trade-off by number")
    bare = tables["sail_lists"].with_columns(rule, weight_kg=pl.lit(None, pl.Float64))
    curve = lists.lists(tables | {"sail_lists": bare}, boat).curve
    assert [curve.at(p) for p in curve.points] == [2.0, 3.0, 4.0]
    assert "number" in str(draw_trade_off(curve, narrow=True))
    one = lists.TradeOff(True, curve.points[:1], None)
    assert draw_trade_off(one, narrow=True) is live_trade_off(one) is None


def test_areas_decided_first_and_speeds_by_set(tables: Tables) -> None:
    assert [(a.sail_set, a.verdict, a.change_h) for a in area_changes(tables)] == [
        ("J2", "shrank", -2.0),
        ("G1", "grew", 1.5),
        ("J1", "untested", -0.2),
    ]
    found = prediction(tables)
    j1, g1 = found.sets
    assert (j1.sail_set, j1.slower, j1.as_predicted, j1.faster, j1.places) == ("J1", 2, 1, 0, 3)
    assert j1.median_pct == -3.0
    assert j1.largest is not None
    assert (j1.largest.tws_kn, j1.largest.difference_pct) == (11.0, -5.0)
    assert g1.largest is None
    assert found.provisional


def test_room_on_the_chart(tables: Tables) -> None:
    found = chart_room.chart_room(tables)
    assert [(o.sail_set, o.verdict) for o in found.overlaps] == [
        ("J2", "unnecessary"),
        ("G1", "open"),
        ("J1", "needed"),
    ]
    hollow, unknown = found.gaps
    assert (hollow.kind, hollow.number, hollow.gaps[0].depth_pct) == ("hollow", 1, 1.4)
    assert (unknown.number, len(unknown.gaps), unknown.gaps[0].hours) == (12, chart_room.MOST_GAPS, pytest.approx(1.2))
    assert unknown.hours == pytest.approx(7.8)
    assert [b.minutes for b in found.breaks] == [42.0, 0.0]
    assert "J2 makes J1 unnecessary" in chart_room.overlap_answer(found, NUM)[0]


def test_small_figures_hold_their_numbers_and_stay_in_their_frame() -> None:
    scale = scale_of([1.0, None, -0.5, 4.0])
    assert scale == (-0.5, 4.0)
    assert scale_of([None]) == (0.0, 1.0)
    drawn = str(draw_range(1.0, 0.2, 40.0, scale, "s", sure=True))
    assert "1.0 s, interval 0.2 to 40.0." in drawn
    ends = [float(v) for v in re.findall(r'(?:x1|x2|cx)="([-0-9.]+)"', drawn)]
    assert min(ends) == 6.0
    assert max(ends) == 126.0  # cut at the frame, which ends 6 units before the edge
    assert draw_range(None, None, None, scale, "s", sure=False) is None


def test_records_of_empty_tables_are_empty(boat: Boat) -> None:
    found = build_records(complete({}), boat, None, None, ())
    assert found.card.pairs == found.practice.trials == found.races.totals == found.manoeuvres == found.areas == ()
    assert found.cost.overall is None
    assert found.lists.whole is None
    assert found.prediction.sets == found.room.gaps == found.stock.sails == found.audit.tags == ()


def test_tables_of_the_bare_format_get_their_further_columns_blank(tables: Tables) -> None:
    bare = {"race_review": tables["race_review"].select(tables["race_review"].columns[:10])}
    whole = complete(bare)
    assert set(whole["race_review"].columns) == set(DECISIONS["race_review"])
    assert races.races(whole).worst[0].chance_slower is None


def test_records_do_not_depend_on_the_order_of_rows(tables: Tables, boat: Boat) -> None:
    turned = {name: tables[name].reverse() for name in DECISIONS}
    names = (
        "card",
        "cost",
        "practice",
        "races",
        "race_changes",
        "audit",
        "manoeuvres",
        "beyond",
        "areas",
        "prediction",
        "room",
    )
    one = build_records(complete(tables), boat, None, None, ())
    other = build_records(complete({**tables, **turned}), boat, None, None, ())
    for name in names:
        assert getattr(one, name) == getattr(other, name), name
