"""One day left out in one step: exact at fixed parameters, and close to what a new fit without the day says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.surfaces import parameters
from pipeline.surfaces.day_blocks import covariance
from pipeline.surfaces.model import evaluate
from pipeline.surfaces.observations import observe
from pipeline.surfaces.season import SeasonFit, fit_season
from pipeline.surfaces.without_day import day_dates, day_numbers, leave_days_out
from tests.diagnostics.crossing_sets import BOAT, windows

Sail = Callable[..., SeasonFit]


def test_one_step_is_the_fit_without_the_day_at_its_parameters(sail: Sail) -> None:
    basis = sail(5).basis
    assert basis is not None
    theta = basis.posterior.theta
    for number, left in enumerate(leave_days_out(basis)):
        others = tuple(d for k, d in enumerate(basis.problem.days) if k != number)
        gone = basis.problem.days[number]
        # The likelihood of the others alone; rows of the day itself are not touched by any block.
        without = evaluate(
            replace(basis.problem, days=others), theta, basis.weights, with_gradient=False, with_root=True
        )
        assert left.mean == pytest.approx(without.mean, abs=1e-7)
        predicted = gone.x @ without.mean[gone.columns]
        assert left.error == pytest.approx(basis.problem.y[gone.block.rows] - predicted, abs=1e-7)
        doubt = without.root[:, gone.columns] @ gone.x.T
        assert left.model_covariance == pytest.approx(doubt.T @ doubt, abs=1e-9)
        v, _ = covariance(gone.block, parameters.named(theta), basis.weights.of(gone.block.rows))
        assert left.day_covariance == pytest.approx(v)


def test_one_step_agrees_with_a_new_fit(sail: Sail) -> None:
    # B goes 3 % better on one day: without it the border lies elsewhere, whichever way the day is left out.
    whole = sail(5, spoilt=(5, 0.03))
    assert whole.basis is not None
    left = list(leave_days_out(whole.basis))[5]
    rows = windows(5, spoilt=(5, 0.03))
    again = fit_season(rows.filter(pl.col("start").dt.date() != left.day), BOAT)
    names = ["tws_kn", "twa_deg"]

    def lead(fit: SeasonFit, log_speed: np.ndarray) -> pl.DataFrame:
        tws, twa = np.meshgrid(fit.tws_kn, fit.twa_deg, indexing="ij")
        ours = fit.supported.all(axis=0)
        return pl.DataFrame({"tws_kn": tws[ours], "twa_deg": twa[ours], "lead": (log_speed[1] - log_speed[0])[ours]})

    both = lead(whole, whole.log_speed).join(lead(whole, whole.log_speed_of(left.mean)), on=names, suffix="_step")
    both = both.join(lead(again, again.log_speed), on=names, suffix="_new")
    step, new = ((both[f"lead_{k}"] - both["lead"]).to_numpy() for k in ("step", "new"))
    assert both.height > 20
    assert new.mean() < -0.002
    assert step.mean() == pytest.approx(new.mean(), rel=0.25)
    assert np.abs(step - new).max() < 0.5 * np.abs(new).max()


def test_days_are_parted_by_nights(sail: Sail) -> None:
    basis = sail(5).basis
    assert basis is not None
    assert [d.isoformat() for d in day_dates(basis.seen)] == [f"2027-06-{d:02d}" for d in range(1, 16, 2)]
    assert np.array_equal(np.unique(day_numbers(basis.seen)), np.arange(8))


def starts_every(minutes: float, days: float) -> pl.DataFrame:
    n = int(days * 1440 / minutes)
    first = datetime(2027, 6, 1, 22)
    return (
        windows(5)
        .head(1)
        .select(pl.exclude("start", "end"))
        .join(pl.DataFrame({"start": [first + timedelta(minutes=minutes * k) for k in range(n)]}), how="cross")
        .with_columns(end=pl.col("start") + pl.duration(seconds=45))
    )


def test_a_sail_past_midnight_is_one_day_and_a_passage_several() -> None:
    night = observe(starts_every(2.0, 0.4))
    assert [d.day for d in day_dates(night)] == [1]
    passage = observe(starts_every(2.0, 4.0))
    numbers = day_numbers(passage)
    assert len(day_dates(passage)) == numbers.max() + 1 >= 3
    # No block of the fit is parted between two days.
    assert all(len(np.unique(numbers[passage.block == b])) == 1 for b in np.unique(passage.block))
