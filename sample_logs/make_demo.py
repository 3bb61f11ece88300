"""Makes the demo campaign in this folder: `python sample_logs/make_demo.py`. The same files, byte for byte, every time.

An invented yacht, an invented season: no boat, crew, sailmaker or race that exists. See NOTE.md for what is in it.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from demo_maker import chart, crews_papers, notes, truth_files
from demo_maker.season import Sailed, sail
from demo_maker.season_plan import DAYS

FOLDER = Path(__file__).resolve().parent


def main(folder: Path = FOLDER) -> None:
    """Writes the whole campaign into `folder`; files of `logs/` that are not of this season are removed."""
    season = {day.date: sail(day) for day in DAYS}
    if (folder / "logs").exists():
        shutil.rmtree(folder / "logs")
    for sailed in season.values():
        for name, data in sailed.files.items():
            target = folder / "logs" / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
    (folder / "truth").mkdir(exist_ok=True)
    for name, lines in papers(season).items():
        (folder / name).write_bytes(("\n".join(lines).rstrip("\n") + "\n").encode())


def papers(season: dict[str, Sailed]) -> dict[str, list[str]]:
    """Every text file of the campaign except the logs, as lines."""
    tracks = {date: s.track for date, s in season.items()}
    sail_log, slips = crews_papers.sail_log_rows(tracks)
    rings = [f"{s},{part},{w:.0f},{a:.0f}" for s, part, w, a in chart.rings()]
    hurt = [f"{name},{line}" for s in season.values() for name, line in s.damaged]
    made_good, by_angle = truth_files.made_good_border_rows(), truth_files.design_error_rows()
    return {
        "NOTE.md": notes.campaign_note(made_good, by_angle),
        "truth/NOTE.md": notes.truth_note(slips),
        "boat.toml": crews_papers.boat_toml().split("\n"),
        "sail_log.csv": sail_log,
        "settings_log.csv": crews_papers.settings_rows(),
        "races.csv": crews_papers.race_rows(),
        "exclude.csv": crews_papers.exclude_rows(),
        "designed.csv": ["sail_set,part,tws_kn,twa_deg", *rings],
        "designed_speeds.csv": truth_files.designed_speed_rows(),
        "truth/speeds.csv": truth_files.speed_rows(),
        "truth/borders.csv": truth_files.border_rows(),
        "truth/design_errors.csv": by_angle,
        "truth/design_errors_made_good.csv": made_good,
        "truth/flown.csv": truth_files.flown_rows(tracks),
        "truth/days.csv": truth_files.day_rows({date: s.weather for date, s in season.items()}),
        "truth/damaged_lines.csv": ["file,line", *hurt],
    }


if __name__ == "__main__":
    main()
