"""Logs written in bursts: which logs they are, and the times of their sentences."""

from datetime import datetime, timedelta
from functools import reduce
from operator import xor

import pytest

from pipeline.ingest.nmea0183 import decode_nmea

NOON = datetime(2027, 6, 12, 12)
KINDS = ("RMC", "MWV", "VHW", "HDG", "XDR")


def sentence(body: str) -> str:
    return f"${body}*{reduce(xor, body.encode()):02X}\r\n"


def burst(tick: int, step_s: float, kinds=KINDS, rate: int = 1) -> list[str]:
    """The sentences of one tick; every value is the number of its tick."""
    now = NOON + timedelta(seconds=tick * step_s)
    bodies = {
        "RMC": f"GPRMC,{now:%H%M%S},A,5030.000,N,00100.000,W,{tick % 60}.0,090.0,{now:%d%m%y},,,A",
        "GGA": f"GPGGA,{now:%H%M%S},5030.000,N,00100.000,W,1,08,1.0,2.0,M,40.0,M,,",
        "ZDA": f"GPZDA,{now:%H%M%S},{now:%d,%m,%Y},00,00",
        "MWV": f"WIMWV,030.0,R,{tick % 60}.0,N,A",
        "VHW": f"IIVHW,,T,,M,{tick % 60}.0,N,,K",
        "HDG": f"HCHDG,{tick % 360}.0,,,,",
        "XDR": f"IIXDR,A,{tick % 60}.0,D,HEEL",
    }
    return [sentence(bodies[k]) for k in kinds for _ in range(rate if k == "HDG" else 1)]


def log(ticks=60, step_s=1.0, kinds=KINDS, rate=1) -> list[str]:
    return [s for i in range(ticks) for s in burst(i, step_s, kinds, rate)]


def seconds(sentences: list[str], group: str) -> list[float]:
    """Seconds from the time of the tick that each reading was made in to the time that it got."""
    decoded = decode_nmea("".join(sentences).encode(), transducers={}, season=None)
    frame = decoded.readings[group]
    channel = {"apparent_wind": "aws", "heading_mag": "hdg_mag", "water_speed": "bsp", "heel": "heel"}[group]
    since = frame["time"] - NOON
    return [t.total_seconds() - v * STEP for t, v in zip(since, frame[channel], strict=True)]


STEP = 1.0


@pytest.mark.parametrize(
    "kinds",
    [
        KINDS,
        ("MWV", "VHW", "HDG", "XDR", "RMC"),  # the time comes last
        ("MWV", "RMC", "VHW", "HDG", "XDR"),
        ("ZDA", "GGA", "MWV", "VHW", "HDG", "XDR"),
        ("MWV", "VHW", "ZDA", "HDG", "XDR"),
    ],
)
def test_sentences_of_a_burst_share_its_time_wherever_the_time_stands(kinds) -> None:
    for group in ("apparent_wind", "water_speed", "heading_mag", "heel"):
        assert set(seconds(log(kinds=kinds), group)) == {0.0}, group


def test_a_lost_time_or_a_lost_first_sentence_moves_nothing() -> None:
    for kinds in (KINDS, ("MWV", "VHW", "HDG", "XDR", "RMC")):
        sentences = log(kinds=kinds)
        for lost, ticks in (("RMC", (7, 20, 21)), ("MWV", (30, 40, 41))):
            for tick in ticks:
                at = tick * len(kinds) + kinds.index(lost)
                sentences[at] = sentences[at].replace(",", ",x", 1)  # its checksum is wrong now
        for group in ("water_speed", "heading_mag"):
            assert set(seconds(sentences, group)) == {0.0}, (kinds, group)


def test_sentences_ahead_of_the_first_fix_count_back_from_it() -> None:
    late = seconds(burst(0, 1.0, KINDS[1:]) + burst(1, 1.0, KINDS[1:]) + log()[2 * len(KINDS) :], "heading_mag")
    assert set(late) == {0.0}


def test_times_far_apart_are_carried_on_for_as_long_behind_the_last() -> None:
    sentences = [s for i in range(90) for s in burst(i, 1.0, KINDS if i % 20 == 0 else KINDS[1:])]
    late = seconds(sentences, "heading_mag")
    assert len(late) == 90 and max(abs(x) for x in late) < 1.0


def test_a_kind_that_recurs_between_two_times_came_as_it_was_measured() -> None:
    # A heading five times a second beside one fix: spread evenly over the second, as on a bus.
    late = seconds(log(rate=5), "heading_mag")
    assert len({round(x, 3) for x in late[:5]}) == 5
    assert min(late) > 0.0 and max(late) < 1.0


def test_a_log_cut_anywhere_is_spread_as_before() -> None:
    late = seconds(log()[2:-1], "water_speed")
    assert 0.2 < sum(late) / len(late) < 0.6


def test_a_slow_log_cut_anywhere_is_still_one_picture_a_tick(monkeypatch) -> None:
    # Nothing but a picture comes once every 5 s; without this a heading would be 3 s old when its tick comes.
    monkeypatch.setitem(globals(), "STEP", 5.0)
    assert set(seconds(log(ticks=40, step_s=5.0)[2:-1], "water_speed")) == {0.0}
