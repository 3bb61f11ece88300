from __future__ import annotations

import re
from pathlib import Path

import polars as pl

from pipeline.campaign.settings import UNLOGGED
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.records import answers, wording
from pipeline.reporting.records.changes import Change, changes
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.ledger import Ledger, ledger
from pipeline.reporting.records.quality import quality
from pipeline.reporting.records.sailed import flown_against_fastest
from pipeline.reporting.records.season import season
from pipeline.tables import TABLES

Tables = dict[str, pl.DataFrame]
NUM = Numbers()
ORDER = ("J1", "J2", "G1", "G2+ST", UNLOGGED)


def change(low: float | None, high: float | None, crossing: float | None = 14.3) -> Change:
    return Change(
        "J1", "J2", "fixed-angle", "tws_kn", 60.0, crossing, low, high,
        None if crossing is None else round(crossing), low, high, "wide",
    )  # fmt: skip


def test_advice_says_what_the_data_close_and_what_not() -> None:
    assert wording.advice(change(13.0, 15.0), NUM) == "J1 up to 13 kn, J2 from 15 kn; between them either is right."
    assert wording.advice(change(13.0, None), NUM).startswith("J1 up to 13 kn; then perhaps J2, best guess from 14 kn")
    assert wording.advice(change(None, 15.0), NUM).startswith("J2 from 15 kn; below that perhaps J1, best guess")
    assert "best guess 14 kn: the data show neither surely faster" in wording.advice(change(None, None), NUM)
    assert wording.advice(change(None, 15.0, None), NUM) == "J1 gives way to J2 somewhere: open to 15 kn."


def test_sailmaker_reads_borders_and_the_worst_shift_first(tables: Tables) -> None:
    found = ledger(tables)
    said = answers.sailmaker_answer(found, NUM, True)
    assert said[0].startswith("Of 5 designed borders between two sail sets: ")
    assert sum(int(n) for n in re.findall(r"\d+", said[0])[1:]) == 5
    first = found.borders[0].tested[0]
    assert said[1].startswith(f"{first.set_a} to {first.set_b}, at ")
    assert f"{first.set_b} takes over in 1.0 kn more wind than designed (90 %: " in said[1]
    typical = first.where_moved
    assert typical.shift_low is not None
    assert typical.shift_low > 0
    assert f"(90 %: {typical.shift_low:.1f} to {typical.shift_high:.1f})" in said[1]
    assert "19 points could be decided and 18 of them moved" in said[-1]
    assert "about 2 would be called moved all the same" in said[-1]  # a tenth of 19


def comparison(along: str, shift: float | None, low: float | None, high: float | None) -> Tables:
    row = {"set_a": "A", "set_b": "B", "along": along, "at": 40.0, "designed": 14.0, "shift": shift, "verdict": "moved"}
    row |= {"measured": None if shift is None else 14.0 + shift, "shift_low": low, "shift_high": high}
    row |= {"cost_pct": 1.0, "cost_s_per_nm": 4.0}
    frame = pl.DataFrame([row], schema=TABLES["design_comparison"].columns)
    return complete({"design_comparison": frame})


def test_a_shift_is_told_in_its_own_direction() -> None:
    cases = [
        (("tws_kn", 2.0, 1.0, 3.0), "B takes over in 2.0 kn more wind than designed (90 %: 1.0 to 3.0)"),
        (("tws_kn", -2.0, -3.0, -1.0), "B takes over in 2.0 kn less wind than designed (90 %: 1.0 to 3.0)"),
        (("twa_deg", 9.0, 7.0, None), "B takes over 9.0° further off the wind than designed (90 %: at least 7.0)"),
        (("twa_deg", -9.0, None, -7.0), "B takes over 9.0° closer to the wind than designed (90 %: at least 7.0)"),
        (("tws_kn", None, 0.5, None), "B takes over in at least 0.5 kn more wind than designed"),
        (("twa_deg", None, None, -4.0), "B takes over at least 4.0° closer to the wind than designed"),
    ]
    for given, said in cases:
        (row,) = ledger(comparison(*given)).rows
        assert wording.shift_words(row, NUM) == said


def test_names_that_run_right_to_left_are_isolated() -> None:
    assert wording.named("J1") == "J1"
    assert wording.named("مفرش") == "\u2068مفرش\u2069"


def test_sailmaker_is_told_when_there_is_no_design() -> None:
    assert "No designed chart was given" in answers.sailmaker_answer(Ledger(()), NUM, False)[0]


def test_coach_reads_beats_and_runs_first(tables: Tables) -> None:
    said = answers.coach_answer(changes(tables), season(tables, ORDER), NUM)
    assert said[0] == "Close-hauled: J1 up to 13 kn, J2 from 15 kn; between them either is right."
    assert said[1].startswith("Running: G1 up to 12 kn; then perhaps G2+ST, best guess from 16 kn")


def test_coach_without_a_sail_log_or_borders_is_told_so(tables: Tables) -> None:
    one = tables["windows"].with_columns(sail_set=pl.lit(UNLOGGED))
    alone = complete({"windows": one})
    assert "Without a sail log" in answers.coach_answer(changes(alone), season(alone, ORDER), NUM)[0]
    bare = complete({"windows": tables["windows"]})
    assert "No border" in answers.coach_answer(changes(bare), season(bare, ORDER), NUM)[0]


def test_analyst_reads_the_clearly_slower_time_and_the_use_of_the_season(tables: Tables) -> None:
    flown = flown_against_fastest(tables)
    said = answers.analyst_answer(season(tables, ORDER), flown, quality(tables), NUM)
    assert NUM.duration(flown.split.slower) in said[0]
    assert NUM.duration(flown.split.judged) in said[0]
    assert f"{NUM.plain(flown.clear_loss_pct, 1)} % slower" in said[0]
    assert said[-1].startswith("Used: 43 % of the logged time")  # 360 of 360 + 474
    assert "set aside for: wind unsteady 37 %, tack or gybe 14 %, around a sail change 5 %." in said[-1]


def test_nothing_sailed_is_said_in_plain_words(tmp_path: Path) -> None:
    empty = complete({})
    said = answers.analyst_answer(season(empty, ()), flown_against_fastest(empty), quality(empty), NUM)
    assert said[0] == answers.NOT_ENOUGH
    assert "No sailing was found" in said[1]
