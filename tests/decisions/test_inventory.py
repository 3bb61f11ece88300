"""Worth of sails and lists of sails, on boats whose answer can be told by hand or is known."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.campaign.campaign import Campaign
from pipeline.campaign.settings import Boat
from pipeline.decisions.inventory import take_stock
from pipeline.decisions.judged import MEANS_ERR, judge
from pipeline.decisions.rating import EXTRA_KEY, Rating, rating_of
from pipeline.decisions.season import Season
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES
from tests.decisions.inventory_fits import boat_of, conditions, constant, fit_of, with_sail
from tests.known_boat.boats import make_boat
from tests.known_boat.inventory_truth import true_costs

TWS, TWA = np.array([8.0, 9.0]), np.array([50.0, 55.0])
LIGHT, STRONG = np.array([[True, True], [False, False]]), np.array([[False, False], [True, True]])
START = datetime(2027, 6, 1, 10)
EQUAL_HOURS = conditions((8.0, 50.0, 1.0), (9.0, 50.0, 1.0))


def stock(
    boat: Boat,
    fitted: tuple[SeasonFit, np.ndarray],
    given: pl.DataFrame = EQUAL_HOURS,
    flown: tuple[tuple[str, float], ...] = (),
) -> dict[str, pl.DataFrame]:
    """The tables of a season with that fit; `flown`: sets and their hours, one after the other."""
    starts = np.cumsum([0.0, *(h for _, h in flown)])
    segments = pl.DataFrame(
        [
            (START + timedelta(hours=a), START + timedelta(hours=b), name, "log", "ok")
            for (name, _), a, b in zip(flown, starts, starts[1:], strict=False)
        ],
        schema=TABLES["segments"].columns,
        orient="row",
    )
    campaign = Campaign(Path(), boat, None, None, None, None, None, None, None, (), ())
    none = pl.DataFrame()
    fit, log_draws = fitted
    return take_stock(Season(campaign, none, segments, none, none, fit, log_draws, {}, given))


def row(tables: dict[str, pl.DataFrame], sail: str) -> dict:
    return tables["inventory"].filter(pl.col("sail") == sail).row(0, named=True)


def lists(tables: dict[str, pl.DataFrame], rule: str) -> list[str]:
    return tables["sail_lists"].filter(pl.col("rule") == rule)["sails"].to_list()


def light_and_heavy(light_kn: float, strong_kn: float) -> object:
    """A speed for 8 kn of wind, another for 9 kn."""
    return lambda tws, twa: np.where(tws < 8.5, light_kn, strong_kn)


TWO = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"})


def two_jibs() -> tuple[SeasonFit, np.ndarray]:
    """A makes 8 kn in light and 9 kn in strong air, B 7.5 and 10."""
    return fit_of({"A": light_and_heavy(8.0, 9.0), "B": light_and_heavy(7.5, 10.0)}, TWS, TWA)  # type: ignore[dict-item]


def test_cost_is_the_mean_of_the_seconds_lost_over_the_hours() -> None:
    given = conditions((8.0, 50.0, 3.0), (9.0, 55.0, 1.0))
    tables = stock(TWO, two_jibs(), given, flown=(("A", 2.0), ("B", 0.5), ("A+B", 0.25)))
    without_a, without_b = 3600 / 7.5 - 3600 / 8.0, 3600 / 9.0 - 3600 / 10.0
    assert row(tables, "A")["cost_s_per_nm"] == pytest.approx(0.75 * without_a)
    assert row(tables, "B")["cost_s_per_nm"] == pytest.approx(0.25 * without_b)
    assert row(tables, "A")["share_fastest"] == pytest.approx(0.75)
    assert (row(tables, "A")["covered_by"], row(tables, "B")["covered_by"]) == ("B", "A")
    assert row(tables, "A")["hours"] == pytest.approx(2.25) and row(tables, "B")["hours"] == pytest.approx(0.75)
    # The dearest first, what cannot be told last.
    assert tables["inventory"]["sail"].to_list() == ["A", "B", "MN"]


def test_without_doubt_the_interval_is_the_cost() -> None:
    found = row(stock(TWO, two_jibs()), "A")
    assert found["cost_low"] == pytest.approx(found["cost_s_per_nm"])
    assert found["cost_high"] == pytest.approx(found["cost_s_per_nm"])


def test_with_doubt_the_interval_of_a_useless_sail_holds_nothing_lost() -> None:
    fit = fit_of({"A": constant(8.0), "B": constant(8.0)}, TWS, TWA, sd=0.01)
    found = row(stock(TWO, fit), "A")
    # The larger of two speeds of 1 % doubt each: 8 kn is 450 s, a difference of 1.64 x 1.41 % is 10 s.
    assert found["cost_s_per_nm"] == pytest.approx(0.0, abs=1e-9)
    assert found["cost_low"] == 0.0 and found["cost_high"] == pytest.approx(10.0, abs=2.5)


def test_where_only_its_sets_are_supported_a_sail_has_no_cost_but_hours_uncovered() -> None:
    # B is not within reach in light air: that hour says nothing of what A costs.
    fit = fit_of(
        {"A": light_and_heavy(8.0, 10.0), "B": light_and_heavy(9.0, 9.0)},  # type: ignore[dict-item]
        TWS,
        TWA,
        reached={"B": STRONG},
    )
    found = row(stock(TWO, fit), "A")
    assert (found["hours_uncovered"], found["hours_judged"]) == (1.0, 1.0)
    assert found["cost_s_per_nm"] == pytest.approx(3600 / 9.0 - 3600 / 10.0)
    assert row(stock(TWO, fit), "MN")["hours_uncovered"] == 2.0


def test_a_set_within_reach_but_not_supported_stands_in_at_the_low_end_of_its_interval() -> None:
    boat = boat_of({"A": 20.0, "B": 30.0, "C": 10.0}, {"A": "A", "B": "B", "C": "C"})
    surfaces = {"A": constant(8.0), "B": constant(7.9), "C": constant(6.0)}
    fit = fit_of(surfaces, TWS, TWA, sd=0.01, supported={"B": LIGHT & STRONG})
    found = row(stock(boat, fit), "A")
    low_end = 7.9 * np.exp(-1.6448536 * 0.01)
    assert found["cost_s_per_nm"] == pytest.approx(3600 / low_end - 3600 / 8.0, rel=1e-6)
    assert found["covered_by"] == "B"
    # The dear end takes B 15 % slower than expected; were it not to stand in at all, it would be C's 150 s.
    assert 1.15 * 3600 / 7.9 - 3600 / 8.0 < found["cost_high"] < 3600 / 6.0 - 3600 / 8.0
    # Without C no supported set remains: then B tells nothing of what A costs.
    alone = row(stock(TWO, fit_of({"A": constant(8.0), "B": constant(7.9)}, TWS, TWA, supported={"B": STRONG})), "A")
    assert (alone["hours_judged"], alone["hours_uncovered"]) == (1.0, 1.0)


def test_the_cheap_end_allows_for_a_set_out_of_reach() -> None:
    # C is never flown at 8 kn, where B loses 450 s to A's 360: perhaps it would serve, losing little.
    boat = boat_of({"A": 20.0, "B": 30.0, "C": 10.0}, {"A": "A", "B": "B", "C": "C"})
    fit = fit_of({"A": constant(10.0), "B": constant(8.0), "C": constant(7.0)}, TWS, TWA, reached={"C": STRONG})
    found = row(stock(boat, fit), "A")
    assert (found["cost_s_per_nm"], found["cost_high"]) == (pytest.approx(90.0), pytest.approx(90.0))
    assert found["cost_low"] == pytest.approx(0.5 * 0.05 * 360.0 + 0.5 * 90.0)


def test_a_sail_barely_faster_may_be_worth_nothing_though_every_draw_favours_it_somewhere() -> None:
    # Faster than B by 0.1 %, with doubts of 2 % of its own in each condition.
    tws, twa = np.array([8.0, 9.0, 10.0]), np.array([50.0, 55.0, 60.0])
    fit, _ = fit_of({"A": constant(8.008), "B": constant(8.0)}, tws, twa, sd=0.02)
    draws = fit.log_speed[None] + np.random.default_rng(1).normal(0.0, 0.02, (200, 2, 3, 3))
    favours = np.maximum(draws[:, 0] - draws[:, 1], 0.0).mean(axis=(1, 2))
    assert np.quantile(favours, 0.05) > 0.002
    found = row(stock(TWO, (fit, draws), conditions(*((w, a, 1.0) for w in tws for a in twa))), "A")
    assert found["cost_s_per_nm"] == pytest.approx(450.0 - 450.0 / 1.001)
    assert found["cost_low"] == 0.0 and found["cost_high"] > 5.0


def test_a_set_needs_all_its_sails_and_a_sail_serves_all_its_sets() -> None:
    boat = boat_of({"A": 20.0, "B": 30.0, "S": 5.0}, {"A+S": "A S", "B+S": "B S", "B": "B"})
    surfaces = {"A+S": light_and_heavy(8.0, 7.0), "B+S": light_and_heavy(7.0, 9.0), "B": light_and_heavy(6.0, 8.5)}
    tables = stock(boat, fit_of(surfaces, TWS, TWA))  # type: ignore[arg-type]
    # Without S there is neither A+S in light nor B+S in strong air.
    staysail = 0.5 * (3600 / 6.0 - 3600 / 8.0) + 0.5 * (3600 / 8.5 - 3600 / 9.0)
    assert row(tables, "S")["cost_s_per_nm"] == pytest.approx(staysail)
    assert row(tables, "A")["cost_s_per_nm"] == pytest.approx(0.5 * (3600 / 7.0 - 3600 / 8.0))
    # A without S is dead weight: no list on the trade-off carries it so.
    assert all("A" not in sails.split() or "S" in sails.split() for sails in lists(tables, "trade-off"))


def test_a_reef_needs_no_sail_of_its_own() -> None:
    fit = fit_of({"A": light_and_heavy(8.0, 8.0), "A+R1": light_and_heavy(7.0, 9.0)}, TWS, TWA)  # type: ignore[dict-item]
    tables = stock(boat_of({"A": 20.0}, {"A": "A"}), fit)
    assert row(tables, "A")["share_fastest"] == 1.0 and row(tables, "A")["hours_uncovered"] == 2.0
    assert lists(tables, "trade-off") == ["MN A"]


def test_required_sails_and_the_mainsail_stay_aboard() -> None:
    boat = boat_of({"A": 20.0, "B": 30.0, "X": 7.0}, {"A": "A", "B": "B"}, required="B X")
    tables = stock(boat, two_jibs())
    assert row(tables, "B")["required"] and row(tables, "MN")["required"] and not row(tables, "A")["required"]
    assert row(tables, "B")["cost_s_per_nm"] > 0.0 and row(tables, "MN")["cost_s_per_nm"] is None
    table = tables["sail_lists"]
    assert all({"MN", "B", "X"} <= set(sails.split()) for sails in table["sails"])
    assert table.filter(pl.col("rule") == "trade-off")["weight_kg"].to_list() == [87.0, 107.0]


def test_a_sail_that_was_never_known_is_on_no_list_and_said_so() -> None:
    boat = boat_of({"A": 20.0, "B": 30.0, "Z": 9.0}, {"A": "A", "B": "B", "Z": "Z"})
    tables = stock(boat, two_jibs())
    assert row(tables, "Z")["cost_s_per_nm"] is None and row(tables, "Z")["hours"] == 0.0
    assert not any("Z" in sails.split() for sails in tables["sail_lists"]["sails"])
    assert any(note.endswith("not on any list: Z.") for note in tables["inventory_notes"]["note"])


def test_trade_off_and_lists_within_a_loss() -> None:
    tables = stock(TWO, two_jibs())
    loss = {"MN A": 0.5 * (400.0 - 360.0), "MN B": 0.5 * (480.0 - 450.0), "MN A B": 0.0}
    front = tables["sail_lists"].filter(pl.col("rule") == "trade-off")
    assert front.select("sails", "loss_s_per_nm").rows() == [
        (sails, pytest.approx(loss[sails])) for sails in ("MN A", "MN B", "MN A B")
    ]
    assert front["weight_kg"].to_list() == [70.0, 80.0, 100.0]
    assert lists(tables, "within 5 s/nm") == ["MN A B"] and lists(tables, "all sails") == ["MN A B"]


def test_limits_by_number_weight_and_both() -> None:
    boat = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"}, max_sails_aboard=2, max_sail_weight_kg=75.0)
    tables = stock(boat, two_jibs())
    assert lists(tables, "at most 2 sails") == ["MN B"]  # the faster
    assert lists(tables, "at most 75 kg") == ["MN A"] == lists(tables, "at most 2 sails and 75 kg")


def test_a_limit_that_nothing_keeps_to_gives_no_list_and_is_said() -> None:
    boat = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"}, max_sail_weight_kg=40.0)
    tables = stock(boat, two_jibs())
    assert lists(tables, "at most 40 kg") == []
    assert any("at most 40 kg" in note for note in tables["inventory_notes"]["note"])


def test_missing_weights_are_said_and_lists_go_by_number() -> None:
    boat = boat_of({"A": 20.0, "B": None}, {"A": "A", "B": "B"}, max_sails_aboard=2, max_sail_weight_kg=75.0)
    tables = stock(boat, two_jibs())
    assert lists(tables, "at most 2 sails") == ["MN B"] and lists(tables, "at most 75 kg") == []
    assert lists(tables, "trade-off") == [] and lists(tables, "trade-off by number") == ["MN B", "MN A B"]
    assert tables["sail_lists"]["weight_kg"].null_count() == tables["sail_lists"].height
    assert any("Weights are missing" in note and note.endswith("B.") for note in tables["inventory_notes"]["note"])


def test_a_list_that_leaves_conditions_uncovered_is_told_apart() -> None:
    # A alone is known in light air, and B is worth little in strong: yet without A an hour has no known set.
    boat = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"}, max_sails_aboard=2)
    fit = fit_of({"A": constant(8.0), "B": light_and_heavy(9.0, 8.1)}, TWS, TWA, reached={"B": STRONG})  # type: ignore[dict-item]
    tables = stock(boat, fit)
    assert lists(tables, "trade-off") == ["MN A", "MN A B"] and lists(tables, "at most 2 sails") == ["MN A"]
    assert tables["sail_lists"].filter(pl.col("rule") == "trade-off")["hours_uncovered"].to_list() == [0.0, 0.0]
    assert any("have no known set: A" in note for note in tables["inventory_notes"]["note"])
    # Limits that force it: the fewest hours uncovered come first.
    tight = boat_of({"A": 20.0, "B": 10.0}, {"A": "A", "B": "B"}, max_sail_weight_kg=60.0)
    forced = stock(tight, fit)["sail_lists"].filter(pl.col("rule") == "at most 60 kg").row(0, named=True)
    assert (forced["sails"], forced["hours_uncovered"]) == ("MN B", 1.0)
    # Lighter, and nothing lost where it is known: yet not proposed.
    assert lists(stock(tight, fit), "within 5 s/nm") == ["MN A"]


def test_a_fringe_that_one_sail_alone_reaches_forces_no_sail_aboard() -> None:
    boat = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"})
    fit = fit_of({"A": constant(8.0), "B": constant(8.1)}, TWS, TWA, reached={"B": STRONG})
    little, much = conditions((8.0, 50.0, 0.05), (9.0, 50.0, 9.95)), conditions((8.0, 50.0, 0.5), (9.0, 50.0, 9.5))
    assert lists(stock(boat, fit, little), "trade-off") == ["MN A", "MN B"]
    assert any(note.startswith("0.05 hours") for note in stock(boat, fit, little)["inventory_notes"]["note"])
    assert lists(stock(boat, fit, much), "trade-off") == ["MN A", "MN A B"]


def test_hours_in_which_a_list_flies_what_is_not_supported_are_said() -> None:
    fit = fit_of({"A": constant(8.0), "B": constant(7.9)}, TWS, TWA, sd=0.01, supported={"B": STRONG})
    table = stock(TWO, fit)["sail_lists"].filter(pl.col("rule") == "within 5 s/nm")
    assert table.select("sails", "hours_unsure").rows() == [("MN A", 0.0)]
    tight = boat_of({"A": 30.0, "B": 20.0}, {"A": "A", "B": "B"}, max_sail_weight_kg=70.0)
    only_b = stock(tight, fit)["sail_lists"].filter(pl.col("rule") == "at most 70 kg").row(0, named=True)
    assert (only_b["sails"], only_b["hours_unsure"], only_b["hours_uncovered"]) == ("MN B", 1.0, 0.0)
    assert only_b["loss_low"] < only_b["loss_s_per_nm"] < only_b["loss_high"]


def test_rating_enters_through_the_figures_given() -> None:
    assert rating_of(TWO) == Rating(1.0, False)
    assert Rating(1.2, True).corrected_loss(10.0, 500.0, 0.004) == pytest.approx(12.0 - 2.0)
    boat = with_sail(TWO, "A", rating_delta=0.05)
    tables = stock(boat, two_jibs())
    lost, seconds = 0.5 * (480.0 - 450.0), 0.5 * (480.0 + 360.0)
    assert row(tables, "A")["cost_s_per_nm"] == pytest.approx(lost)
    assert row(tables, "A")["cost_corrected_s_per_nm"] == pytest.approx(lost - 0.05 * seconds)
    assert lists(tables, "corrected time") == ["MN B"]
    assert any(EXTRA_KEY in note for note in tables["inventory_notes"]["note"])


def test_order_of_the_conditions_does_not_matter() -> None:
    fit = fit_of({"A": light_and_heavy(8.0, 9.0), "B": light_and_heavy(7.5, 10.0)}, TWS, TWA, sd=0.01)  # type: ignore[dict-item]
    given = conditions((8.0, 50.0, 3.0), (9.0, 55.0, 1.0), (8.0, 55.0, 0.5))
    one, other = stock(TWO, fit, given), stock(TWO, fit, given.reverse())
    for name in ("inventory", "sail_lists"):
        assert_frame_equal(one[name], other[name], rel_tol=1e-12, abs_tol=1e-12)


def test_nothing_known_gives_empty_typed_tables() -> None:
    empty = fit_of({"unlogged": constant(8.0)}, TWS, TWA)
    for boat in (TWO, boat_of({}, {})):
        tables = stock(boat, empty)
        assert tables["sail_lists"].height == 0 and tables["inventory"].height == len(boat.sails)
        assert tables["inventory"]["cost_s_per_nm"].null_count() == len(boat.sails)
        for name in ("inventory", "sail_lists"):
            columns = TABLES[name].columns
            assert list(tables[name].schema.items())[: len(columns)] == list(columns.items())


@pytest.mark.parametrize("kind", ["cruiser-racer", "maxi"])
def test_known_boat_without_doubt_has_its_true_costs(kind: str) -> None:
    known = make_boat(kind, 4)
    tws, twa = np.arange(6.0, 24.0), np.arange(35.0, 176.0, 5.0)

    def surface(name: str):
        return lambda w, a: known.speed_kn(name, w, a)

    sets = {s.name: " ".join(s.forward) for s in known.sets.values() if s.declared}
    boat = boat_of({s.code: s.weight_kg for s in known.sails if s.code != "MN"}, sets)
    fit, log_draws = fit_of({name: surface(name) for name in known.sets}, tws, twa)
    rng = np.random.default_rng(0)
    given = conditions(*((float(w), float(a), float(rng.uniform(0.01, 1.0))) for w in tws for a in twa))
    tables = stock(boat, (fit, log_draws), given)

    class TruthOfBoat:
        flown = tuple(known.sets)
        boat = known

        @staticmethod
        def surface(name: str, w: np.ndarray, a: np.ndarray) -> np.ndarray:
            return known.speed_kn(name, w, a)

    true = true_costs(TruthOfBoat, judge(fit, log_draws, given, boat), boat)  # type: ignore[arg-type]
    assert set(true) == set(boat.sails) - {"MN"}
    for code, (of_all, of_known) in true.items():
        assert row(tables, code)["cost_s_per_nm"] == pytest.approx(of_all, abs=1e-9)
        assert of_known == pytest.approx(of_all, abs=1e-9)


def test_what_conditions_share_is_doubted_more_than_the_draws_say():
    fit, log_draws = fit_of({"J1": constant(8.0)}, TWS, TWA, sd=0.01)
    judged = judge(fit, log_draws, EQUAL_HOURS, boat_of({"J1": 20.0}, {"J1": "J1"}))
    here = log_draws[:, 0, 0, 0]
    assert MEANS_ERR > 1 and here.std() > 0.005
    for drawn in judged.log_draws[:, 0].T:
        np.testing.assert_allclose(drawn - here.mean(), MEANS_ERR * (here - here.mean()), atol=1e-12)
