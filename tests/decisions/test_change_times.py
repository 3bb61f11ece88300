"""Times of sail changes told from the speeds, on a made-up afternoon with a known change; and the log that follows."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.signal import lfilter

from pipeline.campaign.boat_file import parse_boat
from pipeline.campaign.sail_log import read_sail_log
from pipeline.decisions.as_sailed import AsSailed
from pipeline.decisions.change_evidence import Case, Loss, log_likelihood, log_prior
from pipeline.decisions.change_times import change_times
from pipeline.decisions.corrected_log import suggested_log, write_suggested_log
from pipeline.decisions.speed_steps import Noise, Steps
from pipeline.sailing.sessions import find_sessions
from pipeline.sailing.tagging import tag_sail_sets
from pipeline.sailing.times import moments
from pipeline.sailing.track import track_of
from pipeline.surfaces.season import SeasonFit
from pipeline.surfaces.season import _empty as no_fit

BOAT, _ = parse_boat((Path(__file__).parent.parent / "data" / "sandpiper.toml").read_bytes())
NOON = datetime(2027, 6, 12, 12)
SETS = ("J1", "J2")
LOA_M = 12.0


def fit_of(ratio: float) -> SeasonFit:
    """Two sets everywhere `ratio` apart in log speed, at 7 kn."""
    tws, twa = np.arange(4.0, 21.0), np.arange(30.0, 181.0, 5.0)
    log_speed = np.full((2, len(tws), len(twa)), np.log(7.0))
    log_speed[1] += ratio
    known = np.ones_like(log_speed, dtype=bool)
    return replace(no_fit(), sets=SETS, tws_kn=tws, twa_deg=twa, log_speed=log_speed, supported=known)


def draws_of(fit: SeasonFit) -> np.ndarray:
    return fit.log_speed + np.random.default_rng(0).normal(0, 0.004, (50, 2, 1, 1))


def afternoon(change_min: float, ratio: float, dip: float = 0.1, minutes: float = 40.0, seed: int = 1) -> AsSailed:
    """Steady wind; the second set from `change_min` on, with a loss of speed about it, all through the boat's lag."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, minutes * 60.0)
    target = np.where(t < 60 * change_min, 0.0, ratio) - dip * np.exp(-0.5 * ((t - 60 * change_min) / 18.0) ** 2)
    kept = np.exp(-1.0 / (1.2 * LOA_M))
    through = lfilter([1 - kept], [1, -kept], target, zi=[target[0] * kept])[0]
    noise = lfilter([0.2], [1, -0.97], rng.normal(0, 0.02, t.size))
    time = pl.datetime_range(NOON, NOON + timedelta(seconds=t[-1]), "1s", time_unit="us", eager=True)
    samples = pl.DataFrame({"time": time, "bsp_kn": 7.0 * np.exp(through + noise)}).with_columns(
        *(pl.lit(v).alias(c) for c, v in {"tws_kn": 12.0, "twa_deg": 45.0, "twd_deg": 200.0, "aws_kn": 17.0}.items()),
        *(pl.lit(v).alias(c) for c, v in {"awa_deg": 28.0, "hdg_deg": 155.0, "heel_deg": -15.0, "sog": 7.0}.items()),
        pl.lit(None, dtype=pl.Float64).alias("rudder"),
        pl.lit("water").alias("speed_source"),
    )
    track = track_of(samples)
    none = pl.DataFrame(schema={"start": pl.Datetime("us"), "end": pl.Datetime("us"), "kind": pl.String})
    zeros = np.zeros(len(track), dtype=np.int64)
    return AsSailed(track, none, (track.time_s > track.time_s[0] + 60 * change_min).astype(np.int64), zeros, zeros > 0)


def segments_of(logged_min: float, minutes: float = 40.0) -> pl.DataFrame:
    at = NOON + timedelta(minutes=logged_min)
    rows = [(NOON, at, "J1", "logged"), (at, NOON + timedelta(minutes=minutes), "J2", "logged")]
    return pl.DataFrame(rows, schema=["start", "end", "sail_set", "quality"], orient="row").with_columns(
        pl.col("start", "end").cast(pl.Datetime("us"))
    )


def judged(change_min: float, logged_min: float, ratio: float, **how):
    fit = fit_of(ratio)
    table = change_times(afternoon(change_min, ratio, **how), fit, draws_of(fit), segments_of(logged_min), LOA_M)
    return table.row(0, named=True)


@pytest.mark.parametrize(("logged_min", "verdict"), [(24.0, "late"), (20.0, "as logged"), (18.0, "early")])
@pytest.mark.parametrize("ratio", [0.06, -0.06])
def test_a_change_is_found_where_it_was(logged_min, verdict, ratio):
    row = judged(20.0, logged_min, ratio)
    assert abs((row["likelier"] - NOON).total_seconds() - 1200) <= 25
    assert row["low"] <= row["likelier"] <= row["high"]
    assert row["verdict"] == verdict
    assert (row["from_set"], row["to_set"]) == SETS


def test_equal_speeds_and_no_loss_leave_the_log_alone():
    row = judged(20.0, 24.0, 0.0, dip=0.0)
    assert row["verdict"] != "late" and row["odds"] < 3
    assert abs((row["likelier"] - row["time"]).total_seconds()) < 120


def test_the_loss_alone_can_tell():
    row = judged(20.0, 23.0, 0.0, dip=0.2)
    assert abs((row["likelier"] - NOON).total_seconds() - 1200) <= 25


def test_a_season_without_changes_or_fit_has_an_empty_table():
    fit = fit_of(0.05)
    one = segments_of(20.0).head(1)
    assert change_times(afternoon(20.0, 0.05), fit, draws_of(fit), one, LOA_M).is_empty()
    assert change_times(afternoon(20.0, 0.05), no_fit(), np.zeros((0, 0, 0, 0)), segments_of(20), LOA_M).is_empty()


def test_the_likelihood_is_that_of_the_whole_covariance():
    rng = np.random.default_rng(4)
    t = np.arange(20) * 10.0
    steps = Steps(t, rng.normal(0, 0.05, (2, 20)), np.zeros(20, dtype=np.int64), np.zeros(20, dtype=np.int64), t >= 0)
    noise, tried, lag = Noise(0.03, 0.6), np.array([60.0, 95.0, 130.0]), 1.2 * LOA_M
    case = Case(100.0, 0, 1, np.arange(20), tried, 0.02)
    found = log_likelihood(steps, noise, case, (Loss(15.0, 5.0),), lag)
    for k, at in enumerate(tried):
        drawn = np.where(t > at, 1 - np.exp(-np.maximum(t - at, 0) / lag), 0.0)
        dip = np.exp(-0.5 * ((t - at - lag + 5.0) / np.hypot(15.0, lag)) ** 2)
        cov = 0.03**2 * 0.6 ** (np.abs(t[:, None] - t) / 10) + 0.03**2
        cov += 0.02**2 * np.outer(drawn, drawn) + 0.08**2 * np.outer(dip, dip)
        r = steps.off[0] + drawn * (steps.off[1] - steps.off[0]) + 0.08 * dip
        whole = -0.5 * r @ np.linalg.solve(cov, r) - 0.5 * np.linalg.slogdet(cov)[1]
        base = 0.03**2 * 0.6 ** (np.abs(t[:, None] - t) / 10) + 0.03**2
        assert found[k] == pytest.approx(whole + 0.5 * np.linalg.slogdet(base)[1], abs=1e-8)


def test_entries_are_thought_to_be_late_rather_than_early():
    prior = log_prior(np.array([-200.0, 0.0, 200.0]))
    assert prior[1] > prior[2] > prior[0]


# --- the log that a person may accept ---


LOG = """time,action,sail,note
2027-06-12T09:58:00Z,flying,MN J1 ST,start
2027-06-12T10:40:00Z,hoist,G2,
2027-06-12T10:40:00Z,drop,J1,
2027-06-12T11:30:00Z,flying,MN J2,
2027-06-12T11:30:02Z,reef,,
2027-06-12T11:30:04Z,reef,,two in
"""
TICKS = pl.Series([datetime(2027, 6, 12, 10) + timedelta(seconds=30 * k) for k in range(241)]).cast(pl.Datetime("us"))
AUDIT = {
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "logged": pl.String,
    "likelier": pl.String,
    "odds": pl.Float64,
    "chance": pl.Float64,
}
CHANGES = {
    "time": pl.Datetime("us"),
    "from_set": pl.String,
    "to_set": pl.String,
    "likelier": pl.Datetime("us"),
    "odds": pl.Float64,
    "verdict": pl.String,
}


def clock(text: str) -> datetime:
    return datetime.fromisoformat(f"2027-06-12 {text}")


def tagged(path: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    log, problems = read_sail_log(path, BOAT, strict=True)
    assert problems == []
    sessions = find_sessions(TICKS)
    return log, tag_sail_sets(log, BOAT, sessions)


def told(segments: pl.DataFrame) -> list[str]:
    """`10:00 upwind` for each minute in which a set begins; the last where reefs follow second by second."""
    begun = {f"{s:%H:%M}": n for s, n in segments.select("start", "sail_set").iter_rows()}
    return [f"{s} {n}" for s, n in begun.items()]


@pytest.fixture
def segments(tmp_path):
    (tmp_path / "sail_log.csv").write_text(LOG)
    found = tagged(tmp_path / "sail_log.csv")[1]
    assert told(found) == ["10:00 upwind", "10:40 G2+ST", "11:30 J2+R2"]
    return found


def written(log: pl.DataFrame, file: Path) -> Path:
    write_suggested_log(log, file)
    return file


def round_trip(segments, audit, changes, folder):
    log = suggested_log(
        segments,
        pl.DataFrame(audit, schema=AUDIT, orient="row"),
        pl.DataFrame(changes, schema=CHANGES, orient="row"),
        BOAT,
    )
    return log, tagged(written(log, folder / "suggested.csv"))[1]


def test_without_findings_the_suggested_log_tags_the_same(segments, tmp_path):
    _, again = round_trip(segments, [], [], tmp_path)
    assert told(again) == ["10:00 upwind", "10:40 G2+ST", "11:30 J2+R2"]


def test_a_likelier_name_and_a_likelier_time_read_back(segments, tmp_path):
    audit = [(clock("10:55:00"), clock("11:10:00"), "G2+ST", "G2", 40.0, 0.9)]
    changes = [(clock("10:40:00"), "upwind", "G2+ST", clock("10:36:30"), 900.0, "late")]
    log, again = round_trip(segments, audit, changes, tmp_path)
    assert told(again) == [
        "10:00 upwind", "10:36 G2+ST", "10:55 G2", "11:10 G2+ST", "11:30 J2+R2"
    ]  # fmt: skip
    notes = [n for n in log["note"].to_list() if n]
    assert "logged at 10:40:00; by the speeds late, odds 900:1" in notes
    assert "logged as G2+ST; by the speeds G2, odds 40:1" in notes


def test_a_name_that_is_only_worth_a_look_is_not_put_in(segments, tmp_path):
    audit = [(clock("10:55:00"), clock("11:10:00"), "G2+ST", "G2", 0.8, 0.4)]
    _, again = round_trip(segments, audit, [], tmp_path)
    assert told(again) == ["10:00 upwind", "10:40 G2+ST", "11:30 J2+R2"]


def test_what_is_as_logged_or_open_moves_nothing(segments, tmp_path):
    changes = [
        (clock("10:40:00"), "upwind", "G2+ST", clock("10:36:30"), 1.0, "open"),
        (clock("11:30:00"), "G2+ST", "J2", clock("11:30:10"), 0.1, "as logged"),
    ]
    _, again = round_trip(segments, [], changes, tmp_path)
    assert "10:40 G2+ST" in told(again)


def test_a_finding_takes_its_own_edges_whatever_the_change_times_say(segments, tmp_path):
    audit = [(clock("10:40:00"), clock("11:30:00"), "G2+ST", "J2", 40.0, 0.9)]
    changes = [(clock("10:40:00"), "upwind", "G2+ST", clock("10:36:30"), 900.0, "late")]
    _, again = round_trip(segments, audit, changes, tmp_path)
    assert told(again)[:2] == ["10:00 upwind", "10:40 J2"]


def test_a_file_that_exists_is_never_written_over(segments, tmp_path):
    log, _ = round_trip(segments, [], [], tmp_path)
    (tmp_path / "mine.csv").write_text("mine")
    with pytest.raises(FileExistsError):
        write_suggested_log(log, tmp_path / "mine.csv")
    assert (tmp_path / "mine.csv").read_text() == "mine"


def test_time_of_no_known_set_is_not_claimed(tmp_path):
    (tmp_path / "sail_log.csv").write_text("time,action,sail,note\n2027-06-12T10:40:00Z,flying,MN J1,\n")
    found = tagged(tmp_path / "sail_log.csv")[1]
    assert told(found)[0] == "10:00 unlogged"
    log, again = round_trip(found, [], [], tmp_path)
    assert log.height == 1
    assert told(again) == told(found)


def test_moments_are_utc():
    assert moments(np.array([0.0]))[0] == datetime(1970, 1, 1)
