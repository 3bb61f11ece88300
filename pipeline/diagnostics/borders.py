"""The borders as the diagnostics see them: on which line, how steep, and where each of the two sets stands there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.crossovers.borders import FIXED_ANGLE
from pipeline.crossovers.crossing import refine
from pipeline.crossovers.made_good import MODES, best_made_good
from pipeline.surfaces.season import SeasonFit

# What names a border in every table of the diagnostics.
KEYS: dict[str, pl.DataType] = {
    "set_a": pl.String(),
    "set_b": pl.String(),
    "mode": pl.String(),
    "along": pl.String(),
    "at": pl.Float64(),
    "crossing": pl.Float64(),
}


@dataclass(frozen=True, slots=True)
class BorderLine:
    """One row of `crossovers` with a crossing.

    `x` (n) nodes of its line that both sets reach; `lead` (m, n) by how much log speed (or velocity made good) of set_b
    exceeds that of set_a on each of m surfaces; `places`: TWS and |TWA| of each set at the crossing.
    """

    row: Mapping[str, object]
    a: int
    b: int
    x: Floats
    lead: Floats
    places: tuple[tuple[float, float], tuple[float, float]]

    @property
    def key(self) -> tuple[object, ...]:
        """What names it."""
        return tuple(self.row[k] for k in KEYS)

    def crossings(self) -> Floats:
        """Where set_b overtakes set_a on each surface (m), the place nearest to the border; NaN where it never does."""
        fine, curves = refine(self.x, self.lead)
        before, after = curves[:, :-1], curves[:, 1:]
        rising = (before <= 0.0) & (after > 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            place = fine[:-1] - before * np.diff(fine) / (after - before)
        away = np.where(rising, np.abs(place - float(self.row["crossing"])), np.inf)  # type: ignore[arg-type]
        nearest = away.argmin(axis=1)
        return np.where(rising.any(axis=1), place[np.arange(len(curves)), nearest], np.nan)

    def slope(self) -> float:
        """Growth of the first surface's lead at the border, in log speed per unit of `along`."""
        fine, curve = refine(self.x, self.lead[0])
        at = float(np.clip(float(self.row["crossing"]), fine[0], fine[-1]))  # type: ignore[arg-type]
        return float(np.interp(at, fine, np.gradient(curve, fine)))


def border_lines(fit: SeasonFit, crossovers: pl.DataFrame, log_speeds: Floats) -> Iterator[BorderLine]:
    """Every border of `crossovers` on given surfaces, `log_speeds` (m, sets, tws, twa), NaN out of reach."""
    number = {name: k for k, name in enumerate(fit.sets)}
    made_good = {mode: best_made_good(np.exp(log_speeds), fit.twa_deg, fit.supported, mode) for mode in MODES}
    for row in crossovers.iter_rows(named=True):
        if row["crossing"] is None:
            continue
        a, b = number[row["set_a"]], number[row["set_b"]]
        if row["mode"] == FIXED_ANGLE:
            x, curves = _fixed(fit, log_speeds, row)
            wind_angle = (row["crossing"], row["at"])
            place = wind_angle if row["along"] == "tws_kn" else wind_angle[::-1]
            places = (place, place)
        else:
            velocity, angle, exists = made_good[row["mode"]]
            x = fit.tws_kn
            with np.errstate(invalid="ignore", divide="ignore"):
                curves = np.where(exists & (velocity > 0), np.log(velocity), np.nan)
            places = tuple((row["crossing"], _at(x, angle[k], row["crossing"])) for k in (a, b))  # type: ignore[assignment]
        lead = curves[:, b] - curves[:, a]
        near = _run_about(np.isfinite(lead).all(axis=0), int(np.argmin(np.abs(x - row["crossing"]))))
        if near is not None:
            yield BorderLine(row, a, b, x[near], lead[:, near], places)


def _fixed(fit: SeasonFit, log_speeds: Floats, row: Mapping[str, object]) -> tuple[Floats, Floats]:
    if row["along"] == "tws_kn":
        return fit.tws_kn, log_speeds[..., int(np.argmin(np.abs(fit.twa_deg - row["at"])))]  # type: ignore[operator]
    return fit.twa_deg, log_speeds[:, :, int(np.argmin(np.abs(fit.tws_kn - row["at"])))]  # type: ignore[operator]


def _at(x: Floats, values: Floats, place: float) -> float:
    known = np.isfinite(values)
    return float(np.interp(place, x[known], values[known])) if known.any() else float("nan")


def _run_about(flags: np.ndarray, at: int) -> slice | None:
    """The stretch of True about an index, None where it has fewer than two nodes."""
    if not flags[at]:
        return None
    gaps = np.flatnonzero(~flags)
    start = int(gaps[gaps < at].max(initial=-1)) + 1
    stop = int(gaps[gaps > at].min(initial=len(flags)))
    return slice(start, stop) if stop - start >= 2 else None
