from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.campaign.settings import UNLOGGED
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records import answers
from pipeline.reporting.records.changes import Change, changes
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import Ledger, ledger
from pipeline.reporting.records.quality import quality
from pipeline.reporting.records.sailed import flown_against_fastest
from pipeline.reporting.records.season import season

Tables = dict[str, pl.DataFrame]
NUM = Numbers()
ORDER = ("J1", "J2", "G1", "G2+ST", UNLOGGED)


def change(low: float | None, high: float | None, crossing: float | None = 14.3) -> Change:
    return Change(
        "J1", "J2", "fixed-angle", "tws_kn", 60.0, crossing, low, high,
        None if crossing is None else round(crossing), low, high, "wide",
    )  # fmt: skip


def test_advice_says_what_the_data_close_and_what_not() -> None:
    assert answers.advice(change(13.0, 15.0), NUM) == "J1 to J2 at 14 kn; between 13 kn and 15 kn it does not matter."
    assert "not before 13 kn" in answers.advice(change(13.0, None), NUM)
    assert "not after 15 kn" in answers.advice(change(None, 15.0), NUM)
    assert "close neither side" in answers.advice(change(None, None), NUM)
    assert answers.advice(change(None, 15.0, None), NUM) == "J1 to J2 somewhere open to 15 kn."


def test_sailmaker_reads_counts_and_the_worst_shift_first(tables: Tables) -> None:
    said = answers.sailmaker_answer(ledger(tables), NUM, True)
    assert said[0].startswith("Of 11 designed border lines (5 pairs of sets, in wind speed or in angle): ")
    assert said[0].endswith(": 7 moved, 1 confirmed, 3 not decided by the data yet.")
    assert "+6.0°" in said[1]
    assert "18 of 19 decided points moved" in said[-1]


def test_sailmaker_is_told_when_there_is_no_design() -> None:
    assert "No designed chart was given" in answers.sailmaker_answer(Ledger(()), NUM, False)[0]


def test_coach_reads_beats_and_runs_first(tables: Tables) -> None:
    said = answers.coach_answer(changes(tables), season(tables, ORDER), NUM)
    assert said[0] == "Close-hauled: J1 to J2 at 14.5 kn; between 13 kn and 15 kn it does not matter."
    assert said[1].startswith("Running: G1 to G2+ST at about 16 kn; not before 12 kn")


def test_coach_without_a_sail_log_or_borders_is_told_so(tables: Tables) -> None:
    one = tables["windows"].with_columns(sail_set=pl.lit(UNLOGGED))
    alone = complete({"windows": one})
    assert "Without a sail log" in answers.coach_answer(changes(alone), season(alone, ORDER), NUM)[0]
    bare = complete({"windows": tables["windows"]})
    assert "No border" in answers.coach_answer(changes(bare), season(bare, ORDER), NUM)[0]


def test_analyst_reads_share_and_loss_of_the_record(tables: Tables) -> None:
    flown = flown_against_fastest(tables)
    said = answers.analyst_answer(season(tables, ORDER), flown, quality(tables), NUM)
    assert said[0].startswith(f"{NUM.percent(flown.share_fastest)} of the steady time")
    assert f"{NUM.plain(flown.loss_pct, 1)} % of speed" in said[0]


def test_nothing_sailed_is_said_in_plain_words(tmp_path: Path) -> None:
    empty = complete({})
    said = answers.analyst_answer(season(empty, ()), flown_against_fastest(empty), quality(empty), NUM)
    assert said[0] == answers.NOT_ENOUGH
    assert "No sailing was found" in said[1]
