"""What the fit leaves over: measured over expected speed by day, tack, sail set and wind.

A residual is a window's log speed less what the surfaces say of its set, wind and angle on an ordinary day, the mean of
both tacks; so days and tacks stay in it, and the fit's own covariates of wind (its trend, the share of its jumps that
the boat felt) do not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import stats

from pipeline.angles import Floats
from pipeline.diagnostics.medians import ClusteredMedian, clustered_median
from pipeline.surfaces.coordinates import MODES, Ints, mode_weights
from pipeline.surfaces.latent_wind import number_stretches
from pipeline.surfaces.without_day import Basis, day_dates, day_numbers

RESIDUALS_SCHEMA: dict[str, pl.DataType] = {
    "by": pl.String(),
    "day": pl.Date(),
    "mode": pl.String(),
    "tack": pl.String(),
    "sail_set": pl.String(),
    "tws_from_kn": pl.Float64(),
    "tws_to_kn": pl.Float64(),
    "median_pct": pl.Float64(),
    "low_pct": pl.Float64(),
    "high_pct": pl.Float64(),
    "windows": pl.Int64(),
    "effective_n": pl.Float64(),
    "odd": pl.Boolean(),
}
BAND_KN = 4.0
PORT, STARBOARD = "port", "starboard"
# A line is odd when less than this would be expected to be called so in a whole table of a season without oddities.
ODD_PER_TABLE = 0.10
MAD_TO_SD = 1.4826  # median absolute deviation of a normal distribution to its standard deviation


@dataclass(frozen=True, slots=True)
class Left:
    """Residuals of the windows (n) in log speed, and what they are grouped by. `mode` numbers `MODES`."""

    residual: Floats
    day: Ints
    stretch: Ints
    mode: Ints
    port: np.ndarray
    set_number: Ints
    band: Ints


def residuals_of(basis: Basis) -> Floats:
    """Log speed of each window less the expected one on an ordinary day, mean of both tacks."""
    mean = basis.posterior.mean.copy()
    mean[basis.problem.layout.extras["tack"]] = 0.0
    out = np.empty(basis.seen.count)
    for day in basis.problem.days:
        out[day.block.rows] = basis.problem.y[day.block.rows] - day.x @ mean[day.columns]
    return out


def left_over(basis: Basis) -> Left:
    """Residuals with their groups."""
    seen = basis.seen
    return Left(
        residual=residuals_of(basis),
        day=day_numbers(seen),
        stretch=number_stretches(seen),
        mode=mode_weights(seen.twa_deg).argmax(axis=1),
        port=seen.twa_deg < 0,
        set_number=seen.set_number,
        band=np.floor(seen.tws_kn / BAND_KN).astype(np.int64),
    )


def residual_table(basis: Basis) -> pl.DataFrame:
    """The table `residuals`: a line a group, in per cent of speed; see `RESIDUALS_SCHEMA`.

    `by` is `day` (with the mode), `tack` (with the mode), `sail set` or `wind`. Intervals (90 %) count days, those of a
    day's own lines stretches. `odd`: even an interval wide enough for the number of lines of its kind excludes zero; a
    day's own line only where it lies outside what the other days differ by.
    """
    left, dates = left_over(basis), day_dates(basis.seen)
    tack = left.port.astype(np.int64)
    rows: list[tuple[object, ...]] = []
    for (d, m), found, odd in _days(_groups(left, (left.day, left.mode), left.stretch)):
        rows.append(_row("day", found, odd, day=dates[d], mode=MODES[m]))
    for (m, p), found, odd in _plain(_groups(left, (left.mode, tack), left.day)):
        rows.append(_row("tack", found, odd, mode=MODES[m], tack=PORT if p else STARBOARD))
    for (k,), found, odd in _plain(_groups(left, (left.set_number,), left.day)):
        rows.append(_row("sail set", found, odd, sail_set=basis.seen.sets[k]))
    for (b,), found, odd in _plain(_groups(left, (left.band,), left.day)):
        rows.append(_row("wind", found, odd, tws_from_kn=b * BAND_KN, tws_to_kn=(b + 1) * BAND_KN))
    return pl.DataFrame(rows, schema=RESIDUALS_SCHEMA, orient="row")


Groups = list[tuple[tuple[int, ...], ClusteredMedian]]


def _groups(left: Left, keys: tuple[Ints, ...], cluster: Ints) -> Groups:
    """The median of every group, by its keys in rising order."""
    groups, number = np.unique(np.column_stack(keys), axis=0, return_inverse=True)
    number = number.ravel()
    return [
        (tuple(key), clustered_median(left.residual[number == g], cluster[number == g]))
        for g, key in enumerate(groups.tolist())
    ]


def _level(groups: Groups) -> float:
    """Level at which a whole table has an odd line by luck no oftener than `ODD_PER_TABLE`."""
    return 1.0 - ODD_PER_TABLE / max(1, sum(m.told for _, m in groups))


def _plain(groups: Groups) -> Iterator[tuple[tuple[int, ...], ClusteredMedian, bool | None]]:
    """Groups over days, each with whether it stands out (None without an interval)."""
    level = _level(groups)
    for key, m in groups:
        low, high = m.interval(level)
        yield key, m, ((low is not None and low > 0.0) or (high is not None and high < 0.0)) if m.told else None


def _days(groups: Groups) -> Iterator[tuple[tuple[int, ...], ClusteredMedian, bool | None]]:
    """Single days in one mode, each with whether it lies outside what days differ by (None where it cannot be told).

    What they differ by is the median absolute deviation, so that an odd day does not hide itself.
    """
    medians = np.array([m.median for _, m in groups])
    spread = MAD_TO_SD * float(np.median(np.abs(medians - np.median(medians))))
    freedom = max(1, len({key[0] for key, _ in groups}) - 1)
    limit = float(stats.t.ppf(0.5 + _level(groups) / 2.0, freedom))
    for key, m in groups:
        low, high = m.interval()
        odd = None
        if low is not None and high is not None and len(groups) > 2:
            sd = (high - low) / (2.0 * float(stats.t.ppf(0.95, m.freedom)))
            odd = bool(abs(m.median - float(np.median(medians))) > limit * np.hypot(spread, sd))
        yield key, m, odd


def _row(by: str, m: ClusteredMedian, odd: bool | None, **group: object) -> tuple[object, ...]:
    low, high = m.interval()
    values = {"by": by, **group, "median_pct": _per_cent(m.median), "low_pct": _per_cent(low)}
    values |= {"high_pct": _per_cent(high), "windows": len(m.values), "odd": odd}
    values |= {"effective_n": m.effective_n if m.told else None}
    return tuple(values.get(name) for name in RESIDUALS_SCHEMA)


def _per_cent(log_speed: float | None) -> float | None:
    return None if log_speed is None else 100.0 * float(np.expm1(log_speed))
