"""Symmetry of beats and runs on boards with a known answer: beats say it best, runs do not spoil it."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.calibration.wind_pieces import Pieces
from pipeline.calibration.wind_symmetry import symmetry_by_day

START = datetime(2027, 6, 1, 10)
PIECES_A_BOARD = 8
PIECE_S = 30.0


def _pieces(
    days: int,
    boards: int,
    *,
    offset_deg: float,
    run_noise_deg: float,
    noise_deg: float = 0.3,
) -> tuple[Pieces, pl.DataFrame]:
    """Each day a beat of so many boards, then a run of as many, gusts and speeds wandering from board to board."""
    rng = np.random.default_rng(4)
    rows, turns = [], []
    for d in range(days):
        at_s = START.timestamp() - datetime(1970, 1, 1).timestamp() + 86400.0 * d
        for k in range(2 * boards):
            run = k >= boards
            if k > 0:
                kind = "bear away" if k == boards else "gybe" if run else "tack"
                turns.append((at_s, kind))
            gust = 0.2 * rng.standard_normal()
            aws, bsp = (9.0 if run else 18.0) * np.exp(gust), 7.0 * np.exp(0.3 * gust + 0.03 * rng.standard_normal())
            size = (130.0 if run else 25.0) - 4.0 * gust + (run_noise_deg if run else noise_deg) * rng.standard_normal()
            side = 1.0 if k % 2 else -1.0
            for _ in range(PIECES_A_BOARD):
                at_s += PIECE_S
                rows.append((at_s, side * size - offset_deg, aws, bsp, side * (150.0 if run else 42.0), d))
            at_s += PIECE_S
    time_s, awa, aws, bsp, twa, day = np.array(rows).T
    n = len(time_s)
    zero, whole = np.zeros(n), np.zeros(n, dtype=np.int64)
    pieces = Pieces(
        time_s=time_s,
        seconds=np.full(n, PIECE_S),
        awa_deg=awa,
        aws_kn=aws,
        bsp_kn=bsp,
        heel_deg=zero,
        pitch_deg=zero,
        hdg_deg=zero,
        leeway_deg=zero,
        twd_deg=zero,
        tws_kn=np.full(n, 13.0),
        twa_deg=twa,
        ground=np.zeros(n, dtype=bool),
        sail_set=np.where(np.abs(twa) > 90.0, 1, 0),
        day=day.astype(np.int64),
        chunk=day.astype(np.int64),
        block=whole,
        in_use={},
        sets=("J1", "A2"),
        days=pl.Series("day", [date(2027, 6, 1) + timedelta(days=d) for d in range(days)]),
    )
    manoeuvres = pl.DataFrame(
        [(datetime(1970, 1, 1) + timedelta(seconds=t), kind) for t, kind in turns],
        schema={"start": pl.Datetime("us"), "kind": pl.String},
        orient="row",
    )
    return pieces, manoeuvres


def test_the_offset_of_each_day_is_found_from_its_beat_however_wild_its_run():
    pieces, manoeuvres = _pieces(10, 8, offset_deg=1.2, run_noise_deg=6.0)
    found = symmetry_by_day(pieces, pieces.awa_deg, manoeuvres)
    beats = ~found.run
    assert beats.sum() == found.run.sum() == 10
    z = (found.offset_deg - 1.2) / found.sd_deg
    assert np.abs(found.offset_deg[beats] - 1.2).max() < 0.5
    assert np.median(found.sd_deg[beats]) < 0.2 < 1.0 < np.median(found.sd_deg[found.run])
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.5
    assert found.boards[beats].tolist() == [8] * 10


def test_gusts_and_speed_are_taken_out_before_the_tacks_are_compared():
    """Nothing but the answer to gusts, and starboard boards sailed in the stronger wind: no offset."""
    pieces, manoeuvres = _pieces(10, 8, offset_deg=0.0, run_noise_deg=0.0, noise_deg=0.0)
    stronger = np.where(pieces.twa_deg > 0.0, 1.1, 1.0)
    size = np.abs(pieces.awa_deg) - 4.0 * np.log(stronger)
    gusty = Pieces(
        **{n: getattr(pieces, n) for n in Pieces.__dataclass_fields__ if n not in ("aws_kn", "awa_deg")},
        aws_kn=pieces.aws_kn * stronger,
        awa_deg=np.sign(pieces.awa_deg) * size,
    )
    found = symmetry_by_day(gusty, gusty.awa_deg, manoeuvres)
    assert np.abs(found.offset_deg[~found.run]).max() < 0.05


def test_twist_turns_the_apparent_wind_of_runs_by_more():
    """d TWA / d AWA = 1 + BSP / TWS x cos(TWA)."""
    pieces, manoeuvres = _pieces(3, 6, offset_deg=0.0, run_noise_deg=1.0)
    found = symmetry_by_day(pieces, pieces.awa_deg, manoeuvres)
    assert found.turn[~found.run] == pytest.approx(1.0 / (1.0 + 7.0 / 13.0 * np.cos(np.radians(42.0))), rel=0.05)
    assert found.turn[found.run] == pytest.approx(1.0 / (1.0 + 7.0 / 13.0 * np.cos(np.radians(150.0))), rel=0.1)


def test_no_boards_say_nothing():
    pieces, manoeuvres = _pieces(1, 4, offset_deg=0.0, run_noise_deg=1.0)
    found = symmetry_by_day(pieces.where(np.zeros(len(pieces), dtype=bool)), np.zeros(0), manoeuvres)
    assert len(found.day) == len(found.offset_deg) == len(found.turn) == 0
