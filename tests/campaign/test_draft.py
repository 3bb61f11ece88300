"""The drafted files can be read as they stand, and say where a person is needed."""

from datetime import date, datetime
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.campaign.boat_file import parse_boat
from pipeline.campaign.draft import FoundChannel, FoundCsv, LogSummary, draft_campaign
from pipeline.campaign.sail_log import read_sail_log

SUMMARY = LogSummary(
    logs=3,
    channels=(FoundChannel("awa", 1.0, (("WI", 100),)), FoundChannel("hdg_mag", 10.0, (("HC", 50), ("II", 90)))),
    csv=(FoundCsv("*.csv", ("When", "Boat speed (m/s)", "Wind angle", "Keel"), ";", ","),),
    undated=('night "1".nmea',),
    sessions=(
        (datetime(2027, 6, 12, 9), datetime(2027, 6, 12, 15)),
        (datetime(2027, 6, 13, 9), datetime(2027, 6, 13, 10)),
    ),
    transducers=("FORE",),
    remarks=("heel seems positive to port",),
)


def test_the_drafts_are_read_by_the_readers(tmp_path):
    boat_text, sail_log_text = draft_campaign(Path("/somewhere/Sandpiper"), SUMMARY)
    boat, problems = parse_boat(boat_text.encode())
    assert boat is not None and boat.name == "Sandpiper"
    assert boat.instruments.start_date == {'night "1".nmea': date(2027, 6, 12)}
    assert [(c.channel, c.column, c.unit) for c in boat.csv[0].columns] == [
        ("time", "When", None),
        ("bsp", "Boat speed (m/s)", "m/s"),
        ("awa", "Wind angle", None),
    ]
    assert "heel seems positive to port" in boat_text and "not guessed: Keel" in boat_text
    assert problems and all("TO DO" in p.what and not p.fatal for p in problems)
    (tmp_path / "sail_log.csv").write_text(sail_log_text)
    frame, problems = read_sail_log(tmp_path / "sail_log.csv", boat)
    assert frame["time"].to_list() == [start for start, _ in SUMMARY.sessions]
    assert frame["codes"].to_list() == [None, None]  # an unfinished draft claims no set
    assert len(problems) == 2


def test_commented_suggestions_are_valid_once_the_mark_is_taken_away():
    text = draft_campaign(Path("Sandpiper"), SUMMARY)[0]
    text = text.replace("# transducers", "transducers").replace("# talkers", "talkers")
    boat, problems = parse_boat(text.encode())
    assert not [p for p in problems if p.fatal]
    assert boat.channels.talkers == {"heading_mag": "II"} and boat.channels.transducers == {"FORE": "heel"}


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=12), st.lists(st.text(max_size=12), max_size=4), st.text(max_size=12))
def test_no_name_in_the_logs_breaks_the_draft(name, headings, remark):
    summary = LogSummary(1, csv=(FoundCsv("a.csv", tuple(headings)),), undated=tuple(headings), remarks=(remark,))
    folder = Path("/" + name.replace("/", "").replace("\0", "").strip(". "))
    boat, problems = parse_boat(draft_campaign(folder, summary)[0].encode())
    assert not [p for p in problems if p.fatal], problems
    assert boat is not None
