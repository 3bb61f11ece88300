"""The campaigns of a fleet, and the names they go by in its results."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.campaign.boat_file import read_boat
from pipeline.campaign.campaign import BOAT_FILE
from pipeline.output_folder import safe_name
from pipeline.problems import Problem, WrongUsage


@dataclass(frozen=True, slots=True)
class FleetCampaign:
    """One campaign: `boat` from its boat.toml, `season` from its folder's name, both fit for a file name.

    `problems`: why it cannot be run at all, from boat.toml; empty where it can be tried.
    """

    folder: Path
    boat: str
    season: str
    problems: tuple[Problem, ...] = ()

    @property
    def partition(self) -> str:
        """Its place in a partitioned data set."""
        return f"boat={self.boat}/season={self.season}"


def find_campaigns(places: Iterable[Path]) -> list[FleetCampaign]:
    """Every folder with a `boat.toml`, among `places` and below them, in order of boat and season.

    Raises `WrongUsage` where there is none, or where two would go by the same boat and season.
    """
    places = list(places)
    found = [_named(folder) for place in places for folder in sorted(set(_campaigns_below(place)))]
    if not found:
        raise WrongUsage(f"no folder with a boat.toml in {', '.join(map(str, places))}")
    same: dict[str, list[FleetCampaign]] = defaultdict(list)
    for campaign in found:
        same[campaign.partition].append(campaign)
    for partition, campaigns in same.items():
        if len(campaigns) > 1:
            folders = " and ".join(str(c.folder) for c in campaigns)
            raise WrongUsage(f"{folders} would both be {partition}: rename a folder, or the boat in its boat.toml")
    return sorted(found, key=lambda c: (c.boat, c.season))


def _campaigns_below(place: Path) -> Iterator[Path]:
    for folder, below, names in os.walk(place):
        if BOAT_FILE in names:
            below.clear()
            yield Path(folder).resolve()
        below[:] = sorted(name for name in below if not name.startswith("."))


def _named(folder: Path) -> FleetCampaign:
    boat, problems = read_boat(folder / BOAT_FILE)
    fatal = tuple(p for p in problems if p.fatal)
    if boat is None:
        return FleetCampaign(folder, safe_name(folder.name), safe_name(folder.name), fatal)
    return FleetCampaign(folder, safe_name(boat.name), safe_name(folder.name))
