"""A campaign folder: everything read together, every problem reported together."""

from datetime import datetime
from pathlib import Path

import pytest

from pipeline.campaign.campaign import check_campaign, read_campaign
from pipeline.problems import UnusableInput

BOAT = (Path(__file__).parent.parent / "data" / "sandpiper.toml").read_text()


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "boat.toml").write_text(BOAT)
    (tmp_path / "sail_log.csv").write_text("time,action,sail,note\n2027-06-12T09:00:00Z,flying,MN J1,\n")
    (tmp_path / "logs" / "day 2").mkdir(parents=True)
    (tmp_path / "logs" / "b.nmea").write_text("")
    (tmp_path / "logs" / "day 2" / "a.csv").write_text("")
    (tmp_path / "logs" / ".hidden").write_text("")
    return tmp_path


def write(folder, name, text):
    (folder / name).write_text(text)


def whats(folder):
    return [str(p) for p in check_campaign(folder)]


def test_a_sound_campaign(folder):
    write(folder, "designed.csv", "sail_set,part,tws_kn,twa_deg\nG2+ST,1,5,90\nG2+ST,1,9,90\nG2+ST,1,9,140\n")
    write(folder, "designed_speeds.csv", "sail_set,tws_kn,twa_deg,bsp_kn\nJ1,10,45,6.5\nJ1,8,45,6\n")
    write(
        folder,
        "settings_log.csv",
        "time,item,value,unit,note\n2027-06-12T09:00Z,Sea,Flat,,\n2027-06-12T08:00Z,crew,9,,\n",
    )
    write(folder, "races.csv", "name,start,finish\nCup,2027-06-12T09:00:00Z,2027-06-12T12:00:00Z\n")
    write(folder, "exclude.csv", "start,finish,reason\n2027-06-12T10:00:00Z,2027-06-12T10:10:00Z,nets\n")
    write(folder, "conditions.csv", "tws_kn,twa_deg,hours\n10,45,3\n")
    campaign = read_campaign(folder)
    assert campaign.warnings == () and check_campaign(folder) == []
    assert [f.name for f in campaign.log_files] == ["b.nmea", "a.csv"]
    assert campaign.designed.height == 3 and campaign.designed_speeds["tws_kn"].to_list() == [8.0, 10.0]
    assert campaign.settings_log["item"].to_list() == ["crew", "sea"]
    assert campaign.settings_log["value"].to_list() == ["9", "flat"]
    assert campaign.races["start"][0] == datetime(2027, 6, 12, 9)
    assert campaign.exclude["reason"].to_list() == ["nets"] and campaign.conditions["hours"].to_list() == [3.0]


def test_without_a_sail_log_the_campaign_is_read_with_a_warning(folder):
    (folder / "sail_log.csv").unlink()
    campaign = read_campaign(folder)
    assert campaign.sail_log is None and "unlogged" in campaign.warnings[0].what


def test_faults_of_every_file_come_together(folder):
    write(folder, "boat.toml", BOAT.replace("loa_m = 13.2", "loa_m = 0"))
    write(folder, "sail_log.csv", "time,action,sail,note\n2027-06-12T09:00:00Z,hoisted,J1,\n")
    write(folder, "races.csv", "name,start,finish\nCup,2027-06-12T12:00:00Z,2027-06-12T12:00:00Z\n")
    (folder / "logs" / "b.nmea").unlink()
    (folder / "logs" / "day 2" / "a.csv").unlink()
    with pytest.raises(UnusableInput) as caught:
        read_campaign(folder)
    assert {p.file for p in caught.value.problems} == {"boat.toml", "sail_log.csv", "races.csv", "logs/"}
    assert {p.file for p in check_campaign(folder)} == {"boat.toml", "sail_log.csv", "races.csv", "logs/"}


def test_an_unknown_sail_stops_the_check_but_not_the_run(folder):
    write(folder, "sail_log.csv", "time,action,sail,note\n2027-06-12T09:00:00Z,hoist,A9,\n")
    assert [p.fatal for p in read_campaign(folder).warnings] == [False]
    assert [p.fatal for p in check_campaign(folder)] == [True]


@pytest.mark.parametrize(
    ("name", "text", "line", "words"),
    [
        ("designed.csv", "sail_set,part,tws_kn,twa_deg\nJ1,1,5,190\n", 2, "from 0 to 180"),
        ("designed.csv", "sail_set,part,tws_kn,twa_deg\nJ1,1,5,90\nJ1,1,6,90\nJ1,1,5,90\n", 2, "an area needs three"),
        ("designed.csv", "sail_set,part,tws_kn,twa_deg\nJ7,1,5,90\nJ7,1,6,90\nJ7,1,5,99\n", 2, "no sail set"),
        ("designed_speeds.csv", "sail_set,tws_kn,twa_deg,bsp_kn\nJ1,10,45,6,5\n", 2, "more cells"),
        ("designed_speeds.csv", "sail_set,tws_kn,twa_deg,bsp_kn\nJ1,10,45,\n", 2, "bsp_kn is missing"),
        ("designed_speeds.csv", "sail_set,tws_kn,twa_deg,bsp_kn\nJ1,10,45,6\nJ1,10,45,7\n", 3, "where line 2 gives"),
        ("settings_log.csv", "time,item,value\n2027-06-12T09:00:00Z,sea,choppy\n", 2, "flat, moderate, rough"),
        ("settings_log.csv", "time,item\n", 1, "no header with value"),
        ("races.csv", "name,start,finish\nA,2027-06-12T09:00Z,2027-06-12T08:00Z\n", 2, "not before its finish"),
        ("exclude.csv", "start,finish,reason\nnoon,2027-06-12T08:00Z,\n", 2, "cannot be read"),
        ("conditions.csv", "tws_kn,twa_deg,hours\n10,45,nan\n", 2, "is no number"),
        ("conditions.csv", "tws_kn,twa_deg,hours\n10,45,0\n", None, "no hours"),
    ],
)
def test_faults_of_the_optional_files_have_their_line(folder, name, text, line, words):
    write(folder, name, text)
    problems = check_campaign(folder)
    assert [(p.file, p.line) for p in problems] == [(name, line)]
    assert words in problems[0].what


def test_a_file_under_a_wrong_name_is_pointed_out(folder):
    write(folder, "design.csv", "a\n")
    assert any("designed.csv" in w for w in whats(folder))


def test_no_campaign_at_all(tmp_path):
    assert "no such folder" in whats(tmp_path / "nowhere")[0]
    (tmp_path / "file").write_text("x")
    assert "is a file" in whats(tmp_path / "file")[0]
    (tmp_path / "empty").mkdir()
    assert whats(tmp_path / "empty") == [w for w in whats(tmp_path / "empty") if "is empty" in w] != []


def test_logs_missing_or_a_file(folder):
    for log in folder.glob("logs/**/*"):
        if log.is_file():
            log.unlink()
    assert any("holds no log files" in w for w in whats(folder))
    (folder / "logs" / "day 2").rmdir()
    (folder / "logs").rmdir()
    assert any("logs/: is missing" in w for w in whats(folder))
    (folder / "logs").write_text("")
    assert any("must be the folder" in w for w in whats(folder))


def test_a_folder_without_permission_gets_a_sentence(folder, monkeypatch):
    def refused(*_args, **_keywords):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pipeline.campaign.campaign.os.scandir", refused)
    assert whats(folder) == [f"{folder}: cannot be read (Permission denied)."]


def test_logs_without_permission_get_a_sentence(folder, monkeypatch):
    def refused(place, onerror):
        onerror(PermissionError(13, "Permission denied", str(place)))
        return iter(())

    monkeypatch.setattr("pipeline.campaign.campaign.os.walk", refused)
    assert whats(folder) == ["logs: cannot be read (Permission denied)."]
