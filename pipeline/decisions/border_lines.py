"""Along each measured border's line: by how much the set beyond it leads the other, as far as both are supported."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.angles import Floats
from pipeline.crossovers.borders import FIXED_ANGLE, Line, lattice_lines
from pipeline.crossovers.crossing import refine, runs
from pipeline.crossovers.made_good import MODES, made_good_line
from pipeline.decisions.season import Season


@dataclass(frozen=True, slots=True)
class BorderLine:
    """One row of `crossovers` and, about its crossing, places `x` along the line with `lead`, the log of set_b's speed
    (or velocity made good) over set_a's; empty where the two are not supported there.
    """

    row: dict[str, object]
    x: Floats
    lead: Floats

    @property
    def crossing(self) -> float:
        """Where the border lies."""
        return float(self.row["crossing"])  # type: ignore[arg-type]


def border_lines(season: Season) -> list[BorderLine]:
    """The lines of all borders, in the order of `crossovers`."""
    fit = season.fit
    crossovers = season.tables.get("crossovers")
    if crossovers is None or crossovers.is_empty() or not fit.sets:
        return []
    none = season.log_draws[:0]
    lines = [*lattice_lines(fit, none), *(made_good_line(fit, none, m) for m in MODES)]
    by_key = {(line.mode, line.along, line.at): line for line in lines}
    number = {name: k for k, name in enumerate(fit.sets)}
    out = []
    for row in crossovers.iter_rows(named=True):
        line = by_key[row["mode"], row["along"], row["at"] if row["mode"] == FIXED_ANGLE else None]
        x, lead = _about(line, number[row["set_a"]], number[row["set_b"]], row["crossing"])
        out.append(BorderLine(row, x, lead))
    return out


def _about(line: Line, a: int, b: int, crossing: float) -> tuple[Floats, Floats]:
    step = line.x[1] - line.x[0]
    for run in runs(line.supported[a] & line.supported[b]):
        x = line.x[run]
        if len(x) >= 2 and x[0] - step <= crossing <= x[-1] + step:
            return refine(x, line.mean[b, run] - line.mean[a, run])
    return np.zeros(0), np.zeros(0)
