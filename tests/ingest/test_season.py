"""A season's logs into the store: kinds, dates, copies, what is new and what is gone, and what cannot be used."""

import gzip
import os
from datetime import date, datetime, timedelta
from functools import reduce
from operator import xor

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.campaign.campaign import Campaign
from pipeline.campaign.settings import Boat, Channels, CsvColumn, CsvLayout, Instruments
from pipeline.ingest import dates, log_files, season
from pipeline.ingest.log_files import LogReader, UnreadableLog, kind_of, read_content, unfolded
from pipeline.ingest.season import ingest_logs
from pipeline.ingest.store import Store
from pipeline.ingest.workers import Workers
from pipeline.problems import UnusableInput

begin = Workers.begin
NOON = datetime(2027, 6, 12, 12)
LAYOUTS = (CsvLayout(),)
# Seconds in a log of 30 s, once on the clock: the sentences of a burst share its time.
TICKS = 30


def sentence(body):
    return f"${body}*{reduce(xor, body.encode()):02X}"


def nmea(start=NOON, seconds=30, with_date=True, angle=30):
    """A log of one RMC (or GGA, which has no date), one wind and one speed a second."""
    lines = []
    for i in range(seconds):
        t = start + timedelta(seconds=i)
        fix = "5000.000,N,00100.000,W"
        if with_date:
            lines.append(sentence(f"GPRMC,{t:%H%M%S},A,{fix},6.0,090.0,{t:%d%m%y},,"))
        else:
            lines.append(sentence(f"GPGGA,{t:%H%M%S},{fix},1,08,1.0,0.0,M,0.0,M,,"))
        lines.append(sentence(f"WIMWV,{angle:05.1f},R,10.0,N,A"))
        lines.append(sentence("VWVHW,,T,,M,6.00,N,11.11,K"))
    return ("\r\n".join(lines) + "\r\n").encode()


def csv(start=NOON, seconds=30, stamp="%Y-%m-%dT%H:%M:%SZ", angle=40):
    rows = "".join(f"{start + timedelta(seconds=i):{stamp}},6,{angle},10\n" for i in range(seconds))
    return ("time,bsp,awa,aws\n" + rows).encode()


@pytest.fixture
def make(tmp_path):
    """A campaign of these logs; called again, the logs are replaced."""

    def build(logs, *, sail_log=None, races=None, layouts=LAYOUTS, talkers=None, **instruments):
        folder = tmp_path / "campaign"
        for old in sorted((folder / "logs").rglob("*"), reverse=True):
            old.unlink() if old.is_file() else old.rmdir()
        for name, data in logs.items():
            place = folder / "logs" / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
        found = tuple(sorted(p for p in (folder / "logs").rglob("*") if p.is_file()))
        boat = Boat(
            "Sandpiper",
            13.2,
            Instruments(20.5, **instruments),
            csv=tuple(layouts),
            channels=Channels(talkers=talkers or {}),
        )
        return Campaign(folder, boat, sail_log, None, None, None, races, None, None, found, ())

    return build


@pytest.fixture
def path(tmp_path):
    return tmp_path / "season.duckdb"


def ingest(path, campaign, said=None):
    with Store.open(path) as store:
        ingest_logs(store, campaign, (said if said is not None else []).append)
        store.commit()


def read(path, name):
    with Store.open(path, read_only=True) as store:
        return store.read_samples() if name == "samples" else store.read_table(name)


def flags(path):
    table = read(path, "flags").filter(pl.col("stage") == "ingest")
    return {(r["reason"], r["kept"]): r["count"] for r in table.iter_rows(named=True)}


def problems_of(path, campaign):
    with pytest.raises(UnusableInput) as caught:
        ingest(path, campaign)
    return [(p.file, p.what) for p in caught.value.problems]


def test_nmea_and_csv_days_plain_and_packed(path, make):
    later = NOON + timedelta(days=1)
    campaign = make({"day1.nmea": nmea(), "two/day2.csv.gz": gzip.compress(csv(later))})
    ingest(path, campaign)
    files = read(path, "files").sort("file")
    assert files["file"].to_list() == ["day1.nmea", "two/day2.csv.gz"]
    assert files["kind"].to_list() == ["nmea", "csv"]
    assert files["first_time"].to_list() == [NOON, later]
    assert (files["used"] + files["passed_over"] + files["rejected"]).to_list() == files["lines"].to_list() == [90, 31]
    samples = read(path, "samples")
    assert samples["time"].to_list() == [
        *(NOON + timedelta(seconds=i) for i in range(TICKS)),
        *(later + timedelta(seconds=i) for i in range(30)),
    ]
    assert samples["awa"].to_list() == [30.0] * TICKS + [40.0] * 30
    assert flags(path)[("samples on the clock", True)] == TICKS + 30


def test_rejected_lines_name_file_line_and_reason(path, make):
    campaign = make(
        {
            "day.csv": csv() + b"nonsense\nnoon,6,40,10\n",
            "day.nmea": nmea(NOON + timedelta(days=1)) + b"$WIMWV,030.0,R,10.0,N,A*00\r\n",
        }
    )
    ingest(path, campaign)
    rejected = read(path, "rejected").sort("file", "line")
    assert rejected.select("file", "line").rows() == [("day.csv", 32), ("day.csv", 33), ("day.nmea", 91)]
    assert rejected["reason"].to_list() == ["wrong number of fields", "unreadable time", "wrong checksum"]
    assert flags(path)[("lines rejected", False)] == 3


def test_the_same_content_counts_once_under_its_first_name(path, make):
    campaign = make({"b.nmea": nmea(), "a/copy.txt": nmea(), "c.nmea.gz": gzip.compress(nmea())})
    ingest(path, campaign)
    files = read(path, "files")
    assert files.select("file", "also_named").rows() == [("a/copy.txt", "b.nmea c.nmea.gz")]
    assert read(path, "samples").height == TICKS
    counted = flags(path)
    ingest(path, make({"b.nmea": nmea()}))
    assert read(path, "files").select("file", "also_named").rows() == [("b.nmea", None)]
    assert flags(path) == counted, "how often a log lies there changes nothing but its names"


def test_only_what_is_new_is_decoded_and_what_is_gone_is_removed(path, make):
    days = {f"d{i}.nmea": nmea(NOON + timedelta(days=i)) for i in range(3)}
    said = []
    ingest(path, make(days), said)
    assert len(said) == 3
    said.clear()
    ingest(path, make(days), said)
    assert said == []
    del days["d0.nmea"]
    days["d3.nmea"] = nmea(NOON + timedelta(days=3))
    ingest(path, make(days), said)
    assert said == ["reading log 1 of 1: d3.nmea"]
    assert read(path, "files")["file"].sort().to_list() == ["d1.nmea", "d2.nmea", "d3.nmea"]
    assert read(path, "samples")["time"].min() == NOON + timedelta(days=1)


def test_other_settings_decode_again_and_give_another_fingerprint(path, make):
    two = nmea() + nmea(angle=50).replace(b"WIMWV", b"IIMWV")
    two = b"\r\n".join(sentence(line[1:-3].decode()).encode() for line in two.split(b"\r\n") if line)
    prints = []
    for talkers, angle in (({}, 50.0), ({"wind": "WI"}, 30.0)):
        ingest(path, make({"d.nmea": two}, talkers=talkers))
        assert set(read(path, "samples")["awa"]) == {angle}  # equally busy: the first by name, II
        with Store.open(path, read_only=True) as store:
            prints.append(store.fingerprint("ingest"))
    assert prints[0] != prints[1]


def test_names_and_order_of_files_do_not_matter(tmp_path, make):
    contents = [nmea(NOON + timedelta(minutes=10 * i), angle=20 + i) for i in range(4)] + [
        csv(NOON + timedelta(days=2))
    ]
    frames = []
    for i, names in enumerate((("a", "b", "c", "d", "e.csv"), ("z", "y", "x", "w", "a.csv"))):
        store = tmp_path / f"{i}.duckdb"
        ingest(store, make(dict(zip(names, contents, strict=True))))
        frames.append((read(store, "samples"), read(store, "flags")))
    assert_frame_equal(frames[0][0], frames[1][0])
    assert_frame_equal(frames[0][1], frames[1][1])


def test_step_by_step_gives_the_same_store_as_all_at_once(tmp_path, make):
    days = {f"d{i}.nmea": nmea(NOON + timedelta(days=i)) for i in range(4)}
    ingest(tmp_path / "all.duckdb", make(days))
    for n in (2, 4):
        ingest(tmp_path / "steps.duckdb", make(dict(list(days.items())[:n])))
    for name in ("samples", "flags"):
        assert_frame_equal(read(tmp_path / "all.duckdb", name), read(tmp_path / "steps.duckdb", name))
    one, other = (read(tmp_path / f, "files").sort("file") for f in ("all.duckdb", "steps.duckdb"))
    assert_frame_equal(one, other)


def test_processes_give_the_same_store(tmp_path, make, monkeypatch):
    logs = {f"d{i}.nmea": nmea(NOON + timedelta(days=i), angle=20 + i) for i in range(5)}
    logs |= {f"u{i}.nmea": nmea(NOON, with_date=False) + b"$torn*" for i in range(2)}
    campaign = make(logs | {"e.csv.gz": gzip.compress(csv(NOON + timedelta(days=9)))}, start_date=date(2027, 6, 20))
    ingest(tmp_path / "alone.duckdb", campaign)
    begun = []
    monkeypatch.setattr(season, "WORKERS_FROM_BYTES", 0)
    monkeypatch.setattr(Workers, "begin", lambda workers: begun.append(begin(workers, wait=True)))
    monkeypatch.setattr(season, "allowed", lambda: 2)
    ingest(tmp_path / "side by side.duckdb", campaign)
    assert len(begun) == 1
    for name in ("samples", "files", "rejected", "flags"):
        frames = [read(tmp_path / f"{how}.duckdb", name) for how in ("alone", "side by side")]
        assert_frame_equal(*frames, check_exact=True)


def test_logs_without_a_date_get_it_by_name_a_day_more_each(path, make):
    logs = {"a.nmea": nmea(), "b.nmea": nmea(with_date=False), "c.csv": csv(stamp="%H:%M:%S")}
    ingest(path, make(logs, start_date=date(2027, 6, 20), time_zone="Europe/Paris"))
    files = read(path, "files").sort("file")
    assert files["dated"].to_list() == [True, False, False]
    # the sentence's own time is UTC, the CSV's the boat's: 12:00 in Paris is 10:00 UTC in summer
    assert files["first_time"].to_list() == [NOON, datetime(2027, 6, 20, 12), datetime(2027, 6, 21, 10)]
    assert flags(path)[("logs without a date, dated by start_date", True)] == 2
    said = []
    ingest(path, make(logs, start_date=date(2027, 6, 21), time_zone="Europe/Paris"), said)
    files = read(path, "files").sort("file")
    assert files["first_time"].to_list() == [NOON, datetime(2027, 6, 21, 12), datetime(2027, 6, 22, 10)]
    assert said == []  # nothing new to look at


def test_logs_without_a_date_by_a_table_of_names(path, make):
    logs = {"x/a.nmea": nmea(with_date=False), "b.nmea.gz": gzip.compress(nmea(with_date=False, angle=50))}
    start = {"a.nmea": date(2027, 7, 1), "b.nmea": date(2027, 7, 9)}
    ingest(path, make(logs, start_date=start))
    files = read(path, "files").sort("file")
    assert files["first_date"].to_list() == [date(2027, 7, 9), date(2027, 7, 1)]


def test_a_log_without_a_date_and_no_start_date_is_a_problem_that_names_it(path, make):
    campaign = make({"a.nmea": nmea(with_date=False), "b.csv": csv(stamp="%H:%M:%S"), "c.nmea": nmea()})
    problems = problems_of(path, campaign)
    assert [f for f, _ in problems] == ["logs/a.nmea", "logs/b.csv"]
    assert all("set start_date under [instruments] in boat.toml" in what for _, what in problems)
    assert not path.exists()


def test_a_receiver_1024_weeks_off_is_put_right_by_the_other_logs_or_by_the_sail_log(path, make):
    off = nmea(NOON + timedelta(days=3) - timedelta(weeks=1024))
    days = {f"d{i}.nmea": nmea(NOON + timedelta(days=i)) for i in range(2)}
    ingest(path, make({**days, "a.nmea": off}))
    assert read(path, "samples")["time"].max() == NOON + timedelta(days=3, seconds=TICKS - 1)
    sail_log = pl.DataFrame({"time": [NOON], "action": ["hoist"]})
    ingest(path, make({"a.nmea": off}, sail_log=sail_log))
    assert read(path, "samples")["time"].min() == NOON + timedelta(days=3)


def test_kind_by_content_and_name():
    layouts = (CsvLayout(files="*.log", delimiter=";", columns=(CsvColumn("bsp", "V"),)), CsvLayout())
    assert kind_of("a.csv", nmea(), layouts) == ("nmea", None)
    assert kind_of("a.csv", csv(), layouts) == ("csv", layouts[1])
    assert kind_of("x/A.CSV.GZ", csv(), layouts) == ("csv", layouts[1])
    assert kind_of("a.txt", csv(), layouts) == ("csv", layouts[1])
    assert kind_of("a.log", b"time;V\n1;2\n", layouts) == ("csv", layouts[0])
    assert kind_of("a.txt", b"neither\nthis\n", layouts) == ("nmea", None)
    assert kind_of("a.csv", b"neither\nthis\n", layouts) == ("csv", layouts[1])


@pytest.mark.parametrize(
    ("logs", "file", "words"),
    [
        ({}, "logs/", "holds no log files"),
        ({"a.nmea": b"", "b.csv": b"\r\n \n"}, "logs/", "holds only empty files"),
        ({"a.nmea": bytes(range(1, 256)) * 50}, "logs/a.nmea", "holds no line that could be used"),
        ({"a.csv": b"a,b\n1,2\n"}, "logs/a.csv", "cannot be read as CSV: no heading 'time'"),
        ({"a.csv": b"time,bsp\nnoon,6\n"}, "logs/a.csv", "no line of the CSV could be used: unreadable time"),
        ({"a.nmea.gz": b"\x1f\x8bnonsense"}, "logs/a.nmea.gz", "is a damaged gzip file"),
        ({"a.csv": csv().replace(b"awa", b"x")}, "logs/", "no apparent wind (MWV,R / VWR / awa and aws) in any log"),
    ],
)
def test_what_cannot_be_used_is_a_sentence_and_leaves_the_store_alone(path, make, logs, file, words):
    ingest(path, make({"good.nmea": nmea()}))
    before = path.read_bytes()
    (found, what), *more = problems_of(path, make(logs))
    assert (found, more) == (file, [])
    assert words in what
    assert path.read_bytes() == before


def test_all_problems_are_told_at_once(path, make):
    problems = problems_of(path, make({"a.nmea": b"\xff\xfe" * 99 + b"\n", "b.csv": b"x,y\n", "c.nmea": nmea()}))
    assert [f for f, _ in problems] == ["logs/a.nmea", "logs/b.csv"]


def test_no_folder_of_logs(path, make):
    assert problems_of(path, make({})) == [("logs/", "is missing: put the instrument logs into it")]


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_a_log_without_permission(path, make):
    campaign = make({"a.nmea": nmea()})
    campaign.log_files[0].chmod(0)
    assert problems_of(path, campaign) == [("logs/a.nmea", "cannot be read: you have no permission for it")]


def test_a_log_that_cannot_be_opened(path, make, monkeypatch):
    campaign = make({"a.nmea": nmea(), "b.nmea": nmea(angle=50)})

    def refuse(reader):
        raise UnreadableLog(f"cannot be read: you have no permission for it ({reader.path.name})")

    monkeypatch.setattr(log_files.LogReader, "blocks", refuse)
    assert [f for f, _ in problems_of(path, campaign)] == ["logs/a.nmea", "logs/b.nmea"]


def test_an_empty_log_among_others_is_kept_in_the_account(path, make):
    ingest(path, make({"a.nmea": nmea(), "b.nmea": b"", "c.csv": b"\n\n"}))
    files = read(path, "files").sort("file")
    assert files.select("file", "lines", "used", "passed_over").rows()[1:] == [("b.nmea", 0, 0, 0), ("c.csv", 2, 0, 2)]
    assert flags(path)[("logs without any text", True)] == 2


def unfold(packed, step):
    """What gzip bytes that come so many at a time unfold to, and whether they end before their end."""
    parts = []
    steps = unfolded((packed[i : i + step] for i in range(0, len(packed), step)), len(packed))
    while True:
        try:
            parts.append(next(steps))
        except StopIteration as end:
            return b"".join(parts), end.value


@pytest.mark.parametrize("step", [1, 7, 1 << 20])
def test_gzip_is_unfolded_member_by_member_and_saved_as_far_as_it_goes(tmp_path, step, monkeypatch):
    monkeypatch.setattr(log_files, "BLOCK_BYTES", 1000)
    data = nmea()
    packed = gzip.compress(data)
    assert unfold(packed + packed, step) == (data * 2, False)
    assert unfold(packed + b"more", step) == (data, False)
    torn, cut_short = unfold(packed[:-20], step)
    assert cut_short and data.startswith(torn) and len(torn) > 100
    place = tmp_path / "no-suffix"
    place.write_bytes(packed)
    assert read_content(place) == data


@pytest.mark.parametrize("pack", [bytes, gzip.compress, lambda d: b"\xff\xfe" + d.decode().encode("utf-16-le")])
def test_parts_of_a_log_are_given_again(tmp_path, pack, monkeypatch):
    monkeypatch.setattr(log_files, "BLOCK_BYTES", 1000)
    data = nmea()
    place = tmp_path / "log"
    place.write_bytes(pack(data))
    reader = LogReader(place)
    whole = b"".join(reader.blocks())
    again = reader.again()
    for at, size in ((0, 10), (500, 2000), (2600, 1), (100, 50), (len(whole) - 5, 5)):
        assert again(at, size) == whole[at : at + size]


def test_a_gzip_bomb_is_refused_before_it_unfolds(monkeypatch):
    monkeypatch.setattr(log_files, "RATIO_COUNTS_FROM_BYTES", 1 << 20)
    with pytest.raises(UnreadableLog, match="500 times its size"):
        unfold(gzip.compress(bytes(40 << 20)), 1 << 20)
    monkeypatch.setattr(log_files, "MAX_UNFOLDED_BYTES", 1 << 20)
    with pytest.raises(UnreadableLog, match="unfolds to more than"):
        unfold(gzip.compress(os.urandom(2 << 20)), 1 << 20)


def test_a_torn_gzip_log_is_used_as_far_as_it_goes(path, make):
    ingest(path, make({"a.nmea.gz": gzip.compress(nmea(seconds=300))[:-400]}))
    assert 10 < read(path, "samples").height < 300
    assert flags(path)[("compressed logs cut short: the rest of them is lost", False)] == 1


def test_season_of_logs_is_that_of_the_most_and_at_a_tie_the_later():
    new, old = date(2027, 6, 12), date(2027, 6, 12) - timedelta(weeks=1024)
    assert dates.season_of_logs([old, new, new + timedelta(days=1)]) == (new, new + timedelta(days=1))
    assert dates.season_of_logs([old, new]) == (new, new)
    assert dates.season_of_logs([]) is None


def test_flags_of_other_stages_stay(path, make):
    ingest(path, make({"a.nmea": nmea()}))
    with Store.open(path) as store:
        other = pl.DataFrame({"stage": ["wind"], "reason": ["x"], "kept": [True], "count": [7]})
        store.write_table("flags", pl.concat([store.read_table("flags"), other]))
        store.commit()
    ingest(path, make({"a.nmea": nmea(), "b.nmea": nmea(NOON + timedelta(days=1))}))
    table = read(path, "flags")
    assert table.filter(pl.col("stage") == "wind").rows() == [("wind", "x", True, 7)]
    assert table.select("stage", "reason", "kept").is_unique().all()
