"""What a sail's change of rating is worth on corrected time, time on time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat

# Under [extra] in boat.toml: the boat's time-on-time factor with all sails aboard.
EXTRA_KEY = "time_on_time_factor"
UNKNOWN_FACTOR = 1.0

Figures = TypeVar("Figures", float, Floats)


@dataclass(frozen=True, slots=True)
class Rating:
    """Time-on-time `factor` with all sails aboard; `given` is False where it is unknown and taken as 1."""

    factor: float = UNKNOWN_FACTOR
    given: bool = False

    def corrected_loss(self, loss_s_per_nm: Figures, seconds_per_nm: Figures, delta_ashore: Figures) -> Figures:
        """Corrected seconds that a nautical mile takes longer with sails left ashore; below 0 where that pays.

        Corrected time is elapsed time times the factor. `seconds_per_nm`: elapsed, without the sails; `loss_s_per_nm`:
        by how much that is more than with them; `delta_ashore`: sum of their `rating_delta`, by which the factor is
        lower without them. factor x loss - delta x seconds.
        """
        return self.factor * loss_s_per_nm - delta_ashore * seconds_per_nm


def rating_of(boat: Boat) -> Rating:
    """The factor of `[extra] time_on_time_factor`, a positive number; 1 where there is none."""
    given = boat.extra.get(EXTRA_KEY)
    if isinstance(given, int | float) and not isinstance(given, bool) and given > 0:
        return Rating(float(given), True)
    return Rating()
