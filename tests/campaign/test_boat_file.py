"""`boat.toml`: typed settings, and every problem with its line."""

from datetime import date, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.campaign.boat_file import parse_boat, read_boat
from pipeline.campaign.settings import DEFAULT_CORRECTIONS
from pipeline.problems import Problem

BOAT = Path(__file__).parent.parent / "data" / "sandpiper.toml"
TEXT = BOAT.read_text()


def changed(old: str, new: str) -> list[Problem]:
    assert TEXT.count(old) == 1, old
    return parse_boat(TEXT.replace(old, new).encode())[1]


def line_of(text: str, needle: str) -> int:
    return text[: text.index(needle)].count("\n") + 1


def test_a_whole_boat_is_read_without_a_problem():
    boat, problems = read_boat(BOAT)
    assert problems == []
    assert boat.name == "Sandpiper" and boat.loa_m == 13.2 and boat.mainsail == "MN"
    assert boat.instruments.start_date == date(2027, 6, 12)
    assert boat.calibration.boat == DEFAULT_CORRECTIONS
    assert boat.calibration.periods[0][0] == datetime(2027, 7, 2)
    assert boat.calibration.periods[0][1].awa_offset_deg == 1.0
    assert boat.calibration.periods[0][1].aws_factor is None
    assert boat.calibration.sets["G2+ST"].upwash_deg == 2.0
    assert list(boat.sails) == ["MN", "J1", "J2", "ST", "G2"]
    assert boat.sails["G2"].versions[0].start == date(2027, 8, 1)
    assert boat.sail_sets[0].sails == ("MN", "ST", "G2")
    assert boat.channels.talkers["apparent_wind"] == "WI" and boat.channels.talkers["heading_true"] == "HC"
    assert boat.csv[0].columns[1].unit == "m/s"
    assert boat.extra == {"yard": "none"}
    assert boat.design.given and boat.displays.wind_height_m == 20.5


def test_defaults_where_only_the_needed_keys_are_given():
    boat, problems = parse_boat(b'[boat]\nname="A"\nloa_m=9\n[instruments]\nwind_sensor_height_m=12\n')
    assert boat is not None and [p.fatal for p in problems] == [False]
    assert boat.instruments.reference_height_m == 10.0
    assert boat.calibration.boat.leeway_coefficient == 8.0
    assert boat.csv[0].delimiter == "" and not boat.design.given


@pytest.mark.parametrize(
    ("old", "new", "at", "words"),
    [
        ("loa_m = 13.2", 'loa_m = "13.2"', 'loa_m = "13.2"', "without quotes"),
        ("loa_m = 13.2", "loa_m = true", "loa_m = true", "must be a number"),
        ("loa_m = 13.2", "loa_m = -3", "loa_m = -3", "must be above 0"),
        ("loa_m = 13.2", "loa_m = nan", "loa_m = nan", "must be above 0"),
        ("reference_height_m = 10.0", "referense_height_m = 10.0", "referense", "Did you mean 'reference_height_m'"),
        ('time_zone = "UTC"', 'time_zone = "Europe/Parys"', "time_zone", "unknown"),
        ("start_date = 2027-06-12", 'start_date = "2027-16-12"', "start_date", "a date such as"),
        ("boat_speed_factor = 1.0", "boat_speed_factor = 9", "boat_speed_factor", "from 0.5 to 2"),
        ("awa_offset_deg = 1", "awa_offset_deg = 181", "awa_offset_deg", "from -180 to 180"),
        ("upwash_deg = 2", "upwash_deg = 2\nboat_speed_factor = 1", "boat_speed_factor = 1\n\n", "not a key"),
        ('kind = "spinnaker"', 'kind = "spinaker"', 'kind = "spinaker"', "Did you mean 'spinnaker'"),
        ('aliases = ["main"]', 'aliases = ["j1"]', 'aliases = ["j1"]', "the code of sail J1"),
        ('"small gennaker"]', '\n  "big  JIB"]', '"big  JIB"', "a name of sail J1"),
        ('sails = ["MN", "G2", "ST"]', 'sails = ["MN", "G2",\n "SX"]', ' "SX"', "not under [sails]"),
        ('sails = ["MN", "G2", "ST"]', 'sails = ["MN", "Gennaker 2", "ST"]', '"Gennaker 2", "ST"', "its code 'G2'"),
        (
            'name = "upwind"\nsails = ["MN", "J1", "ST"]',
            'name = "a"\nsails=["MN","J1","J2"]',
            'sails=["MN","J1"',
            "station",
        ),
        ('name = "upwind"', 'name = "G2+st"', 'name = "G2+st"', "two sets are named"),
        ('"MN", "J1", "ST"]', '"MN", "ST", "G2"]', '"MN", "ST", "G2"]', "same sails"),
        ('name = "upwind"', 'name = "unlogged"', 'name = "unlogged"', "cannot be named"),
        ('name = "upwind"', 'name = "MAIN"', 'name = "MAIN"', "cannot be named"),
        ('name = "upwind"', 'name = "up+R1"', 'name = "up+R1"', "reefed mainsail"),
        ('name = "upwind"', 'name = "J2"', 'name = "J2"', "named like the sails"),
        ("sheeted_to_outrigger = []", 'sheeted_to_outrigger = ["J1"]', "sheeted_to", "does not hold it"),
        ('unit = "m/s"', 'unit = "knts"', "bsp = {", "is unknown"),
        ('unit = "m/s"', 'unit = "deg"', "bsp = {", "bsp is a speed"),
        ('delimiter = ";"', 'delimiter = "."', 'delimiter = "."', "could not be told apart"),
        ('time_format = "auto"', 'time_format = "unix"', "time_format", "neither auto"),
        ('wind = "WI"', 'wimd = "WI"', "talkers = {", "Did you mean 'wind'"),
        ("[rules]", "[rulez]", "[rulez]", "Did you mean 'rules'"),
        ("from = 2027-07-02", 'from = "soon"', 'from = "soon"', "cannot be read"),
        ("from = 2027-08-01", "form = 2027-08-01", "[[sails.G2.versions]]", "lacks 'from'"),
        ("[sails.J2]", '[sails."J 2"]', '[sails."J 2"]', "without spaces"),
        ("[sails.J2]", "[sails.j1]", "[sails.j1]", "differ only in case"),
        ("max_sails_aboard = 9", "max_sails_aboard = 2.5", "max_sails", "a whole number"),
    ],
)
def test_each_fault_is_fatal_and_named_with_its_line(old, new, at, words):
    problems = [p for p in changed(old, new) if words in p.what]
    assert problems, changed(old, new)
    assert problems[0].fatal
    assert problems[0].line == line_of(TEXT.replace(old, new), at)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('sails = ["MN", "J1", "ST"]', 'sails = ["J1", "ST"]', "leaves out the mainsail"),
        ('[calibration.sets."G2+ST"]', '[calibration.sets."G9"]', "no sail set of this boat"),
        ("sheeted_to_outrigger = []", 'sheeted_to_outrigger = ["ST"]', "outermost sail is a spinnaker"),
        ("lwl_m = 12.1 ", "lwl_m = 14 ", "longer than loa_m"),
        ("half_width_m = 7.6", "half_width_m = 7.0", "makes it a headsail"),
        ("[sails.J2]", "[sails.R2]", "reads like a reef"),
        ("area_m2 = 40", "", "no area_m2"),
    ],
)
def test_what_only_needs_a_warning_leaves_the_boat_usable(old, new, words):
    boat, problems = parse_boat(TEXT.replace(old, new).encode())
    assert boat is not None
    assert [p.fatal for p in problems] == [False]
    assert words in problems[0].what


def test_a_set_without_its_mainsail_is_taken_with_it():
    boat, _ = parse_boat(TEXT.replace('sails = ["MN", "J1", "ST"]', 'sails = ["J1", "ST"]').encode())
    assert boat.sail_sets[1].sails == ("MN", "J1", "ST")


def test_a_contradicted_kind_is_fatal_for_the_check():
    text = TEXT.replace("half_width_m = 7.6", "half_width_m = 7.0").encode()
    assert parse_boat(text, strict=True)[0] is None


def test_all_problems_come_together_in_the_order_of_lines():
    text = TEXT.replace("loa_m = 13.2", "loa_m = 0").replace('"UTC"', '"Mars"').replace("foot_m", "foto_m")
    lines = [p.line for p in parse_boat(text.encode())[1]]
    assert len(lines) >= 3 and lines == sorted(lines)


def test_several_csv_tables_and_dates_by_file():
    text = TEXT.replace("start_date = 2027-06-12", 'start_date = { "a.nmea" = 2027-06-12, "b.nmea" = 2027-07-01 }')
    text = text.replace("[csv]", "[[csv]]") + '\n[[csv]]\nfiles = "x*.csv"\ndelimiter = "tab"\n'
    text = text.replace("[extra]\nyard", "[[csv]]\nfiles='z*.csv'\n[extra]\nyard")
    boat, problems = parse_boat(text.encode())
    assert problems == []
    assert [layout.files for layout in boat.csv] == ["*.csv", "z*.csv", "x*.csv"]
    assert boat.csv[2].delimiter == "\t"
    assert boat.instruments.start_date == {"a.nmea": date(2027, 6, 12), "b.nmea": date(2027, 7, 1)}


def test_a_period_given_as_a_date_begins_at_local_midnight():
    boat, _ = parse_boat(TEXT.replace('time_zone = "UTC"', 'time_zone = "Europe/Paris"').encode())
    assert boat.calibration.periods[0][0] == datetime(2027, 7, 1, 22)


@pytest.mark.parametrize(
    ("data", "line", "words"),
    [
        (b"x = [1\n", 1, "not valid TOML"),
        (b"[boat]\nname = Sandpiper\n", 2, "not valid TOML"),
        (b"a = 1\na = 2\n", 2, "not valid TOML"),
        (b"a = 1\nb = '\xff'\n", 2, "UTF-8"),
        (b"a=" + b"[" * 100_000, None, "nested"),
        (b"a=" + b"[" * 60 + b"]" * 60, None, "nested"),
        (b".".join([b"a"] * 3000) + b"=1", None, "nested"),
        (b"a=" + b"9" * 5000, None, "not valid TOML"),
        (b"", None, "[boat] is missing"),
    ],
)
def test_a_file_that_is_no_toml_gets_one_sentence(data, line, words):
    boat, problems = parse_boat(data)
    assert boat is None
    assert words in problems[0].what and problems[0].line == line


def test_a_missing_file_and_a_folder_of_that_name(tmp_path):
    assert "missing" in read_boat(tmp_path / "boat.toml")[1][0].what
    (tmp_path / "boat.toml").mkdir()
    assert "cannot be read" in read_boat(tmp_path / "boat.toml")[1][0].what


def test_bom_and_carriage_returns_do_not_matter():
    assert parse_boat(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())[1] == []


LINES = TEXT.split("\n")


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_damaged_file_only_ever_reports(data):
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 4))):
        i = data.draw(st.integers(0, len(lines) - 1))
        edit = data.draw(st.sampled_from(["cut", "double", "swap", "text"]))
        if edit == "cut":
            lines[i] = lines[i][: data.draw(st.integers(0, len(lines[i])))]
        elif edit == "double":
            lines.insert(i, lines[i])
        elif edit == "swap":
            key, _, _ = lines[i].partition("=")
            value = data.draw(
                st.sampled_from(["1", "'x'", "[]", "{}", "[[1]]", "true", "2027-01-01", "1e400", "{a={b=1}}"])
            )
            lines[i] = f"{key}= {value}"
        else:
            lines[i] += data.draw(st.text(max_size=8))
    boat, problems = parse_boat("\n".join(lines).encode("utf-8", "surrogatepass"))
    assert (boat is None) == any(p.fatal for p in problems)
    assert all(p.what and (p.line is None or 1 <= p.line <= sum(x.count("\n") + 1 for x in lines)) for p in problems)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_only_ever_report(data):
    boat, problems = parse_boat(data)
    assert boat is None and problems
