"""The command line: help that teaches, exit statuses, drafts, explanations."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline import output_folder
from pipeline.cli import build_parser, main
from pipeline.problems import WrongUsage

COMMANDS = ("run", "check", "demo", "start", "explain", "ingest", "fit", "report")
README = Path(__file__).parents[2] / "README.md"


@pytest.mark.parametrize(
    "arguments", [[], ["sail"], ["run"], ["run", "a", "b"], ["explain", "a"], ["run", "a", "--no"]]
)
def test_wrong_usage_is_status_2(arguments: list[str], capsys) -> None:
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    assert stop.value.code == 2
    assert "usage: peelpoint" in capsys.readouterr().err


def test_help_and_readme_name_every_command(capsys) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    said, readme = capsys.readouterr().out, README.read_text("utf-8")
    for command in COMMANDS:
        assert re.search(rf"^\s+{command}\s", said, re.MULTILINE), command
        assert f"peelpoint {command}" in readme, command


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command: str, capsys) -> None:
    with pytest.raises(SystemExit) as stop:
        build_parser().parse_args([command, "--help"])
    assert stop.value.code == 0
    assert len(capsys.readouterr().out.splitlines()) > 5


@pytest.mark.parametrize(
    ("name", "folder"),
    [
        ("Sandpiper", "Sandpiper"),
        ("../../etc/passwd", "etc-passwd"),
        ("", "boat"),
        ("...", "boat"),
        ("Été & <b>", "Été-b"),
        ("a" * 300, "a" * 80),
    ],
)
def test_boat_names_made_safe_for_a_folder(name: str, folder: str) -> None:
    assert output_folder.safe_name(name) == folder


def test_claim_refuses_a_file(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x", "utf-8")
    with pytest.raises(WrongUsage, match="is a file"):
        output_folder.claim(tmp_path / "out", tmp_path / "campaign")


def test_claim_takes_an_empty_folder_and_knows_it_again(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    output_folder.claim(out, tmp_path / "campaign")
    output_folder.claim(out, tmp_path / "campaign")
    assert output_folder.read_marker(out) == {}


def test_publish_moves_whole_files_and_cleans_up(tmp_path: Path) -> None:
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "a.csv").write_text("old", "utf-8")
    with output_folder.aside(tmp_path) as folder:
        (folder / "tables").mkdir()
        (folder / "tables" / "a.csv").write_text("new", "utf-8")
        assert (tmp_path / "tables" / "a.csv").read_text("utf-8") == "old"
        output_folder.publish(folder, tmp_path)
    assert (tmp_path / "tables" / "a.csv").read_text("utf-8") == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["tables"]


def test_a_failed_check_of_our_own_is_a_sentence(capsys, monkeypatch, tmp_path: Path) -> None:
    def fail(*_: object, **__: object) -> None:
        raise AssertionError("check lines_add_up failed: [{'file': 'a.nmea'}]")

    monkeypatch.setattr("pipeline.chain.run_campaign", fail)
    assert main(["run", str(tmp_path)]) == 1
    said = capsys.readouterr().err
    assert "lines_add_up" in said and "a fault of the program, not of your data" in said and "Traceback" not in said
