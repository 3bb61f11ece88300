"""Was the fastest set up? Steady time compared with the set that measured fastest at its wind speed and angle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.reporting.records.chart import grid_step
from pipeline.reporting.records.frames import window_minutes


@dataclass(frozen=True, slots=True)
class Split:
    """Minutes that can be judged: with the clearly fastest set up, with one in doubt, with a clearly slower one."""

    fastest: float
    in_doubt: float
    slower: float

    @property
    def judged(self) -> float:
        """All of them."""
        return self.fastest + self.in_doubt + self.slower


@dataclass(frozen=True, slots=True)
class Loss:
    """Where most was lost: the set up, the faster one, minutes and mean loss there; `clear` unless all is in doubt."""

    sail_set: str
    instead: str
    minutes: float
    loss_pct: float
    clear: bool


@dataclass(frozen=True, slots=True)
class FlownSet:
    """One flown set: its minutes, the mean loss over the judged ones, and where most of it was lost."""

    sail_set: str
    steady_minutes: float
    split: Split
    loss_pct: float | None
    worst: Loss | None


@dataclass(frozen=True, slots=True)
class FlownDay:
    """One session: its date, minutes, mean loss."""

    session: int
    date: str
    steady_minutes: float
    split: Split
    loss_pct: float | None


@dataclass(frozen=True, slots=True)
class FlownAgainstFastest:
    """The whole season. A window is judged where its own set and at least one other are supported in its grid cell.

    `clear_loss_pct` is the mean loss over the minutes with a clearly slower set; None where there are none.
    """

    steady_minutes: float
    split: Split
    loss_pct: float | None
    clear_loss_pct: float | None
    worst: Loss | None
    sets: tuple[FlownSet, ...]
    days: tuple[FlownDay, ...]


def flown_against_fastest(tables: Mapping[str, pl.DataFrame]) -> FlownAgainstFastest:
    """Windows matched with the nearest grid cell of `best_set` and `surfaces`.

    The loss is how far the surface of the set flown lies below that of the fastest, in per cent of it,
    weighted by minutes. It is measured with the surfaces that these same windows made, without an interval.
    """
    judged = _judged(tables)
    windows = tables["windows"].with_columns(window_minutes().alias("minutes"))
    return FlownAgainstFastest(
        steady_minutes=float(windows["minutes"].sum() or 0.0),
        split=_split(judged),
        loss_pct=_loss(judged),
        clear_loss_pct=_loss(judged.filter(_clearly_slower())),
        worst=_worst(judged),
        sets=tuple(
            _flown_set(str(n), rows, judged.filter(pl.col("sail_set") == n))
            for (n,), rows in windows.sort("sail_set").group_by("sail_set", maintain_order=True)
        ),
        days=tuple(
            _flown_day(int(s), rows, judged.filter(pl.col("session") == s))
            for (s,), rows in windows.sort("start").group_by("session", maintain_order=True)
        ),
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


def _clearly_slower() -> pl.Expr:
    return ~pl.col("was_fastest") & (pl.col("verdict") == "clear")


def _minutes(rows: pl.DataFrame) -> float:
    return float(rows["minutes"].sum() or 0.0)


def _split(judged: pl.DataFrame) -> Split:
    clear = pl.col("verdict") == "clear"
    return Split(
        fastest=_minutes(judged.filter(pl.col("was_fastest") & clear)),
        in_doubt=_minutes(judged.filter(~clear)),
        slower=_minutes(judged.filter(_clearly_slower())),
    )


def _loss(judged: pl.DataFrame) -> float | None:
    whole = _minutes(judged)
    return float((judged["loss_pct"] * judged["minutes"]).sum()) / whole if whole else None


def _worst(judged: pl.DataFrame) -> Loss | None:
    """The pair of sets that cost most time, among the clear losses where there are any."""
    clearly = judged.filter(_clearly_slower())
    slower = clearly if clearly.height else judged.filter(~pl.col("was_fastest"))
    pairs = (
        slower.group_by("sail_set", "best_set")
        .agg(pl.col("minutes").sum(), (pl.col("loss_pct") * pl.col("minutes")).sum().alias("lost"))
        .sort(["lost", "sail_set", "best_set"], descending=[True, False, False])
    )
    if pairs.is_empty() or pairs["lost"][0] <= 0.0:
        return None
    first = pairs.row(0, named=True)
    return Loss(
        first["sail_set"], first["best_set"], first["minutes"], first["lost"] / first["minutes"], clearly.height > 0
    )


def _flown_set(name: str, windows: pl.DataFrame, judged: pl.DataFrame) -> FlownSet:
    return FlownSet(name, _minutes(windows), _split(judged), _loss(judged), _worst(judged))


def _flown_day(session: int, windows: pl.DataFrame, judged: pl.DataFrame) -> FlownDay:
    return FlownDay(
        session=session,
        date=windows["start"].min().strftime("%Y-%m-%d"),  # type: ignore[union-attr]
        steady_minutes=_minutes(windows),
        split=_split(judged),
        loss_pct=_loss(judged),
    )
