"""Whole chain on recorded logs (sources and licences: tests/data/recorded/NOTE.md)."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.angles import difference
from pipeline.cli import main
from pipeline.tables import TABLES
from tests.whole_chain.result_tables import RESULT_TABLES

Make = Callable[..., Path]


def run(folder: Path, out: Path) -> None:
    assert main(["run", str(folder), "--out", str(out)]) == 0


def check_outputs(out: Path) -> None:
    for name in RESULT_TABLES:
        parquet, csv = pl.read_parquet(out / "tables" / f"{name}.parquet"), out / "tables" / f"{name}.csv"
        assert parquet.columns == csv.read_text("utf-8").splitlines()[0].split(",")
        assert set(TABLES[name].columns) <= set(parquet.columns)
    for page in ("index", "analyst", "sailmaker", "coach"):
        assert "rank speed" in (out / f"{page}.html").read_text("utf-8"), "every report carries the caution"


def test_ocean_start_without_sail_log(campaign_of: Make, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(campaign_of({"start.nmea": "ocean-start-2008.nmea.gz"}, more="variation_deg = 15.0"), out)
    check_outputs(out)
    windows = pl.read_parquet(out / "tables" / "windows.parquet")
    assert windows.height >= 5
    assert windows["sail_set"].unique().to_list() == ["unlogged"]
    # NOTE.md: apparent wind 10 to 26.5 kn, boat speed 2.6 to 9 kn
    assert windows["bsp_kn"].is_between(2.0, 9.5).all()
    assert windows["tws_kn"].is_between(3.0, 27.0).all()
    assert windows["start"].min() >= datetime(2008, 7, 14, 19, 43, tzinfo=UTC)
    assert windows["end"].max() <= datetime(2008, 7, 14, 20, 21, tzinfo=UTC)


def test_coastal_log_without_date_and_heading(campaign_of: Make, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(campaign_of({"coast.nmea": "coastal-2014.nmea.gz"}, more="start_date = 2014-07-05"), out)
    check_outputs(out)
    windows = pl.read_parquet(out / "tables" / "windows.parquet")
    assert windows.height >= 20
    assert windows["twd_deg"].null_count() == windows.height, "no heading anywhere, so no wind direction"
    assert windows["twa_deg"].null_count() == 0
    assert set(windows["start"].dt.date().cast(pl.String).to_list()) == {"2014-07-05"}


def test_true_wind_agrees_with_the_instruments_own(campaign_of: Make, tmp_path: Path) -> None:
    # Acceptance: median within 0.5 deg and 0.1 kn, no height reduction, no leeway.
    out = tmp_path / "out"
    run(campaign_of({"yacht.nmea": "yacht-instruments-2018.nmea.gz"}), out)
    with duckdb.connect(str(out / "season.duckdb"), read_only=True) as db:
        frame = db.sql("select s.twa, s.tws, w.twa_deg, w.tws_kn from samples s join wind w using (time)").pl()
    both = frame.drop_nulls()
    assert both.height > 1000
    assert abs(np.median(difference(both["twa_deg"].to_numpy(), both["twa"].to_numpy()))) <= 0.5
    assert abs(np.median(both["tws_kn"].to_numpy() - both["tws"].to_numpy())) <= 0.1


def test_same_content_twice_and_in_any_order_gives_the_same_tables(campaign_of: Make, tmp_path: Path) -> None:
    first = campaign_of({"a.nmea": "yacht-instruments-2018.nmea.gz"})
    run(first, tmp_path / "one")
    (first / "logs" / "again").mkdir()
    (first / "logs" / "again" / "z.nmea").write_bytes((first / "logs" / "a.nmea").read_bytes())
    run(first, tmp_path / "two")
    for name in ("segments", "windows", "surfaces", "flags"):
        one, two = ((tmp_path / f / "tables" / f"{name}.csv").read_bytes() for f in ("one", "two"))
        assert one == two, name
    files = pl.read_parquet(tmp_path / "two" / "tables" / "files.parquet")
    assert files.height == 1


def test_a_second_run_redoes_nothing_and_changes_nothing(campaign_of: Make, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    folder = campaign_of({"a.nmea": "yacht-instruments-2018.nmea.gz"})
    run(folder, out)
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file() and p.suffix in {".html", ".csv", ".parquet"}}
    capsys.readouterr()
    run(folder, out)
    assert "Not redone" in capsys.readouterr().out
    assert before == {p: p.read_bytes() for p in before}


def test_campaign_folder_is_never_written_to(campaign_of: Make, tmp_path: Path) -> None:
    folder = campaign_of({"a.nmea": "yacht-instruments-2018.nmea.gz"})
    before = {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*")}
    run(folder, tmp_path / "out")
    assert before == {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*")}
