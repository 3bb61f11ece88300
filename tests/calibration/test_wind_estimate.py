"""Known boats with hidden calibrations: what was hidden is found, and nothing where nothing is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.angles import wrap_180
from pipeline.calibration.wind_estimate import WIND, WindEstimate, set_quantile, wind_estimate
from pipeline.calibration.wind_fit import BY_SET
from pipeline.calibration.wind_pieces import pieces_of
from pipeline.calibration.wind_solve import GroundPrior, Solution
from pipeline.calibration.wind_symmetry import symmetry_by_day
from pipeline.campaign.boat_file import parse_boat
from pipeline.campaign.settings import Boat
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at
from pipeline.sailing.wind_of_samples import add_true_wind
from tests.known_boat.logs import boat_toml
from tests.known_boat.season import Options, sail_season
from tests.known_boat.truth import Truth

GROUND_SD = (0.003, 0.2, 0.8)


@dataclass(frozen=True)
class Sailed:
    truth: Truth
    boat: Boat
    samples: pl.DataFrame
    segments: pl.DataFrame
    sessions: pl.DataFrame

    def ground(self) -> GroundPrior:
        """What a perfect estimate would know of the ground's side."""
        cal = self.truth.calibration
        mean = np.array([cal.boat_speed_factor, cal.heading_offset_deg, cal.leeway_coefficient])
        return GroundPrior(mean, np.diag(np.square(GROUND_SD)))

    def estimate(self) -> WindEstimate:
        return wind_estimate(self.samples, self.segments, self.sessions, self.boat, ground_prior=self.ground())


def _sail(seed: int, kind: str, **options: object) -> Sailed:
    chosen = Options(**options)  # type: ignore[arg-type]
    truth, logs = sail_season(seed, kind, chosen)
    boat, problems = parse_boat(boat_toml(truth, chosen).encode())
    assert boat is not None, problems
    raw = pl.concat(logs).sort("time")
    segments = truth.timeline
    tags = set_at(raw["time"], segments)
    samples = add_true_wind(raw, boat, tags).samples
    return Sailed(truth, boat, samples, segments, find_sessions(samples["time"]))


@pytest.fixture(scope="module")
def hidden() -> Sailed:
    return _sail(31, "sportboat", days=8, hours=2.5, calibration="hidden")


@pytest.fixture(scope="module")
def found(hidden: Sailed) -> WindEstimate:
    return hidden.estimate()


def _truth(sailed: Sailed) -> np.ndarray:
    return np.array([getattr(sailed.truth.calibration, name) for name in WIND])


def test_hidden_calibration_is_found(hidden: Sailed, found: WindEstimate):
    """Half a season: twice the figures to be reached on a whole one, and within three standard deviations."""
    error = found.proposed[:3] - _truth(hidden)
    assert abs(_truth(hidden)[1]) > 1.0  # there is something to be found
    assert np.all(np.abs(error) < [0.8, 2.0, 0.03])
    assert np.all(np.abs(error) < 3.0 * found.sd[:3])
    assert found.known[0] and found.known[1]


def test_intervals_are_of_use(found: WindEstimate):
    assert np.all(found.sd[:3] < [0.5, 0.8, 0.02])
    np.testing.assert_allclose((found.high - found.proposed)[:3], 1.6448536 * found.sd[:3], rtol=1e-6)
    np.testing.assert_allclose(found.proposed - found.low, found.high - found.proposed, rtol=1e-9)
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance)), found.sd)
    assert np.linalg.eigvalsh(found.covariance).min() > 0.0


def test_intervals_of_sets_hold_for_all_of_them_together(found: WindEstimate):
    """Normal quantiles (SciPy) of a tenth shared among the sets that the data can speak of."""
    sets = [(k, known) for k, known in zip(found.parameters, found.known, strict=True) if k[0] == "upwash_deg"]
    count = sum(known for _, known in sets)
    assert count > 1
    at = [found.parameters.index(k) for k, _ in sets]
    factor = (found.high - found.proposed)[at] / found.sd[at]
    np.testing.assert_allclose(factor, stats.norm.ppf(1.0 - 0.1 / count / 2.0))
    assert factor[0] > 1.9


@pytest.mark.parametrize(("chance", "alone"), [(0.5, False), (0.02, False), (0.001, True)])
def test_each_sets_interval_stands_for_itself_once_the_sets_have_shown_that_they_are_not_as_in_use(
    chance: float, alone: bool
):
    """In upwash; the factor of wind speed keeps intervals that hold for all three sets together."""
    keys = [*WIND, *((name, s) for name in BY_SET for s in ("J1", "J2", "A2", "A4"))]
    known = [True] * len(WIND) + [True, True, False, True] * 2
    answer = Solution(np.zeros(0), np.zeros((0, 0)), 0.1, 0.4, (), chance)
    together = stats.norm.ppf(1.0 - 0.1 / 3 / 2.0)
    upwash = stats.norm.ppf(0.95) if alone else together
    assert set_quantile(keys, known, "upwash_deg", answer) == pytest.approx(upwash)
    assert set_quantile(keys, known, "aws_factor", answer) == pytest.approx(together)


def test_sets_come_with_their_own_figures(hidden: Sailed, found: WindEstimate):
    by_set = hidden.truth.calibration.upwash_by_set_deg
    rows = [(i, k[1]) for i, k in enumerate(found.parameters) if isinstance(k, tuple) and k[0] == "upwash_deg"]
    assert len(rows) >= 3
    z = [(found.proposed[i] - by_set[name]) / found.sd[i] for i, name in rows]
    assert np.max(np.abs(z)) < 3.5


def test_evidence_says_how_much_was_sailed(hidden: Sailed, found: WindEstimate):
    kinds = hidden.truth.manoeuvres["kind"]
    assert 0.6 * (kinds == "tack").sum() <= found.counts["tack"] <= 1.1 * (kinds == "tack").sum()
    assert found.counts["days"] == 8
    assert all("tack" in text for text in found.evidence[:3])


def test_direction_steps_at_tacks_show_the_upwash_left_in(found: WindEstimate):
    """With upwash left in, the computed wind comes from too far aft on either tack: it steps apart at each tack."""
    tacks = found.steps.filter(pl.col("kind") == "tack")
    apart = tacks.select(pl.when("to_starboard").then(1.0).otherwise(-1.0) * pl.col("twd_step_deg")).to_series()
    assert apart.mean() > 2.0 * apart.std() / np.sqrt(tacks.height)
    assert tacks["time"].is_sorted()


def test_without_the_grounds_answer_the_factor_is_left_blank(hidden: Sailed):
    alone = wind_estimate(hidden.samples, hidden.segments, hidden.sessions, hidden.boat)
    factor = WIND.index("aws_factor")
    assert not alone.known[factor]
    assert any("aws_factor" in r and "boat_speed_factor" in r for r in alone.correlation)
    assert alone.known[WIND.index("awa_offset_deg")]


def test_proposals_taken_are_not_proposed_again(hidden: Sailed, found: WindEstimate):
    """Written into boat.toml, the proposals stand: the next run proposes the same values."""
    written = "\n".join(
        ["[calibration]", *(f"{n} = {v!r}" for n, v in zip(WIND, found.proposed[:3].tolist(), strict=True)), ""]
    )
    text = boat_toml(hidden.truth, Options(calibration="hidden")).replace("[design]", written + "\n[design]")
    boat, problems = parse_boat(text.encode())
    assert boat is not None, problems
    raw = hidden.samples.select("time", "bsp", "awa", "aws", "hdg_mag", "heel", "pitch", "sog", "cog", "lat", "lon")
    again = wind_estimate(
        add_true_wind(raw, boat, set_at(raw["time"], hidden.segments)).samples,
        hidden.segments,
        hidden.sessions,
        boat,
        ground_prior=hidden.ground(),
    )
    np.testing.assert_allclose([again.in_use[n] for n in WIND], found.proposed[:3], rtol=1e-9)
    assert np.all(np.abs(again.proposed[:3] - found.proposed[:3]) < 0.35 * found.sd[:3])


def test_a_knocked_vane_shows_from_its_day_on():
    """2 deg in mid-season: the days after it differ from those before by that, within three standard errors."""
    sailed = _sail(33, "sportboat", days=8, hours=2.0, calibration="none", step=("awa_offset_deg", 2.0))
    days = sailed.estimate().per_day.filter(pl.col("parameter") == "awa_offset_deg")
    after = days["day"] >= sailed.truth.calibration.step_from
    low, high = days.filter(~after), days.filter(after)
    assert low.height >= 3 and high.height >= 3

    def mean(frame: pl.DataFrame) -> tuple[float, float]:
        weight = 1.0 / (frame["sd"].to_numpy() ** 2 + 0.4**2)  # 0.4 deg: the twist of the season's days
        return float(weight @ frame["estimate"].to_numpy() / weight.sum()), float(1.0 / weight.sum())

    (a, va), (b, vb) = mean(low), mean(high)
    assert b - a == pytest.approx(2.0, abs=3.0 * np.sqrt(va + vb))
    assert b - a > 3.0 * np.sqrt(va + vb)


def test_too_little_sailing_says_nothing(hidden: Sailed):
    few = hidden.samples.head(600)
    found = wind_estimate(few, hidden.segments, hidden.sessions, hidden.boat)
    assert found.known == (False, False, False)
    assert np.isnan(found.proposed).all()
    assert "too little" in found.evidence[0]


def test_no_samples_at_all(hidden: Sailed):
    none = hidden.samples.clear()
    found = wind_estimate(none, hidden.segments, find_sessions(none["time"]), hidden.boat)
    assert found.known == (False, False, False)
    assert found.per_day.is_empty() and found.steps.is_empty()


def test_symmetry_turns_with_the_offset(hidden: Sailed):
    """An offset put on top of the angles comes off again, day by day."""
    pieces, manoeuvres = pieces_of(hidden.samples, hidden.segments, hidden.sessions, hidden.boat)
    plain = symmetry_by_day(pieces, pieces.awa_deg, manoeuvres)
    turned = symmetry_by_day(pieces, wrap_180(pieces.awa_deg + 1.0), manoeuvres)
    np.testing.assert_array_equal(plain.day, turned.day)
    np.testing.assert_allclose(turned.offset_deg, plain.offset_deg - 1.0, atol=0.1)
