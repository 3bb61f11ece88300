"""Pages as single files, by option of the command."""

from __future__ import annotations

from pathlib import Path

from pipeline.cli import main
from tests.known_boat.season import make_season


def test_single_files_come_by_option_and_go_without_it(tmp_path: Path) -> None:
    campaign, out = tmp_path / "campaign", tmp_path / "out"
    make_season(campaign, 5, "sportboat", days=2, hours=0.5)
    boat = campaign / "boat.toml"
    boat.write_text(boat.read_text("utf-8") + '\n[extra]\nnumber_language = "de"\n', "utf-8")
    assert main(["run", str(campaign), "--out", str(out), "--single-files"]) == 0
    assert {p.name for p in (out / "single").iterdir()} == {p.name for p in out.glob("*.html")}
    assert 'data-decimal=","' in (out / "index.html").read_text("utf-8")
    assert main(["report", str(campaign), "--out", str(out)]) == 0
    assert not (out / "single").exists() and (out / "index.html").is_file()
    assert main(["report", str(campaign), "--out", str(out), "--single-files"]) == 0
    assert (out / "single" / "card.html").is_file()
