"""How much faster one set is than another, place by place: what stands behind each border and each loss."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.crossovers.crossing import HIGH_CHANCE, LOW_CHANCE
from pipeline.surfaces.season import SeasonFit

SCHEMA: dict[str, pl.DataType] = {
    "set_a": pl.String(),
    "set_b": pl.String(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "difference_pct": pl.Float64(),
    "low_pct": pl.Float64(),
    "high_pct": pl.Float64(),
    "chance": pl.Float64(),
    "supported": pl.Boolean(),
}


def set_differences(fit: SeasonFit, log_draws: Floats, pairs: Iterable[tuple[str, str]]) -> pl.DataFrame:
    """Table `set_differences`: by how many per cent `set_b` is faster than `set_a` at every node that both reach.

    `log_draws` (draws, sets, tws, twa): joint draws of log speed, so what the two sets share does not blur their
    difference. `low_pct` to `high_pct` is the 90 % interval, `chance` that of `set_b` being the faster, `supported`
    where both are. Each unordered pair of `pairs` that the fit knows stands once, in the order of the fit's sets.
    """
    number = {name: k for k, name in enumerate(fit.sets)}
    known = {(min(number[a], number[b]), max(number[a], number[b])) for a, b in pairs if {a, b} <= number.keys()}
    frames = [pl.DataFrame(schema=SCHEMA)]
    for a, b in sorted(known):
        i, j = np.nonzero(np.isfinite(log_draws[:, [a, b]]).all(axis=(0, 1)))
        if not i.size:
            continue
        ahead = log_draws[:, b, i, j] - log_draws[:, a, i, j]
        low, high = np.quantile(ahead, [LOW_CHANCE, HIGH_CHANCE], axis=0)
        numbers = {
            "difference_pct": 100.0 * np.expm1(ahead.mean(axis=0)),
            "low_pct": 100.0 * np.expm1(low),
            "high_pct": 100.0 * np.expm1(high),
            "chance": (ahead > 0).mean(axis=0),
            "supported": fit.supported[a, i, j] & fit.supported[b, i, j],
        }
        named = {"set_a": pl.lit(fit.sets[a], pl.String), "set_b": pl.lit(fit.sets[b], pl.String)}
        places = pl.DataFrame({"tws_kn": fit.tws_kn[i], "twa_deg": fit.twa_deg[j], **numbers})
        frames.append(places.with_columns(**named).select(pl.col(c).cast(t) for c, t in SCHEMA.items()))
    return pl.concat(frames)


def bordering(*tables: pl.DataFrame) -> set[tuple[str, str]]:
    """Pairs of different sets that any of the tables names as `set_a` and `set_b`."""
    return {(a, b) for frame in tables for a, b in frame.select("set_a", "set_b").unique().iter_rows() if a != b}
