"""The fit's own diagnostics as the analyst, the sailmaker and the coach read them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.campaign.settings import Boat
from pipeline.reporting.context import ReportContext
from pipeline.reporting.figures.residual_drawing import draw_residual
from pipeline.reporting.numbers import Numbers
from pipeline.reporting.pages import write_pages
from pipeline.reporting.records import answers
from pipeline.reporting.records.carriers import carriers
from pipeline.reporting.records.changes import changes
from pipeline.reporting.records.frames import complete
from pipeline.reporting.records.guesses import guess_words, guesses
from pipeline.reporting.records.ledger import ledger
from pipeline.reporting.records.leftover import Residual, leftover, odd_words
from pipeline.reporting.records.season import season
from pipeline.reporting.records.tacks import TackShift, tack_shifts, typical_tack_shift
from pipeline.reporting.records.targets import target_legs
from pipeline.reporting.records.trust import Check, held_words, trust, wrong_words

Tables = dict[str, pl.DataFrame]
NUM = Numbers()
EMPTY = complete({})


# --- what is left over ---


def test_odd_lines_are_named_and_days_stand_in_order(tables: Tables) -> None:
    found = leftover(tables)
    assert [r.label for r in found.odd] == ["15 Jun running"]
    assert "15 Jun running −4.2 %" in odd_words(found, NUM)
    assert [d.day for d in found.days] == [date(2027, 6, 12 + k) for k in range(6)]
    assert all(d.modes[1] is None and d.modes[0] is not None for d in found.days)  # nobody reached
    assert [name for name, _ in found.groups] == ["Tack", "Sail set", "True wind speed"]
    assert [r.label for r in found.winds] == ["8 to 12 kn", "12 to 16 kn", "16 to 20 kn"]


def test_nothing_odd_is_said_and_nothing_fitted_too(tables: Tables) -> None:
    plain = {**tables, "residuals": tables["residuals"].with_columns(odd=pl.lit(False))}
    assert "stands out from what days and chance explain" in odd_words(leftover(plain), NUM)
    assert odd_words(leftover(EMPTY), NUM) == "Nothing was fitted, so nothing is left over."


def test_a_residual_is_drawn_inside_its_frame() -> None:
    far = Residual("x", 50.0, 40.0, 60.0, 9, 3.0, True)
    text = str(draw_residual(far, 2.0))
    assert 'cx="126"' in text and "+50.0 % of speed, interval +40.0 to +60.0." in text
    alone = str(draw_residual(Residual("x", 0.0, None, None, 9, None, None), 2.0))
    assert 'cx="66"' in alone and "no interval" in alone


# --- which days carry the borders ---


def test_the_heaviest_day_of_each_border(tables: Tables) -> None:
    found = carriers(tables)
    assert {c.day for c in found} == {date(2027, 6, 14)}
    gone = [c for c in found if {c.set_a, c.set_b} == {"G1", "G2+ST"}]
    assert gone and found[: len(gone)] == tuple(gone)
    assert all(c.moves is None and c.heavy for c in gone)
    rest = found[len(gone) :]
    assert {c.moves for c in rest} == {1.0} == {c.shift for c in rest}
    assert [c.weight for c in rest] == sorted((c.weight for c in rest), reverse=True)
    for c in rest:
        assert c.heavy == (c.half_interval is not None and c.half_interval < 1.0)
        assert c.days == 6


def test_days_without_either_set_carry_nothing(tables: Tables) -> None:
    idle = tables["border_influence"].with_columns(
        windows=pl.when(pl.col("day") == date(2027, 6, 14)).then(0).otherwise("windows").cast(pl.Int64)
    )
    assert {c.moves for c in carriers({**tables, "border_influence": idle})} == {0.1}
    assert carriers(EMPTY) == ()


# --- how far the intervals can be believed ---


def test_left_out_days_in_words(tables: Tables) -> None:
    said = held_words(trust(tables), NUM)
    assert said.startswith("Left out in turn and predicted from the other days, 70 % of the 60 differences between two")
    assert said.endswith("too narrow for this season.")
    assert "cannot be checked" in held_words(trust(EMPTY), NUM)


@pytest.mark.parametrize(
    ("low", "high", "finding"),
    [
        (0.82, 0.95, "as it should be"),
        (0.5, 0.8, "too narrow"),
        (0.95, 1.0, "too wide"),
        (None, None, "too few days to say"),
    ],
)
def test_a_share_is_judged_by_its_own_interval(low: float | None, high: float | None, finding: str) -> None:
    assert Check("speed of a set", 0.9, 0.85, low, high, 40, 9, 2.0).finding == finding


def test_wrong_clear_verdicts_are_the_sum_of_the_doubts(tables: Tables) -> None:
    clear = tables["best_set"].filter(pl.col("verdict") == "clear")
    found = trust(tables)
    assert found.clear_places == clear.height > 0
    assert found.wrong_places == pytest.approx(sum(1.0 - p for p in clear["probability"]))
    sure = tables["crossovers"].filter(pl.col("verdict") == "clear").height
    assert found.wrong_borders == pytest.approx(0.1 * sure)
    said = wrong_words(found, NUM)
    assert f"Of {clear.height} places of the chart called clear about " in said[0]
    assert f"Of {sure} border points called clear about " in said[1]
    assert wrong_words(trust(EMPTY), NUM) == ()


# --- port and starboard ---


def test_tacks_stand_beside_each_border_that_has_them(tables: Tables) -> None:
    shifts = tack_shifts(tables)
    assert set(shifts.values()) == {TackShift(0.6, -0.2, 1.4)}
    for row in ledger(tables).rows:
        told = {row.set_a, row.set_b} != {"J1", "J2"}
        assert row.tacks == (TackShift(0.6, -0.2, 1.4) if told else None)


def test_the_border_as_named_comes_before_its_reverse() -> None:
    one, two = TackShift(1.0, 0.0, 2.0), TackShift(-1.0, -2.0, 0.0)
    shifts = {
        ("A", "B", "fixed-angle", "tws_kn", 90.0, 12.0): one,
        ("B", "A", "fixed-angle", "tws_kn", 90.0, 16.0): two,
    }
    assert typical_tack_shift(shifts, "A", "B", "tws_kn") == one
    assert typical_tack_shift(shifts, "B", "A", "tws_kn") == two
    assert typical_tack_shift({k: v for k, v in shifts.items() if v == two}, "A", "B", "tws_kn") == two
    assert typical_tack_shift(shifts, "A", "B", "twa_deg") is None


# --- guesses of beats and runs ---


def unmeasured(tables: Tables) -> Tables:
    return {**tables, "crossovers": tables["crossovers"].filter(pl.col("mode") == "fixed-angle")}


def test_guesses_stand_in_only_where_nothing_is_measured(tables: Tables) -> None:
    assert guesses(tables, changes(tables)) == ()
    some = unmeasured(tables)
    beat, run = guesses(some, changes(some))
    assert (beat.set_a, beat.set_b, beat.mode) == ("J1", "J2", "close-hauled")
    assert beat.about_kn == pytest.approx(14.3)
    assert (run.from_kn, run.until_kn, run.about_kn, run.compared) == (15.0, 17.0, None, False)
    assert "perhaps J1 to J2 at about 14 kn, a best guess only" in guess_words(beat, NUM)
    assert "no wind to compare them in" in guess_words(run, NUM)


def test_a_set_known_on_one_side_only_gives_a_span(tables: Tables) -> None:
    some = unmeasured(tables)
    early = (pl.col("sail_set") == "J2") & (pl.col("tws_kn") < 15)
    some["targets"] = some["targets"].filter(~early)
    beat = guesses(some, changes(some))[0]
    assert (beat.from_kn, beat.until_kn, beat.about_kn, beat.compared) == (14.0, 15.0, None, True)
    assert "at about 14 to 15 kn" in guess_words(beat, NUM)


def test_the_coach_reads_guesses_last(tables: Tables) -> None:
    some = unmeasured(tables)
    found = changes(some)
    said = answers.coach_answer(found, season(some, ("J1", "J2")), NUM, guesses(some, found))
    assert said[0].startswith("At ")
    assert said[-2] == "Close-hauled and running no border was measured."
    assert said[-1].startswith("Close-hauled: perhaps J1 to J2 at about 14 kn, a best guess only")
    bare = {**complete({"windows": tables["windows"], "targets": tables["targets"]})}
    said = answers.coach_answer(changes(bare), season(bare, ("J1",)), NUM, guesses(bare, changes(bare)))
    assert said[0].startswith("No border between two sets") and said[1].startswith("Close-hauled: perhaps J1 to J2")


# --- pages ---


def test_pages_show_it_all(tables: Tables, boat: Boat, designed: pl.DataFrame, tmp_path: Path) -> None:
    write_pages(unmeasured(tables), boat, tmp_path, designed=designed, context=ReportContext())
    text = {name: (tmp_path / f"{name}.html").read_text(encoding="utf-8") for name in ("analyst", "sailmaker", "coach")}
    for heading in (
        "How far the intervals can be believed",
        "Which days carry the borders",
        "What the fit leaves over",
    ):
        assert f">{heading}</h2>" in text["analyst"]
    assert "no border left" in text["analyst"] and "hangs on it" in text["analyst"]
    assert "15 Jun running −4.2 %" in text["analyst"]
    assert "Port less starboard" in text["sailmaker"] and "−0.2 to +1.4" in text["sailmaker"]
    assert "called clear about" in text["sailmaker"] and "called clear about" in text["analyst"]
    assert "Best guesses, not measured" in text["coach"]


def test_an_empty_season_says_so(boat: Boat, tmp_path: Path) -> None:
    write_pages({}, boat, tmp_path)
    text = (tmp_path / "analyst.html").read_text(encoding="utf-8")
    assert "cannot be checked" in text
    assert "No border was measured, so none hangs on a day." in text
    assert "Nothing was fitted, so nothing is left over." in text
    assert "Best guesses" not in (tmp_path / "coach.html").read_text(encoding="utf-8")


# --- targets ---


def test_targets_of_the_boat_are_those_of_her_best_set(tables: Tables) -> None:
    up, down = target_legs(tables)
    assert [(t.tws_kn, t.sail_set) for t in up.boat] == [(w, "J1" if w < 14.3 else "J2") for w in range(10, 20)]
    assert len(up.sets) == 20 and len(down.sets) == len(down.boat) == 9
    assert up.boat[0].best_tenth_kn == pytest.approx(8.16)
    whole = tables["targets"].head(1).with_columns(sail_set=pl.lit("boat"), vmg_kn=pl.lit(99.0))
    assert target_legs({**tables, "targets": pl.concat([tables["targets"], whole])}) == (up, down)
    assert target_legs(EMPTY) == ()


def test_targets_stand_on_the_coachs_page(tables: Tables, boat: Boat, tmp_path: Path) -> None:
    write_pages(tables, boat, tmp_path)
    text = (tmp_path / "coach.html").read_text(encoding="utf-8")
    assert ">Targets</h2>" in text and "8.2 kn" in text
