"""Was the fastest set up? Steady time compared with the set that measured fastest at its wind speed and angle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.reporting.records.chart import grid_step
from pipeline.reporting.records.frames import window_minutes


@dataclass(frozen=True, slots=True)
class FlownSet:
    """One flown set: minutes that can be judged, share of them with the fastest, minutes clearly slower, mean loss."""

    sail_set: str
    judged_minutes: float
    share_fastest: float | None
    clearly_slower_minutes: float
    loss_pct: float | None
    mostly_instead: str | None


@dataclass(frozen=True, slots=True)
class FlownDay:
    """One session: its date, minutes judged, share with the fastest set, mean loss."""

    session: int
    date: str
    steady_minutes: float
    judged_minutes: float
    share_fastest: float | None
    loss_pct: float | None


@dataclass(frozen=True, slots=True)
class FlownRace:
    """One race: its times, the sets up in its steady windows, minutes judged, share with the fastest, mean loss."""

    name: str
    start: datetime
    finish: datetime
    sets: tuple[str, ...]
    steady_minutes: float
    judged_minutes: float
    share_fastest: float | None
    loss_pct: float | None


@dataclass(frozen=True, slots=True)
class FlownAgainstFastest:
    """The whole season. A window is judged where its own set and at least one other are supported in its grid cell."""

    steady_minutes: float
    judged_minutes: float
    share_fastest: float | None
    clearly_slower_minutes: float
    loss_pct: float | None
    sets: tuple[FlownSet, ...]
    days: tuple[FlownDay, ...]
    races: tuple[FlownRace, ...]


def flown_against_fastest(tables: Mapping[str, pl.DataFrame], races: pl.DataFrame | None = None) -> FlownAgainstFastest:
    """Windows matched with the nearest grid cell of `best_set` and `surfaces`.

    The loss is how far the surface of the set flown lies below that of the fastest, in per cent of it,
    weighted by minutes. It is measured with the surfaces that these same windows made, without an interval.
    """
    judged = _judged(tables)
    windows = tables["windows"].with_columns(window_minutes().alias("minutes"))
    return FlownAgainstFastest(
        steady_minutes=float(windows["minutes"].sum() or 0.0),
        judged_minutes=float(judged["minutes"].sum() or 0.0),
        share_fastest=_share(judged),
        clearly_slower_minutes=_slower(judged),
        loss_pct=_loss(judged),
        sets=tuple(
            _flown_set(str(n), rows) for (n,), rows in judged.sort("sail_set").group_by("sail_set", maintain_order=True)
        ),
        days=tuple(
            _flown_day(int(s), rows, judged.filter(pl.col("session") == s))
            for (s,), rows in windows.sort("start").group_by("session", maintain_order=True)
        ),
        races=()
        if races is None
        else tuple(_flown_race(r, windows, judged) for r in races.sort("start").iter_rows(named=True)),
    )


def _judged(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    best = tables["best_set"].filter(pl.col("runner_up").is_not_null() & pl.col("best_set").is_not_null())
    tws_step, twa_step = grid_step(tables["best_set"]["tws_kn"], 1.0), grid_step(tables["best_set"]["twa_deg"], 5.0)
    index = [
        (pl.col("tws_kn") / tws_step).round().cast(pl.Int64).alias("i"),
        (pl.col("twa_deg").abs() / twa_step).round().cast(pl.Int64).alias("j"),
    ]
    supported = tables["surfaces"].filter(pl.col("supported")).select("sail_set", "bsp_kn", *index)
    fastest = best.select(*index, "best_set", "verdict").join(
        supported.rename({"sail_set": "best_set", "bsp_kn": "best_bsp_kn"}), on=["i", "j", "best_set"], how="inner"
    )
    windows = tables["windows"].select("start", "session", "sail_set", window_minutes().alias("minutes"), *index)
    flown = windows.join(supported, on=["i", "j", "sail_set"], how="inner")
    return (
        flown.join(fastest, on=["i", "j"], how="inner")
        .with_columns(
            (pl.col("sail_set") == pl.col("best_set")).alias("was_fastest"),
            (100.0 * (1.0 - pl.col("bsp_kn") / pl.col("best_bsp_kn"))).clip(lower_bound=0.0).alias("loss_pct"),
        )
        .sort("start", "sail_set")
    )


def _share(judged: pl.DataFrame) -> float | None:
    whole = float(judged["minutes"].sum() or 0.0)
    return float(judged.filter("was_fastest")["minutes"].sum()) / whole if whole else None


def _slower(judged: pl.DataFrame) -> float:
    clearly = judged.filter(~pl.col("was_fastest") & (pl.col("verdict") == "clear"))
    return float(clearly["minutes"].sum() or 0.0)


def _loss(judged: pl.DataFrame) -> float | None:
    whole = float(judged["minutes"].sum() or 0.0)
    return float((judged["loss_pct"] * judged["minutes"]).sum()) / whole if whole else None


def _flown_set(name: str, rows: pl.DataFrame) -> FlownSet:
    instead = (
        rows.filter(~pl.col("was_fastest"))
        .group_by("best_set")
        .agg(pl.col("minutes").sum())
        .sort(["minutes", "best_set"], descending=[True, False])
    )
    return FlownSet(
        sail_set=name,
        judged_minutes=float(rows["minutes"].sum()),
        share_fastest=_share(rows),
        clearly_slower_minutes=_slower(rows),
        loss_pct=_loss(rows),
        mostly_instead=str(instead["best_set"][0]) if instead.height else None,
    )


def _flown_day(session: int, windows: pl.DataFrame, judged: pl.DataFrame) -> FlownDay:
    return FlownDay(
        session=session,
        date=windows["start"].min().strftime("%Y-%m-%d"),  # type: ignore[union-attr]
        steady_minutes=float(windows["minutes"].sum()),
        judged_minutes=float(judged["minutes"].sum() or 0.0),
        share_fastest=_share(judged),
        loss_pct=_loss(judged),
    )


def _flown_race(race: dict[str, Any], windows: pl.DataFrame, judged: pl.DataFrame) -> FlownRace:
    inside = (pl.col("start") >= race["start"]) & (pl.col("start") < race["finish"])
    steady, own = windows.filter(inside).sort("start"), judged.filter(inside)
    return FlownRace(
        name=race["name"] or "",
        start=race["start"],
        finish=race["finish"],
        sets=tuple(dict.fromkeys(steady["sail_set"])),
        steady_minutes=float(steady["minutes"].sum() or 0.0),
        judged_minutes=float(own["minutes"].sum() or 0.0),
        share_fastest=_share(own),
        loss_pct=_loss(own),
    )
