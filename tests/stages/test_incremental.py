"""A season that came about day by day, or was changed, has the tables of one computed at once; and says what it did."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.chain import RunSummary, run_campaign
from pipeline.ingest.store import Store
from pipeline.sailing import sensor_sign, speed_lag, window_rules
from pipeline.stages import windows as stage
from tests.known_boat.season import make_season

DAYS = 4
MADE_WHOLE = ("windows", "segments", "set_aside", "flags", "thresholds")


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("season") / "campaign"
    make_season(folder, 5, "sportboat", days=DAYS, hours=0.7)
    return folder


@pytest.fixture(scope="module")
def at_once(campaign: Path) -> dict[str, pl.DataFrame]:
    return tables_of(to_windows(campaign, campaign.parent / "at-once"))


def to_windows(folder: Path, out: Path) -> RunSummary:
    return run_campaign(folder, out, stages=("ingest", "windows"))


def tables_of(run: RunSummary) -> dict[str, pl.DataFrame]:
    """The tables, from the store and as written for people; what pieces are added to by time."""
    with Store.open(run.out / "season.duckdb", read_only=True) as store:
        stored = {name: store.read_table(name) for name in MADE_WHOLE}
        stored["wind"] = store.query("SELECT * FROM wind ORDER BY time")
        stored["set_aside"] = stored["set_aside"].sort("start")
    for name in (*MADE_WHOLE, "files", "rejected"):
        stored[f"{name}.parquet"] = pl.read_parquet(run.out / "tables" / f"{name}.parquet")
    return stored


def differing(a: dict[str, pl.DataFrame], b: dict[str, pl.DataFrame]) -> list[str]:
    return [name for name in a if not a[name].equals(b[name])]


def copy_of(campaign: Path, to: Path) -> tuple[Path, list[Path]]:
    """A copy of a campaign, and its logs by name."""
    shutil.copytree(campaign, to)
    return to, sorted((to / "logs").iterdir())


def windows_lines(run: RunSummary) -> str:
    lines = list(run.explained)
    return "\n".join(lines[next(i for i, line in enumerate(lines) if line.startswith("windows")) :])


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 1, 0, 2)])
def test_day_by_day(campaign: Path, at_once: dict[str, pl.DataFrame], tmp_path: Path, order: tuple[int, ...]) -> None:
    folder, logs = copy_of(campaign, tmp_path / "campaign")
    kept = {log: log.read_bytes() for log in logs}
    for log in logs:
        log.unlink()
    for n in order:
        logs[n].write_bytes(kept[logs[n]])
        run = to_windows(folder, tmp_path / "out")
    assert at_once["windows"].height > 50
    assert differing(at_once, tables_of(run)) == []
    assert differing(at_once, tables_of(to_windows(folder, tmp_path / "out"))) == []


def test_a_day_taken_out(campaign: Path, tmp_path: Path) -> None:
    folder, logs = copy_of(campaign, tmp_path / "campaign")
    to_windows(folder, tmp_path / "out")
    logs[1].unlink()
    run = to_windows(folder, tmp_path / "out")
    assert "1 piece gone" in windows_lines(run)
    assert differing(tables_of(run), tables_of(to_windows(folder, tmp_path / "fresh"))) == []


def test_a_log_taken_out_of_the_middle_of_a_piece(campaign: Path, tmp_path: Path) -> None:
    folder, logs = copy_of(campaign, tmp_path / "campaign")
    log = next(log for log in logs if log.suffix == ".csv")
    head, *rows = log.read_bytes().splitlines(keepends=True)
    third = len(rows) // 3
    later = log.with_name(f"later-{log.name}")
    log.write_bytes(b"".join([head, *rows[:third]]))
    later.write_bytes(b"".join([head, *rows[2 * third :]]))
    to_windows(folder, tmp_path / "out")
    with Store.open(tmp_path / "out" / "season.duckdb", read_only=True) as store:
        assert store.read_table("pieces").height == DAYS
    later.unlink()
    run = to_windows(folder, tmp_path / "out")
    assert differing(tables_of(run), tables_of(to_windows(folder, tmp_path / "fresh"))) == []


def test_a_day_more_computes_that_day(campaign: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Four days are few: their lag and limits would move with the fourth.
    monkeypatch.setattr(window_rules, "RUNG", 100.0)
    monkeypatch.setattr(speed_lag, "LEAST_BLOCKS", 10_000)
    folder, logs = copy_of(campaign, tmp_path / "campaign")
    last = logs[-1].read_bytes()
    logs[-1].unlink()
    to_windows(folder, tmp_path / "out")
    logs[-1].write_bytes(last)
    run = to_windows(folder, tmp_path / "out")
    lines = windows_lines(run).splitlines()
    assert lines[0].endswith(f"done for 1 of {DAYS} pieces of the season")
    assert lines[1].endswith("not there before") and len(lines) == 2
    again = to_windows(folder, tmp_path / "out")
    assert "kept" in windows_lines(again) and again.unchanged == ("windows",)


CALIBRATION = {
    "boat_speed_factor = 1.02": DAYS,
    "awa_offset_deg = 1.5": DAYS,
}


@pytest.mark.parametrize("line", CALIBRATION)
def test_calibration(campaign: Path, at_once: dict[str, pl.DataFrame], tmp_path: Path, line: str) -> None:
    folder, _ = copy_of(campaign, tmp_path / "campaign")
    to_windows(folder, tmp_path / "out")
    text = (folder / "boat.toml").read_text("utf-8")
    (folder / "boat.toml").write_text(f"[calibration]\n{line}\n" + text.replace("[calibration]\n", ""), "utf-8")
    run = to_windows(folder, tmp_path / "out")
    assert windows_lines(run).count("the calibration changed") == CALIBRATION[line]
    fresh = tables_of(to_windows(folder, tmp_path / "fresh"))
    assert differing(fresh, tables_of(run)) == []
    assert not fresh["windows"].equals(at_once["windows"])


def test_calibration_from_a_day_on_and_of_a_set(campaign: Path, tmp_path: Path) -> None:
    folder, _ = copy_of(campaign, tmp_path / "campaign")
    first = to_windows(folder, tmp_path / "out")
    starts = tables_of(first)["segments"]["start"].dt.date().unique().sort()
    text = (folder / "boat.toml").read_text("utf-8")
    period = f"[[calibration.periods]]\nfrom = {starts[2]}\nawa_offset_deg = 1.0\n"
    (folder / "boat.toml").write_text(f"{text}\n{period}", "utf-8")
    run = to_windows(folder, tmp_path / "out")
    assert windows_lines(run).count("the calibration changed") == 2
    assert differing(tables_of(run), tables_of(to_windows(folder, tmp_path / "fresh"))) == []
    rare = tables_of(run)["segments"].group_by("sail_set").agg(pl.col("start").dt.date().n_unique().alias("days"))
    name, days = rare.filter(pl.col("sail_set") != "unlogged").sort("days", "sail_set").row(0)
    assert days < DAYS
    own = f'[calibration.sets."{name}"]\nupwash_deg = 1.0\n'
    (folder / "boat.toml").write_text(f"{text}\n{period}{own}", "utf-8")
    run = to_windows(folder, tmp_path / "out")
    assert windows_lines(run).count("the calibration changed") == days
    assert differing(tables_of(run), tables_of(to_windows(folder, tmp_path / "fresh-2"))) == []


def test_sail_log_settings_and_excluded_time(campaign: Path, tmp_path: Path) -> None:
    folder, _ = copy_of(campaign, tmp_path / "campaign")
    segments = tables_of(to_windows(folder, tmp_path / "out"))["segments"]
    day: datetime = segments["start"][-1]
    stamp = f"{day:%Y-%m-%dT%H:%M:%SZ}"
    with (folder / "sail_log.csv").open("a", encoding="utf-8") as log:
        log.write(f"{stamp},flying,,all down\n")
    run = to_windows(folder, tmp_path / "out")
    assert windows_lines(run).count("the sail log changed") == 1
    later = f"{day + timedelta(minutes=5):%Y-%m-%dT%H:%M:%SZ}"
    (folder / "exclude.csv").write_text(f"start,finish,reason\n{stamp},{later},collision\n", "utf-8")
    run = to_windows(folder, tmp_path / "out")
    assert windows_lines(run).count("exclude.csv changed") == 1
    (folder / "settings_log.csv").write_text(f"time,item,value,unit,note\n{stamp},sea,rough,,\n", "utf-8")
    run = to_windows(folder, tmp_path / "out")
    assert "season's own columns" in windows_lines(run) and run.done == ("windows",)
    assert differing(tables_of(run), tables_of(to_windows(folder, tmp_path / "fresh"))) == []


def test_without_the_logs(campaign: Path, tmp_path: Path) -> None:
    """A changed calibration is carried through from the store alone."""
    folder, logs = copy_of(campaign, tmp_path / "campaign")
    to_windows(folder, tmp_path / "out")
    with (folder / "boat.toml").open("a", encoding="utf-8") as file:
        file.write("\n[[calibration.periods]]\nfrom = 2027-01-01\naws_factor = 1.05\n")
    fresh = tables_of(to_windows(folder, tmp_path / "fresh"))
    for log in logs:
        log.unlink()
    run = run_campaign(folder, tmp_path / "out", stages=("windows",))
    assert differing(fresh, tables_of(run)) == []


def test_little_memory(
    campaign: Path, at_once: dict[str, pl.DataFrame], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pieces that cannot wait for the season's last word are computed again where it differs from what was known."""
    monkeypatch.setattr(stage, "WAITING_STEPS", 1000)
    monkeypatch.setattr(stage, "READ_AT_ONCE", 1000)
    assert differing(at_once, tables_of(to_windows(campaign, tmp_path / "out"))) == []


def test_sensor_of_contrary_sign(campaign: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last days tip the scales: the day before them is computed again, its sensor turned with theirs."""
    monkeypatch.setattr(sensor_sign, "CLEAR_SHARE", 0.5)
    folder, logs = copy_of(campaign, tmp_path / "campaign")
    kept = {log: log.read_bytes() for log in logs[1:]}
    for log in logs[1:]:
        log.unlink()
    run = to_windows(folder, tmp_path / "out")
    with Store.open(run.out / "season.duckdb") as store:
        first = store.read_table("files")["file_id"].item()
    for log, content in kept.items():
        log.write_bytes(content)
    run = run_campaign(folder, tmp_path / "out", stages=("ingest",))
    with Store.open(run.out / "season.duckdb") as store:
        store.execute("UPDATE sample_rows SET heel = -heel WHERE file_id <> $first", first=first)
        store.commit()
    run = run_campaign(folder, tmp_path / "out", stages=("windows",))
    assert windows_lines(run).count("what the whole season says changed") == 1
    assert windows_lines(run).count("not there before") == DAYS - 1
    tables = tables_of(run)
    assert any("sign of heel is contrary" in reason for reason in tables["flags"]["reason"])
    samples = tables["wind"].filter(pl.col("heel_deg").is_not_null() & (pl.col("awa_deg").abs() < 60))
    to_windward = samples.group_by(pl.col("time").dt.date()).agg((pl.col("heel_deg") * pl.col("awa_deg") > 0).mean())
    assert to_windward["heel_deg"].sort().to_list()[:-1] == pytest.approx([0.0] * (DAYS - 1), abs=0.3)
