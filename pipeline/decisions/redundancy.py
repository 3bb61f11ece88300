"""Sets wide enough to make a neighbour unnecessary: the table `set_overlap`."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.campaign.settings import Boat
from pipeline.decisions.judged import SECONDS_PER_HOUR, Bools, Judged, fastest, needs
from pipeline.decisions.worth import HIGH, LOW

# A neighbour is unnecessary where sailing on without it costs less than this, surely and nearly everywhere.
UNNECESSARY_PCT = 1.0
NEARLY_EVERYWHERE = 0.95

SCHEMA: dict[str, pl.DataType] = {
    "sail_set": pl.String(),
    "neighbour": pl.String(),
    "hours": pl.Float64(),
    "share_known": pl.Float64(),
    "loss_pct": pl.Float64(),
    "loss_low_pct": pl.Float64(),
    "loss_high_pct": pl.Float64(),
    "loss_s_per_nm": pl.Float64(),
    "worst_pct": pl.Float64(),
    "worst_tws_kn": pl.Float64(),
    "worst_twa_deg": pl.Float64(),
    "frees": pl.String(),
    "verdict": pl.String(),
}


def set_overlap(judged: Judged, boat: Boat, crossovers: pl.DataFrame | None) -> pl.DataFrame:
    """What it costs to fly `sail_set` on where its `neighbour` is the fastest of the supported sets.

    A row for each pair with a measured border between them, each way round, unless `sail_set` needs all the sails of
    its neighbour anyway. `hours` in which the neighbour is fastest, `share_known` of them within reach of `sail_set`;
    there: mean loss of speed in per cent (of the neighbour's) with its 90 % interval from the joint draws, in seconds
    a nautical mile, and the worst place. `frees`: sails that no other set of the season needs. `verdict`: `unnecessary`
    (under 1 % by the whole interval, known in 95 % of the hours), `needed` (over 1 % by the whole interval), else
    `open`.
    """
    rows = []
    fleet = judged.where(judged.covered)
    leader = fastest(fleet.log_speed, fleet.supported)
    sails = needs(fleet.sets, boat)
    for stays, goes in _neighbours(fleet.sets, crossovers):
        led = leader == goes
        known = led & fleet.reached[stays]
        saved = sails[:, goes] & ~sails[:, stays]
        if saved.any() and known.any() and fleet.hours[known].sum() > 0:
            frees = saved & ~np.delete(sails, goes, axis=1).any(axis=1)
            codes = " ".join(c for c, f in zip(boat.sails, frees, strict=True) if f)
            rows.append(_row(fleet, stays, goes, led, known) | {"frees": codes})
    return pl.DataFrame(rows, schema=SCHEMA, orient="row").sort("loss_pct", "sail_set", "neighbour")


def _neighbours(sets: tuple[str, ...], crossovers: pl.DataFrame | None) -> list[tuple[int, int]]:
    if crossovers is None or crossovers.is_empty():
        return []
    pairs = crossovers.select("set_a", "set_b").unique().iter_rows()
    both = {p for a, b in pairs for p in ((a, b), (b, a)) if a in sets and b in sets}
    return [(sets.index(a), sets.index(b)) for a, b in sorted(both)]


def _row(fleet: Judged, stays: int, goes: int, led: Bools, known: Bools) -> dict[str, object]:
    hours = fleet.hours[known]
    weight = hours / hours.sum()
    mean_loss = _loss_pct(fleet.log_speed[stays, known], fleet.log_speed[goes, known])
    draws = _loss_pct(fleet.log_draws[:, stays, known], fleet.log_draws[:, goes, known]) @ weight
    low, high = (float(q) for q in np.quantile(draws, [LOW, HIGH]))
    share = float(hours.sum() / fleet.hours[led].sum())
    seconds = SECONDS_PER_HOUR * np.exp(-fleet.log_speed[:, known])
    worst = int(mean_loss.argmax())
    unnecessary = high < UNNECESSARY_PCT and share >= NEARLY_EVERYWHERE
    return {
        "sail_set": fleet.sets[stays],
        "neighbour": fleet.sets[goes],
        "hours": float(fleet.hours[led].sum()),
        "share_known": share,
        "loss_pct": float(mean_loss @ weight),
        "loss_low_pct": low,
        "loss_high_pct": high,
        "loss_s_per_nm": float((seconds[stays] - seconds[goes]) @ weight),
        "worst_pct": float(mean_loss[worst]),
        "worst_tws_kn": float(fleet.tws_kn[known][worst]),
        "worst_twa_deg": float(fleet.twa_deg[known][worst]),
        "verdict": "unnecessary" if unnecessary else "needed" if low > UNNECESSARY_PCT else "open",
    }


def _loss_pct(log_stays: Floats, log_goes: Floats) -> Floats:
    return np.asarray(-100.0 * np.expm1(log_stays - log_goes))
