"""All measured borders: the surfaces cut along every whole knot and every 5 degrees, and along the made-good lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.crossovers.best import share_fastest
from pipeline.crossovers.crossing import Bools, Crossing, Floats, crossings, runs, verdict_of
from pipeline.surfaces.season import SeasonFit

FIXED_ANGLE = "fixed-angle"
# A border counts where it is at least this likely that one of its two sets is the fastest of all: sets that are, or may
# be, the fastest there.
LEAST_LEADING = 0.5


@dataclass(frozen=True, slots=True)
class Line:
    """All sets along one line: `x` (n), `mean` and `supported` (sets, n), `log_draws` (draws, sets, n) of log speed.

    `at` is the value of the variable that is held (None where each set sails its own).
    """

    mode: str
    along: str
    at: float | None
    x: Floats
    mean: Floats
    log_draws: Floats
    supported: Bools


def lattice_lines(fit: SeasonFit, log_draws: Floats) -> Iterator[Line]:
    """Lines of fixed angle along wind speed, and of fixed wind speed along the angle."""
    for j, twa in enumerate(fit.twa_deg):
        parts = fit.log_speed[..., j], log_draws[..., j], fit.supported[..., j]
        yield Line(FIXED_ANGLE, "tws_kn", float(twa), fit.tws_kn, *parts)
    for i, tws in enumerate(fit.tws_kn):
        parts = fit.log_speed[:, i], log_draws[:, :, i], fit.supported[:, i]
        yield Line(FIXED_ANGLE, "twa_deg", float(tws), fit.twa_deg, *parts)


def borders_on(line: Line, sets: tuple[str, ...]) -> list[dict[str, object]]:
    """Rows of the table `crossovers` along one line: all pairs, all branches.

    A crossing is given only at, or next to, a node where both sets are supported; its interval may end beyond, as far
    as both surfaces reach at all, because there they are still known as well as their own intervals say. One that stays
    open on both sides says nothing and is left out.
    """
    rows = []
    leading = share_fastest(line.log_draws, line.supported)
    reached = np.isfinite(line.mean) & np.isfinite(line.log_draws).all(axis=0)
    for a in range(len(sets)):
        for b in range(a + 1, len(sets)):
            both = line.supported[a] & line.supported[b]
            for run in runs(reached[a] & reached[b]):
                if run.stop - run.start < 2 or not both[run].any():
                    continue
                x = line.x[run]
                draws = line.log_draws[:, b, run] - line.log_draws[:, a, run]
                for found in crossings(x, line.mean[b, run] - line.mean[a, run], draws):
                    at = _supported_node(x, both[run], found.at)
                    likely = np.interp([found.at], x, (leading[a] + leading[b])[run])[0]
                    empty = found.low is None and found.high is None
                    if at is not None and likely >= LEAST_LEADING and not empty:
                        pair = (sets[a], sets[b]) if found.rising else (sets[b], sets[a])
                        rows.append(_row(line, pair, found, _beyond(line, a, b, run.start + at)))
    return rows


def _supported_node(x: Floats, both: Bools, crossing: float) -> int | None:
    """The nearer of the two nodes about a crossing at which both sets are supported; None where neither is."""
    after = int(np.clip(np.searchsorted(x, crossing), 1, len(x) - 1))
    about = [i for i in (after - 1, after) if both[i]]
    return min(about, key=lambda i: abs(x[i] - crossing), default=None)


def _beyond(line: Line, a: int, b: int, at: int) -> tuple[tuple[bool, bool], tuple[bool, bool]]:
    """Which of the two is supported next to the nodes about `at` that support both, below them and above."""
    both = next(run for run in runs(line.supported[a] & line.supported[b]) if run.start <= at < run.stop)

    def supported(i: int) -> tuple[bool, bool]:
        inside = 0 <= i < len(line.x)
        return (bool(line.supported[a, i]), bool(line.supported[b, i])) if inside else (False, False)

    return supported(both.start - 1), supported(both.stop)


def _row(line: Line, pair: tuple[str, str], found: Crossing, beyond: tuple) -> dict[str, object]:
    return {
        "set_a": pair[0],
        "set_b": pair[1],
        "mode": line.mode,
        "along": line.along,
        "at": line.at,
        "crossing": found.at,
        "crossing_low": found.low,
        "crossing_high": found.high,
        "verdict": verdict_of(found, line.along, *beyond),
    }
