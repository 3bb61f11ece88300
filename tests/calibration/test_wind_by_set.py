"""Where upwash differs by sail set, the proposals take about half of it, and more, out of angles and borders.

How much is bounded by the wind's own shifts: a sail change on a reach moves the computed direction by half a degree a
degree of upwash, against shifts of three or four; so what counts is how near to the change it can be seen. The logs
here are kept to the second; for those kept to the minute see `tests/benchmarks/score_calibration.py`. The bias that
upwash left in gives a border is computed from the truth, without windows and fit: each set's true speed is seen at the
wind that the chain computes with the error, to first order in the crossing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest

from pipeline.calibration.wind_estimate import wind_estimate
from pipeline.calibration.wind_solve import GroundPrior
from pipeline.campaign.boat_file import parse_boat
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import set_at
from pipeline.sailing.wind_of_samples import add_true_wind
from tests.known_boat.logs import boat_toml
from tests.known_boat.season import Options, sail_season
from tests.known_boat.sensors import log_law
from tests.known_boat.truth import Truth

GROUND_SD = (0.003, 0.2, 0.8)
LEAST_MINUTES = 20.0
# Where two sets hardly part (log speed per deg, per kn), a border is anywhere and its bias says nothing.
LEAST_SLOPE = {"tws_kn": 0.003, "twa_deg": 0.0008}
STEP = {"tws_kn": 0.3, "twa_deg": 1.0}


def _log_speed(truth: Truth, sail_set: str, tws_kn: float, twa_deg: float) -> float:
    return float(np.log(truth.surface(sail_set, np.array([tws_kn]), np.array([twa_deg]))[0]))


def _seen(truth: Truth, sail_set: str, tws_kn: float, twa_deg: float, upwash_deg: float) -> tuple[float, float]:
    """By how much TWS and TWA are computed wrong where this upwash is left in; plane vectors, no leeway."""
    height = log_law(truth.boat.sensor_height_m)
    bsp = float(np.exp(_log_speed(truth, sail_set, tws_kn, twa_deg)))
    ahead, abeam = (
        tws_kn * height * np.cos(np.radians(twa_deg)) + bsp,
        tws_kn * height * np.sin(np.radians(twa_deg)),
    )
    awa, aws = np.degrees(np.arctan2(abeam, ahead)), np.hypot(ahead, abeam)
    shown = np.radians(awa + upwash_deg * max(120.0 - awa, 0.0) / 90.0)
    ahead, abeam = aws * np.cos(shown) - bsp, aws * np.sin(shown)
    return float(np.hypot(ahead, abeam) / height - tws_kn), float(np.degrees(np.arctan2(abeam, ahead)) - twa_deg)


def _border_biases(truth: Truth, left_in_deg: Mapping[str, float]) -> dict[str, list[float]]:
    """Bias of each true fixed-angle border between sets sailed long enough, in kn or deg."""
    minutes = truth.minutes_by_set()
    out: dict[str, list[float]] = {"tws_kn": [], "twa_deg": []}
    for a, b, mode, along, at, crossing in truth.borders().rows():
        if mode != "fixed-angle" or min(minutes.get(a, 0.0), minutes.get(b, 0.0)) < LEAST_MINUTES:
            continue
        tws, twa = (crossing, at) if along == "tws_kn" else (at, crossing)
        if not (4.0 < tws < 28.0 and 35.0 < twa < 170.0):
            continue
        moved = []
        for name in (a, b):
            d_tws, d_twa = _seen(truth, name, tws, twa, left_in_deg[name])
            moved.append(_log_speed(truth, name, tws - d_tws, twa - d_twa) - _log_speed(truth, name, tws, twa))

        def lead(by: float, along: str = along, tws: float = tws, twa: float = twa, a: str = a, b: str = b) -> float:
            place = (tws + by, twa) if along == "tws_kn" else (tws, twa + by)
            return _log_speed(truth, b, *place) - _log_speed(truth, a, *place)

        slope = (lead(STEP[along]) - lead(-STEP[along])) / (2.0 * STEP[along])
        if abs(slope) > LEAST_SLOPE[along]:
            out[along].append(-(moved[1] - moved[0]) / slope)
    return out


@dataclass(frozen=True)
class Scored:
    """Border biases as the season is and with the proposals applied; by set what the angle is wrong by (deg)."""

    before: dict[str, list[float]]
    after: dict[str, list[float]]
    angle_before_deg: list[float]
    angle_after_deg: list[float]
    held: list[bool]


def _season(seed: int, kind: str, **changed: float) -> Scored:
    options = Options(days=14, calibration="set-upwash", **changed)  # type: ignore[arg-type]
    truth, logs = sail_season(seed, kind, options)
    boat, problems = parse_boat(boat_toml(truth, options).encode())
    assert boat is not None, problems
    raw = pl.concat(logs).sort("time")
    samples = add_true_wind(raw, boat, set_at(raw["time"], truth.timeline)).samples
    cal = truth.calibration
    mean = np.array([cal.boat_speed_factor, cal.heading_offset_deg, cal.leeway_coefficient])
    found = wind_estimate(
        samples,
        truth.timeline,
        find_sessions(samples["time"]),
        boat,
        ground_prior=GroundPrior(mean, np.diag(np.square(GROUND_SD))),
    )
    said = {k: v for k, v, known in zip(found.parameters, found.proposed, found.known, strict=True) if known}
    by_set = cal.upwash_by_set_deg
    left_in = {s: u - said.get(("upwash_deg", s), said["upwash_deg"]) for s, u in by_set.items()}
    # share of the upwash law at the set's own mean apparent angle, the mean over a set's samples
    share = truth.samples.group_by("sail_set").agg(((120.0 - pl.col("awa_deg").abs()).clip(0.0) / 90.0).mean())
    shares = dict(share.rows())
    flown = [s for s, m in truth.minutes_by_set().items() if m >= LEAST_MINUTES]
    rows = {k[1]: i for i, k in enumerate(found.parameters) if isinstance(k, tuple) and k[0] == "upwash_deg"}
    return Scored(
        _border_biases(truth, by_set),
        _border_biases(truth, left_in),
        [by_set[s] * shares[s] for s in flown],
        [left_in[s] * shares[s] for s in flown],
        [bool(found.low[rows[s]] <= by_set[s] <= found.high[rows[s]]) for s in flown],
    )


@pytest.fixture(scope="module")
def seasons() -> list[Scored]:
    return [_season(51, "cruiser-racer"), _season(52, "staysail"), _season(53, "maxi")]


def _rms(values: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_proposals_by_set_make_angles_truer(seasons: list[Scored]):
    before = _rms([x for s in seasons for x in s.angle_before_deg])
    after = _rms([x for s in seasons for x in s.angle_after_deg])
    assert before > 0.3
    assert after < 0.55 * before
    for s in seasons:
        assert _rms(s.angle_after_deg) < 0.7 * _rms(s.angle_before_deg)


def test_proposals_by_set_take_about_half_of_the_bias_out_of_borders(seasons: list[Scored]):
    for along in ("tws_kn", "twa_deg"):
        before = [x for s in seasons for x in s.before[along]]
        after = [x for s in seasons for x in s.after[along]]
        assert len(before) >= 30
        assert _rms(after) < 0.56 * _rms(before), along


def test_in_a_steady_wind_most_of_it_goes():
    """With a third of the usual gusts and shifts the sail changes say nearly all: the method itself leaves little."""
    steady = _season(54, "sportboat", gusty=0.33)
    assert _rms(steady.angle_after_deg) < 0.45 * _rms(steady.angle_before_deg)
    for along in ("tws_kn", "twa_deg"):
        assert len(steady.before[along]) >= 10
        assert _rms(steady.after[along]) < 0.3 * _rms(steady.before[along]), along


def test_intervals_by_set_hold_the_truth(seasons: list[Scored]):
    held = [x for s in seasons for x in s.held]
    assert len(held) >= 15
    assert np.mean(held) >= 0.8
