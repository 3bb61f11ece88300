"""Sets that make a neighbour unnecessary."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.decisions.judged import judge
from pipeline.decisions.redundancy import set_overlap
from tests.decisions.inventory_fits import Surface, boat_of, conditions, fit_of

TWS, TWA = np.arange(8.0, 13.0), np.array([90.0])
HOURS = conditions(*((w, 90.0, 1.0) for w in TWS))
CROSSOVERS = pl.DataFrame({"set_a": ["A"], "set_b": ["B"]})
BOAT = boat_of({"A": 20.0, "B": 30.0}, {"A": "A", "B": "B"})


def rises(start_kn: float, by_wind: float) -> Surface:
    return lambda tws, twa: start_kn * np.exp(by_wind * (tws - 10.0))


def overlap(slope: float, sd: float = 0.0005, **known: dict[str, np.ndarray]) -> pl.DataFrame:
    """A and B are equal at 10 kn; B gains `slope` a knot on A."""
    fit, draws = fit_of({"A": rises(8.0, 0.0), "B": rises(8.0, slope)}, TWS, TWA, sd=sd, **known)  # type: ignore[arg-type]
    return set_overlap(judge(fit, draws, HOURS, BOAT), BOAT, CROSSOVERS)


def flying_on(table: pl.DataFrame, stays: str) -> dict:
    return table.filter(pl.col("sail_set") == stays).row(0, named=True)


def test_loss_and_the_worst_place_of_flying_on() -> None:
    found = flying_on(overlap(0.03), "A")
    # B leads at 11 and 12 kn, by 3 and 6 per cent of log speed.
    loss = 100 * np.array([1 - np.exp(-0.03), 1 - np.exp(-0.06)])
    assert (found["neighbour"], found["hours"], found["share_known"]) == ("B", 2.0, 1.0)
    assert found["loss_pct"] == pytest.approx(loss.mean()) and found["worst_pct"] == pytest.approx(loss[1])
    assert (found["worst_tws_kn"], found["worst_twa_deg"]) == (12.0, 90.0)
    assert found["loss_low_pct"] < found["loss_pct"] < found["loss_high_pct"]
    assert (found["verdict"], found["frees"]) == ("needed", "B")


def test_a_neighbour_worth_less_than_a_hundredth_is_unnecessary() -> None:
    assert flying_on(overlap(0.002), "A")["verdict"] == "unnecessary"
    assert flying_on(overlap(0.002, sd=0.02), "A")["verdict"] == "open"


def test_what_is_known_only_in_part_is_not_called_unnecessary() -> None:
    near = {"A": np.array([[True], [True], [True], [True], [False]])}
    found = flying_on(overlap(0.002, reached=near), "A")
    assert found["share_known"] == 0.5 and found["verdict"] == "open"


def test_a_set_that_needs_the_same_sails_is_no_neighbour_to_leave() -> None:
    boat = boat_of({"A": 20.0}, {"A": "A"})
    fit, draws = fit_of({"A": rises(8.0, 0.0), "A+R1": rises(8.0, 0.03)}, TWS, TWA)
    pairs = pl.DataFrame({"set_a": ["A"], "set_b": ["A+R1"]})
    assert set_overlap(judge(fit, draws, HOURS, boat), boat, pairs).is_empty()


def test_without_borders_there_is_nothing_to_say() -> None:
    fit, draws = fit_of({"A": rises(8.0, 0.0), "B": rises(8.0, 0.03)}, TWS, TWA)
    assert set_overlap(judge(fit, draws, HOURS, BOAT), BOAT, CROSSOVERS.clear()).is_empty()
