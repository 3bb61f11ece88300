"""The store: one transaction a run, plain sentences, and samples of many logs on one time line."""

import subprocess
import sys
from datetime import datetime, timedelta

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.ingest.loading import Loading
from pipeline.ingest.merge import merge_log
from pipeline.ingest.readings import REJECTED_SCHEMA, DecodedLog
from pipeline.ingest.store import SCHEMA_VERSION, Store, run_checks, sql_text
from pipeline.problems import UnusableInput
from pipeline.tables import TABLES

T0 = datetime(2027, 6, 12, 12)


def at(seconds):
    return T0 + timedelta(seconds=seconds)


def merged(step_s, count, start_s=0.0, **channels):
    """A log of one group a channel, one reading a step; a channel is a number or a list of them."""
    groups = {"awa": "apparent_wind", "aws": "apparent_wind", "bsp": "water_speed", "sog": "ground", "heel": "heel"}
    times = pl.Series([at(start_s + i * step_s) for i in range(count)], dtype=pl.Datetime("us"))
    frames = {}
    for name, value in channels.items():
        column = pl.Series(name, value if isinstance(value, list) else [float(value)] * count, dtype=pl.Float64)
        group = groups.get(name, name)
        frame = frames.get(group, pl.DataFrame({"time": times, "source": ["csv"] * count}))
        frames[group] = frame.with_columns(column)
    return merge_log(DecodedLog(1, 1, 0, pl.DataFrame(schema=REJECTED_SCHEMA), frames, True), talkers={})


def load(store, file_id, samples):
    loading = Loading(store)
    loading.samples(file_id, [samples])
    loading.finish()


def add(store, file_id, log):
    load(store, file_id, log.samples)
    times = log.samples["time"]
    row = {
        "file": file_id,
        "sha256": file_id,
        "file_id": file_id,
        "samples": log.samples.height,
        "first_time": times.min(),
        "last_time": times.max(),
        "rate_hz": log.rate_hz,
        "lines": 1,
        "used": 1,
        "passed_over": 0,
        "rejected": 0,
    }
    store.append("files", pl.DataFrame([row]))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "season.duckdb"


def test_a_table_comes_back_as_it_was_written(path):
    frame = pl.DataFrame(
        {
            "start": [at(0), at(60)],
            "end": [at(60), at(90)],
            "sail_set": ["G2", None],
            "source": "log",
            "quality": "sure",
        }
    )
    with Store.open(path) as store:
        store.write_table("segments", frame)
        store.commit()
    with Store.open(path, read_only=True) as store:
        assert_frame_equal(store.read_table("segments"), TABLES["segments"].conform(frame))


def test_tables_are_typed_also_when_empty_or_never_written(path):
    with Store.open(path) as store:
        store.write_table("windows", TABLES["windows"].empty())
        assert store.read_table("windows").schema == pl.Schema(TABLES["windows"].columns)
        assert store.read_table("surfaces").schema == pl.Schema(TABLES["surfaces"].columns)
        assert not store.has_table("surfaces")
        with pytest.raises(KeyError, match="no table 'mood'"):
            store.read_table("mood")


def test_a_table_lacking_a_column_is_refused_and_nan_is_missing(path):
    with Store.open(path) as store:
        with pytest.raises(ValueError, match="lacks columns"):
            store.write_table("segments", pl.DataFrame({"start": [at(0)]}))
        store.write_table("mine", pl.DataFrame({"x": [1.0, float("nan")], "names": [["a", "b"], []]}))
        assert store.read_table("mine").rows() == [(1.0, "a b"), (None, "")]


def test_a_run_that_fails_leaves_the_old_store_as_it_was(path):
    with Store.open(path) as store:
        add(store, "a", merged(1, 5, awa=30, aws=10))
        store.write_table("mine", pl.DataFrame({"x": [1]}))
        store.set_fingerprint("fit", "old")
        store.commit()
    with pytest.raises(RuntimeError, match="half way"), Store.open(path) as store:
        store.remove_file("a")
        add(store, "b", merged(1, 5, awa=40, aws=10, further=1))
        store.write_table("mine", pl.DataFrame({"x": [2]}))
        store.write_table("other", pl.DataFrame({"x": [2]}))
        store.set_fingerprint("fit", "new")
        raise RuntimeError("half way")
    with Store.open(path) as store:
        assert store.read_table("mine").rows() == [(1,)]
        assert store.fingerprint("fit") == "old"
        assert not store.has_table("other")
        assert store.read_samples()["awa"].to_list() == [30.0] * 5
        assert "further" not in store.read_samples().columns


def test_leaving_without_commit_undoes_even_without_an_error(path):
    with Store.open(path) as store:
        store.commit()
        store.write_table("mine", pl.DataFrame({"x": [1]}))
    with Store.open(path) as store:
        assert not store.has_table("mine")


def test_a_new_store_left_without_commit_is_gone(path):
    with Store.open(path) as store:
        store.write_table("mine", pl.DataFrame({"x": [1]}))
    assert list(path.parent.iterdir()) == []


def test_what_is_not_ours_is_refused_and_left_alone(path):
    for content in (b"hello" * 100, b"SQLite format 3\x00" + bytes(4096), b"PAR1"):
        path.write_bytes(content)
        with pytest.raises(UnusableInput, match="not a database of peelpoint's"):
            Store.open(path)
        assert path.read_bytes() == content
    path.unlink()
    with duckdb.connect(str(path)) as foreign:
        foreign.execute("CREATE TABLE theirs (x INTEGER)")
    with pytest.raises(UnusableInput, match="not a season of peelpoint's"):
        Store.open(path)
    with duckdb.connect(str(path)) as foreign:
        assert foreign.execute("SELECT count(*) FROM theirs").fetchone() == (0,)


def test_another_layout_of_the_store_is_refused(path):
    with Store.open(path) as store:
        store.execute("UPDATE meta SET value = '999' WHERE name = 'schema_version'")
        store.commit()
    with pytest.raises(UnusableInput, match=f"layout 999 of the store, this peelpoint writes {SCHEMA_VERSION}"):
        Store.open(path)


def test_what_a_run_killed_in_its_first_moment_leaves_is_taken_over(path):
    path.write_bytes(b"")
    with Store.open(path) as store:
        store.commit()
    path.unlink()
    duckdb.connect(str(path)).close()  # a database without a table
    with Store.open(path) as store:
        assert store.has_table("samples")


def test_reading_what_is_not_there(path):
    with pytest.raises(UnusableInput, match="is not there yet"):
        Store.open(path, read_only=True)
    assert not path.exists()
    with pytest.raises(UnusableInput, match="is a folder"):
        Store.open(path.parent)


def test_a_second_process_gets_a_sentence_and_changes_nothing(path):
    code = (
        "import sys; from pathlib import Path; from pipeline.ingest.store import Store; Store.open(Path(sys.argv[1]))"
    )
    with Store.open(path) as store:
        store.commit()
        second = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False)
    assert second.returncode == 1
    assert "is in use by another run of peelpoint (process" in second.stderr
    assert str(path) in second.stderr


def test_a_full_disk_is_a_sentence(path):
    error = duckdb.IOException('IO Error: Could not write file "x": No space left on device')
    with pytest.raises(UnusableInput, match="the disk is full"), Store.open(path):
        raise error
    with pytest.raises(UnusableInput, match="the disk is full"), Store.open(path):
        raise OSError(28, "No space left on device")
    with pytest.raises(FileNotFoundError), Store.open(path):
        raise FileNotFoundError(2, "No such file")


def test_names_of_further_channels_are_no_danger(path):
    name = 'x"; DROP TABLE samples; --'
    with Store.open(path) as store:
        load(store, "a", merged(1, 3, **{name: 5}).samples)
        assert store.read_table("samples").height == 3
        assert 'x";_drop_table_samples;_--' in store.read_table("samples").columns


# --- samples of many logs -------------------------------------------------------------------------------------------


def test_logs_that_do_not_meet_are_read_as_they_are_in_order(path):
    with Store.open(path) as store:
        add(store, "b", merged(1, 5, start_s=3600, awa=40, aws=10))
        add(store, "a", merged(0.5, 5, awa=30, aws=10))
        samples = store.read_samples()
        assert samples["time"].to_list() == [at(i / 2) for i in range(5)] + [at(3600 + i) for i in range(5)]
        assert samples["awa"].to_list() == [30.0] * 5 + [40.0] * 5
        assert "fresh" not in samples.columns and "file_id" not in samples.columns
        assert_frame_equal(store.read_samples(columns=("aws", "depth", "awa")), samples.select("time", "awa", "aws"))


def test_wind_in_one_log_and_the_rest_in_another_of_another_rate(path):
    with Store.open(path) as store:
        add(store, "wind", merged(0.5, 40, awa=30, aws=10))
        add(store, "gps", merged(2, 10, sog=[float(i) for i in range(10)]))
        samples = store.read_samples()
    assert samples.height == 40
    assert samples["time"].is_unique().all()
    # held until the next reading 2 s on
    assert samples.filter(pl.col("time") == at(3.5))["sog"].to_list() == [1.0]
    assert samples.filter(pl.col("time") == at(4.0))["sog"].to_list() == [2.0]
    assert samples["awa"].null_count() == 0


def test_over_several_logs_nothing_is_carried_beyond_its_age(path):
    with Store.open(path) as store:
        add(store, "speed", merged(1, 40, bsp=6))
        add(store, "wind", merged(1, 10, start_s=5, awa=30, aws=10))
        samples = store.read_samples()
    known = samples.filter(pl.col("awa").is_not_null())["time"]
    assert (known.min(), known.max()) == (at(5), at(14 + 3))  # maximum age of the apparent wind: 3 s


def test_the_faster_log_is_believed_where_two_measured_the_same(path):
    with Store.open(path) as store:
        add(store, "slow", merged(1, 20, awa=10, aws=5))
        add(store, "fast", merged(0.5, 20, start_s=5, awa=30, aws=10))
        samples = store.read_samples()
    by_time = dict(zip(samples["time"], samples["awa"], strict=True))
    assert by_time[at(4)] == 10.0
    assert {by_time[at(5 + i / 2)] for i in range(20)} == {30.0}
    assert by_time[at(19)] == 10.0
    assert samples["time"].is_sorted() and samples["time"].is_unique().all()


def test_a_log_cut_in_two_reads_as_the_whole(path, tmp_path):
    heel = [float(i % 7) if i % 3 == 0 else None for i in range(60)]
    whole = merged(1, 60, awa=[float(i) for i in range(60)], aws=10, heel=heel)

    def part(first, last):
        return merged(1, last - first, first, awa=[float(i) for i in range(first, last)], aws=10, heel=heel[first:last])

    with Store.open(tmp_path / "one.duckdb") as store:
        add(store, "w", whole)
        expected = store.read_samples()
    for cut in (20, 31):
        with Store.open(tmp_path / "two.duckdb") as store:
            add(store, "x", part(cut, 60))
            add(store, "y", part(0, cut))
            assert_frame_equal(store.read_samples(), expected)


def test_a_span_of_samples_is_the_same_as_cut_from_the_whole(path):
    with Store.open(path) as store:
        add(store, "speed", merged(1, 40, bsp=6))
        add(store, "wind", merged(0.5, 40, start_s=5, awa=30, aws=10))
        add(store, "later", merged(1, 40, start_s=1000, awa=30, aws=10))
        whole = store.read_samples()
        for first, last in ((0, 2000), (3, 8), (24.5, 30), (39, 1003), (500, 600)):
            expected = whole.filter((pl.col("time") >= at(first)) & (pl.col("time") < at(last)))
            assert_frame_equal(store.read_span("samples", at(first), at(last)), expected)


def test_the_order_in_which_logs_are_added_does_not_matter(tmp_path):
    logs = {
        "a": merged(1, 40, bsp=6),
        "b": merged(0.5, 40, start_s=5, awa=30, aws=10),
        "c": merged(1, 40, start_s=50, awa=20, aws=10, further=3),
    }
    frames = []
    for i, order in enumerate(("abc", "cba", "bca")):
        with Store.open(tmp_path / f"{i}.duckdb") as store:
            for name in order:
                add(store, name, logs[name])
            frames.append(store.read_samples())
    assert_frame_equal(frames[0], frames[1])
    assert_frame_equal(frames[0], frames[2])


def test_samples_that_go_back_or_stand_still_are_a_fault(path):
    samples = merged(1, 5, awa=30, aws=10).samples
    for batches in ([samples, samples], [samples, samples.tail(1)], [samples[[0, 0]]], [samples.reverse()]):
        with Store.open(path) as store, pytest.raises(AssertionError, match="one a tick"):
            Loading(store).samples("a", batches)


def test_logs_are_loaded_the_same_in_however_many_parts(path, monkeypatch):
    logs = {"a": merged(1, 40, bsp=6), "b": merged(0.5, 40, awa=30, aws=10), "c": merged(1, 40, further=3)}
    tables = []
    for rows in (1, 7, 64, 1000):
        monkeypatch.setattr("pipeline.ingest.loading.ROWS_AT_ONCE", rows)
        with Store.open(path) as store:
            loading = Loading(store)
            for name, log in logs.items():
                span = loading.samples(name, [log.samples.head(9), log.samples.slice(9)])
                assert (span.rows, span.first, span.last) == (40, log.samples["time"][0], log.samples["time"][-1])
            loading.finish()
            tables.append(store.read_table("samples"))
    for table in tables[1:]:
        assert_frame_equal(tables[0], table)


def test_checks_find_what_they_are_for(path):
    with Store.open(path) as store:
        add(store, "a", merged(1, 5, awa=30, aws=10))
        run_checks(store, {"new": ["a"]})
        breakages = {
            "samples_as_counted": "INSERT INTO sample_rows SELECT * FROM sample_rows LIMIT 1",
            "lines_add_up": "UPDATE files SET lines = 2",
            "files_once": "INSERT INTO files SELECT * FROM files",
            "rejected_lines_once": "INSERT INTO rejected VALUES ('a', 9, 'x', 'y', 'a')",
            "every_row_has_its_file": "INSERT INTO file_flags VALUES ('z', 'x', true, 1)",
        }
        for name, damage in breakages.items():
            query = sql_text(f"checks/{name}")
            parameters = {"new": ["a"]} if "$new" in query else {}
            assert store.query(query, **parameters).is_empty()
            store.commit()
            store.execute(damage)
            assert not store.query(query, **parameters).is_empty(), name
            with pytest.raises(AssertionError, match="failed"):
                run_checks(store, {"new": ["a"]})
            store.connection.execute("ROLLBACK")
            store.connection.execute("BEGIN")
