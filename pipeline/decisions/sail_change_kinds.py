"""The changes of sails in a season's time line, and of what kind each is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.campaign.sail_sets import reefs_of, sails_of
from pipeline.campaign.settings import BARE, UNKNOWN, UNLOGGED, Boat

CHANGING = "changing"
OTHER = "other"


@dataclass(frozen=True, slots=True)
class SailChange:
    """One change: when, from which set to which, and its kind."""

    time: datetime
    from_set: str
    to_set: str
    kind: str


def sail_changes_of(segments: pl.DataFrame, boat: Boat) -> list[SailChange]:
    """Changes between adjoining segments, in order of time.

    A state that was held only while changing is passed over: the change is then one from the set before it to the set
    after it, at the time at which the latter is up.
    """
    out: list[SailChange] = []
    held: str | None = None
    until: datetime | None = None
    rows = segments.sort("start").select("start", "end", "sail_set", "quality").rows()
    for k, (start, end, name, quality) in enumerate(rows):
        if until is not None and start != until:
            held = None
        until = end
        following = rows[k + 1][2] if k + 1 < len(rows) and rows[k + 1][0] == end else None
        if quality == CHANGING and following is not None and following != name:
            continue
        if held is not None and name != held and not {name, held} & {UNKNOWN, UNLOGGED, BARE}:
            out.append(SailChange(start, held, name, kind_of_change(held, name, boat)))
        held = name
    return out


def kind_of_change(from_set: str, to_set: str, boat: Boat) -> str:
    """Kind of a change by the sails that go and come: what a crew would call it."""
    before, after = sails_of(from_set, boat), sails_of(to_set, boat)
    if before is None or after is None:
        return OTHER
    gone = {boat.sails[c].kind for c in before if c not in after}
    come = {boat.sails[c].kind for c in after if c not in before}
    if "spinnaker" in come:
        return "spinnaker peel" if "spinnaker" in gone else "spinnaker hoist"
    if "spinnaker" in gone:
        return "spinnaker drop"
    if "headsail" in come:
        fore = {boat.sails[c].kind for c in before} & {"headsail", "spinnaker"}
        return "headsail change" if "headsail" in gone else "staysail up" if fore else "headsail hoist"
    if "headsail" in gone:
        fore = {boat.sails[c].kind for c in after} & {"headsail", "spinnaker"}
        return "staysail down" if fore else "headsail drop"
    reefs = reefs_of(to_set, boat) - reefs_of(from_set, boat)
    return "reef" if reefs > 0 else "shake" if reefs < 0 else OTHER
