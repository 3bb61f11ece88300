"""What the settings log says of each window: sea state, days since the hull was cleaned, and every other item."""

from __future__ import annotations

import re

import numpy as np
import polars as pl

from pipeline.angles import Floats

# A sea state is a thing of the day; everything else holds until it is logged anew.
SEA_HOLDS_S = 6 * 3600.0
DAY_S = 86400.0
SKIPPED = frozenset({"engine"})

_US = 1e6


def states_in_force(start_s: Floats, settings_log: pl.DataFrame | None) -> dict[str, pl.Series]:
    """Columns for windows beginning at `start_s` (seconds since 1970): `sea` (text), `hull_days` (days since cleaned),
    and `setting_ITEM` (text, with unit where given) for every other item logged. Null where nothing is known.
    """
    n = len(start_s)
    columns: dict[str, pl.Series] = {
        "sea": pl.Series([None] * n, dtype=pl.String),
        "hull_days": pl.Series([None] * n, dtype=pl.Float64),
    }
    if settings_log is None or settings_log.height == 0:
        return columns
    log = settings_log.sort("time", maintain_order=True)
    log = log.with_columns(item=pl.col("item").str.to_lowercase().str.strip_chars())
    for (item,), rows in sorted(log.group_by("item", maintain_order=True), key=lambda x: str(x[0][0])):
        if item in SKIPPED:
            continue
        times_s = (rows["time"].cast(pl.Datetime("us")).to_physical() / _US).to_numpy()
        at = np.searchsorted(times_s, start_s, side="right") - 1
        since_s = np.where(at >= 0, start_s - times_s[np.maximum(at, 0)], np.inf)
        if item == "hull":
            columns["hull_days"] = pl.Series(np.where(at >= 0, since_s / DAY_S, np.nan), nan_to_null=True)
            continue
        known = (at >= 0) & ((since_s <= SEA_HOLDS_S) | (item != "sea"))
        values = _texts(rows)
        name = "sea" if item == "sea" else "setting_" + re.sub(r"[^a-z0-9]+", "_", str(item)).strip("_")
        texts = [values[i] if k else None for i, k in zip(at, known, strict=True)]
        columns[name] = pl.Series(texts, dtype=pl.String)
    return columns


def _texts(rows: pl.DataFrame) -> list[str | None]:
    units = rows["unit"].to_list() if "unit" in rows.columns else [None] * rows.height
    values = rows["value"].cast(pl.String).to_list()
    return [None if v is None else (f"{v} {u}" if u else v) for v, u in zip(values, units, strict=True)]
