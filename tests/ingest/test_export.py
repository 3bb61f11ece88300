"""Tables as CSV and Parquet: same columns, times with their zone, missing empty, nothing that acts as a formula."""

from datetime import UTC, datetime

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.ingest import export
from pipeline.ingest.export import export_tables, write_both
from pipeline.ingest.store import Store
from pipeline.tables import TABLES

START = datetime(2027, 6, 12, 12)


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "season.duckdb") as store:
        yield store


def test_the_whole_catalogue_and_other_results_but_nothing_internal(store, tmp_path):
    store.write_table("thresholds", pl.DataFrame({"name": ["x"], "value": [1.0]}))
    store.write_table("wind", pl.DataFrame({"time": [START]}))
    names = export_tables(store, tmp_path / "tables")
    assert names == sorted([*TABLES, "thresholds"])
    found = {p.name for p in (tmp_path / "tables").iterdir()}
    assert found == {f"{n}.{s}" for n in names for s in ("csv", "parquet")}


def test_empty_tables_keep_their_columns_and_types(store, tmp_path):
    export_tables(store, tmp_path)
    for name, table in TABLES.items():
        columns = list(table.columns)
        assert (tmp_path / f"{name}.csv").read_text().splitlines()[0].split(",")[: len(columns)] == columns
        parquet = pl.read_parquet(tmp_path / f"{name}.parquet")
        assert parquet.columns[: len(columns)] == columns
        for column, dtype in table.columns.items():
            expected = pl.Datetime("us", "UTC") if dtype == pl.Datetime("us") else dtype
            assert parquet.schema[column] == expected, (name, column)


def test_values_in_both(store, tmp_path):
    frame = pl.DataFrame(
        {"start": [START, None], "kept": [True, False], "x": [0.1, float("nan")], "n": [1, None], "s": ["a,b", None]}
    )
    write_both(frame, tmp_path, "t")
    assert (tmp_path / "t.csv").read_text() == 'start,kept,x,n,s\n2027-06-12T12:00:00Z,true,0.1,1,"a,b"\n,false,,,\n'
    back = pl.read_parquet(tmp_path / "t.parquet")
    assert back["start"].to_list() == [START.replace(tzinfo=UTC), None]
    assert_frame_equal(back.drop("start"), frame.drop("start").with_columns(x=pl.Series([0.1, None])))


def test_fractions_of_seconds_give_the_whole_column_microseconds(tmp_path):
    frame = pl.DataFrame({"time": [START, START.replace(microsecond=500)]})
    write_both(frame, tmp_path, "t")
    assert (tmp_path / "t.csv").read_text().splitlines()[1:] == [
        "2027-06-12T12:00:00.000000Z",
        "2027-06-12T12:00:00.000500Z",
    ]


def test_lists_are_separated_by_spaces(tmp_path):
    write_both(pl.DataFrame({"sails": [["MN", "G2"], []]}), tmp_path, "t")
    assert (tmp_path / "t.csv").read_text() == 'sails\nMN G2\n""\n'


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_text_that_a_spreadsheet_would_run_is_made_harmless(tmp_path, text):
    write_both(pl.DataFrame({"note": [text], "x": [-1.0]}), tmp_path, "t")
    cell = (tmp_path / "t.csv").read_text().splitlines()[1]
    assert cell.strip('"') == f"'{text},-1.0"
    assert pl.read_parquet(tmp_path / "t.parquet")["note"].to_list() == [text]


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    write_both(pl.DataFrame({"x": [1]}), tmp_path, "t")

    def fail(frame, path):
        path.write_text("half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(export, "write_csv", fail)
    with pytest.raises(OSError, match="No space"):
        write_both(pl.DataFrame({"x": [2]}), tmp_path, "t")
    assert (tmp_path / "t.csv").read_text() == "x\n1\n"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["t.csv", "t.parquet"]
