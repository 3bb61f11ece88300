"""Makers' wind limits of the sets, in the apparent wind."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.campaign.sail_sets import sails_of
from pipeline.campaign.settings import Boat


@dataclass(frozen=True, slots=True)
class SetLimit:
    """The lowest maker's limit among a set's sails, and the sail it belongs to."""

    sail_set: str
    sail: str
    max_aws_kn: float


def limits_of_sets(boat: Boat, names: Iterable[str]) -> tuple[SetLimit, ...]:
    """Limits of those sets that have one; a set whose sails cannot be told from its name has none."""
    out = []
    for name in names:
        stated = [
            (boat.sails[c].max_aws_kn, c)
            for c in sails_of(name, boat) or ()
            if c in boat.sails and boat.sails[c].max_aws_kn is not None
        ]
        if stated:
            limit, code = min((x or math.inf, c) for x, c in stated)
            out.append(SetLimit(name, code, limit))
    return tuple(out)
