"""Measured borders against the designed ones: the shift, what sailing to the design costs, and what is untested."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.crossovers.crossing import CLEAR_WIDTH, HIGH_CHANCE, LOW_CHANCE
from pipeline.crossovers.designed_chart import DesignedBorder, areas, borders_along
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES
from pipeline.wind.height import height_factor

STRIP_POINTS = 41
SECONDS_PER_HOUR = 3600.0


def designed_wind(boat: Boat, fit: SeasonFit) -> Callable[[Floats, Floats], tuple[Floats, Floats]]:
    """From our wind to the designer's: TWS from the reference height to his by the log law, TWA from course to heading
    where he meant that (by the leeway of the season's windows).
    """
    factor = height_factor(boat.instruments.reference_height_m, boat.design.height_m)

    def convert(tws_kn: Floats, twa_deg: Floats) -> tuple[Floats, Floats]:
        leeway = fit.leeway_at(tws_kn, twa_deg) if boat.design.twa_from == "heading" else 0.0
        return tws_kn * factor, twa_deg - leeway

    return convert


def designed_borders(
    fit: SeasonFit, boat: Boat, designed: pl.DataFrame | None, speeds: pl.DataFrame | None
) -> list[DesignedBorder]:
    """Every designed border on the lattice: whole knots and multiples of 5 deg over the chart and the season."""
    chart = areas(designed, speeds)
    if chart is None:
        return []
    names, inside = chart
    frame = designed if designed is not None and designed.height else speeds
    assert frame is not None
    convert = designed_wind(boat, fit)
    factor = float(convert(np.ones(1), np.full(1, 90.0))[0][0])
    tws_low, tws_high = float(frame["tws_kn"].min()) / factor, float(frame["tws_kn"].max()) / factor  # type: ignore[arg-type]
    twa_low, twa_high = float(frame["twa_deg"].min()), float(frame["twa_deg"].max())  # type: ignore[arg-type]
    out: list[DesignedBorder] = []
    for twa in np.arange(np.ceil(twa_low / 5) * 5, twa_high + 1e-9, 5.0):
        out += borders_along(names, inside, "tws_kn", float(twa), tws_low, tws_high, convert)
    for tws in np.arange(np.ceil(tws_low), tws_high + 1e-9):
        out += borders_along(names, inside, "twa_deg", float(tws), twa_low, twa_high, convert)
    return out


def compare(
    fit: SeasonFit,
    boat: Boat,
    crossovers: pl.DataFrame,
    log_draws: Floats,
    designed: pl.DataFrame | None,
    speeds: pl.DataFrame | None,
) -> pl.DataFrame:
    """Table `design_comparison`, with `provisional` (True where `[design]` does not say what wind was meant)."""
    measured: dict[tuple[object, ...], list[dict]] = {}
    for row in crossovers.filter(pl.col("mode") == "fixed-angle").iter_rows(named=True):
        measured.setdefault((row["set_a"], row["set_b"], row["along"], row["at"]), []).append(row)
    rows = []
    for border in designed_borders(fit, boat, designed, speeds):
        near = measured.get((border.set_a, border.set_b, border.along, border.at), [])
        row = _against(border, min(near, key=lambda r: abs(r["crossing"] - border.designed))) if near else None
        rows.append(_costed(fit, border, row or _unmet(fit, log_draws, border)))
    schema = {**TABLES["design_comparison"].columns, "provisional": pl.Boolean()}
    frame = pl.DataFrame(rows, schema={k: v for k, v in schema.items() if k != "provisional"}, orient="row")
    return frame.with_columns(pl.lit(not boat.design.given).alias("provisional"))


def _base(border: DesignedBorder) -> dict[str, object]:
    names = ("set_a", "set_b", "along", "at", "designed")
    blank = dict.fromkeys(TABLES["design_comparison"].columns)
    return {**blank, **{n: getattr(border, n) for n in names}, "verdict": "untested"}


def _against(border: DesignedBorder, row: dict) -> dict[str, object]:
    low, high = row["crossing_low"], row["crossing_high"]
    moved = (low is not None and border.designed < low) or (high is not None and border.designed > high)
    closed = low is not None and high is not None and high - low < CLEAR_WIDTH[border.along]
    return {
        **_base(border),
        "measured": row["crossing"],
        "shift": row["crossing"] - border.designed,
        "shift_low": None if low is None else low - border.designed,
        "shift_high": None if high is None else high - border.designed,
        "verdict": "moved" if moved else "confirmed" if closed else "untested",
    }


def _line_of(fit: SeasonFit, border: DesignedBorder) -> tuple[Floats, tuple] | None:
    """Nodes along the border's line, and the index that picks it from (..., tws, twa); None off the grid."""
    if border.set_a not in fit.sets or border.set_b not in fit.sets:
        return None
    grid = fit.twa_deg if border.along == "tws_kn" else fit.tws_kn
    place = np.flatnonzero(np.abs(grid - border.at) < 1e-9)
    if len(place) == 0:
        return None
    if border.along == "tws_kn":
        return fit.tws_kn, (slice(None), int(place[0]))
    return fit.twa_deg, (int(place[0]), slice(None))


def _unmet(fit: SeasonFit, log_draws: Floats, border: DesignedBorder) -> dict[str, object]:
    """A designed border that no measured one answers: moved where one set clearly leads around it, else untested."""
    row = _base(border)
    line = _line_of(fit, border)
    if line is None:
        return row
    x, at = line
    a, b = fit.sets.index(border.set_a), fit.sets.index(border.set_b)
    both = fit.supported[(a, *at)] & fit.supported[(b, *at)]
    around = np.flatnonzero(np.abs(x - border.designed) <= x[1] - x[0])
    if len(around) < 2 or not both[around].all():
        return row
    chance = (log_draws[(slice(None), b, *at)] > log_draws[(slice(None), a, *at)]).mean(axis=0)
    sure_b, sure_a = chance >= HIGH_CHANCE, chance <= LOW_CHANCE
    if sure_b[around].all():
        first = around[0]
        while first > 0 and both[first - 1] and sure_b[first - 1]:
            first -= 1
        row |= {"shift_high": float(min(x[first] - border.designed, 0.0)), "verdict": "moved"}
    elif sure_a[around].all():
        last = around[-1]
        while last < len(x) - 1 and both[last + 1] and sure_a[last + 1]:
            last += 1
        row |= {"shift_low": float(max(x[last] - border.designed, 0.0)), "verdict": "moved"}
    return row


def _costed(fit: SeasonFit, border: DesignedBorder, row: dict[str, object]) -> dict[str, object]:
    """Add what sailing to the designed border costs: mean loss over the strip between the two borders on this line.

    Every wind (or angle) of the strip weighs the same; where no measured border closes the strip it ends where the
    lead is last seen. Only the part of the strip where both sets are supported counts.
    """
    line = _line_of(fit, border)
    shift = row["shift"] if row["shift"] is not None else (row["shift_low"] or row["shift_high"])
    if line is None or shift is None:
        return row
    x, at = line
    a, b = fit.sets.index(border.set_a), fit.sets.index(border.set_b)
    both = fit.supported[(a, *at)] & fit.supported[(b, *at)]
    strip = np.linspace(border.designed, border.designed + float(shift), STRIP_POINTS)  # type: ignore[arg-type]
    known = np.interp(strip, x, both.astype(float), left=0.0, right=0.0) > 0.999
    if not known.any():
        return row
    log_a, log_b = (np.interp(strip[known], x, np.nan_to_num(fit.log_speed[(k, *at)])) for k in (a, b))
    # Below the designed border the design flies set_a, above it set_b.
    used = np.exp(log_b if float(shift) > 0 else log_a)  # type: ignore[arg-type]
    best = np.exp(np.maximum(log_a, log_b))
    return row | {
        "cost_pct": float(100.0 * np.mean(1.0 - used / best)),
        "cost_s_per_nm": float(np.mean(SECONDS_PER_HOUR / used - SECONDS_PER_HOUR / best)),
    }
