"""Race review: for every stretch of a race the set flown, the fastest as measured and as designed, and what it cost.

Tables `race_review` and `race_totals`. Losses as of `race_loss`; turns are between the stretches.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.crossovers.best import CLEAR_PROBABILITY
from pipeline.crossovers.comparison import designed_wind
from pipeline.crossovers.designed_chart import areas
from pipeline.decisions.log_times import log_step_s
from pipeline.decisions.race_loss import RaceLoss, nothing_known, race_loss
from pipeline.decisions.race_stretches import Pieces, race_names
from pipeline.decisions.season import Season
from pipeline.decisions.wrong_names import Doubt, doubt_of
from pipeline.sailing.times import moments, seconds
from pipeline.tables import TABLES

SEED = 20240605  # any number: the same season gives the same tables
LOW, HIGH = 0.05, 0.95

REVIEW_EXTRA: dict[str, pl.DataType] = {
    "minutes": pl.Float64(),
    "tws_kn": pl.Float64(),
    "twa_deg": pl.Float64(),
    "loss_low_s": pl.Float64(),
    "loss_high_s": pl.Float64(),
    "chance_slower": pl.Float64(),
    "likelier": pl.String(),
}
TOTALS: dict[str, pl.DataType] = {
    "race": pl.String(),
    "start": pl.Datetime("us"),
    "finish": pl.Datetime("us"),
    "minutes": pl.Float64(),
    "covered_minutes": pl.Float64(),
    "loss_s": pl.Float64(),
    "loss_low_s": pl.Float64(),
    "loss_high_s": pl.Float64(),
    "likely_s": pl.Float64(),
    "beyond_doubt_s": pl.Float64(),
}


def review_races(
    season: Season, draws: Floats, pieces: Pieces, audit: pl.DataFrame | None = None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Tables `race_review` and `race_totals`; `pieces` as of `cut_races`, `draws` as `with_unseen` leaves them.

    `loss_s` is against the set with the highest expected speed, 0 where that is the one flown; low and high hold the
    loss against the truly fastest set of the boat, whichever it is, and in the totals `likely_s` is the middle of that.
    `likelier`: the set that the tag audit believes was up; intervals heed it, the rest goes by the log. Blank where
    the set flown is not supported for half of the stretch. `beyond_doubt_s`: of stretches in which another
    set was faster with a probability of 0.95, and no more than the low end of the total.
    """
    races, names = season.campaign.races, race_names(season.campaign.races)
    empty = pl.DataFrame(schema={**TABLES["race_review"].columns, **REVIEW_EXTRA})
    segment_start_s = seconds(season.segments.sort("start")["start"])
    step_s = log_step_s(season.campaign.sail_log)
    reviews, totals = [empty], []
    for number, name in enumerate(names):
        mine = _of_race(pieces, number)
        doubt = doubt_of(mine, audit, season.fit.sets)
        if len(mine) == 0:
            continue
        if season.fit.sets:
            loss = race_loss(season.fit, draws, mine, segment_start_s, step_s, SEED + 1000 * number, doubt)
        else:
            loss = nothing_known(mine)
        start, finish = races.select("start", "finish").row(number)
        reviews.append(_review(season, name, mine, loss, doubt))
        totals.append(_total(name, start, finish, mine, loss))
    review = TABLES["race_review"].conform(pl.concat(reviews))
    return review, pl.DataFrame(totals, schema=TOTALS, orient="row")


def _of_race(pieces: Pieces, number: int) -> Pieces:
    at = pieces.race == number
    picked = {name: getattr(pieces, name)[at] for name in Pieces.__dataclass_fields__}
    if at.any():
        picked["stretch"] = picked["stretch"] - picked["stretch"][0]
    return replace(pieces, **picked)


def _review(season: Season, name: str, pieces: Pieces, loss: RaceLoss, doubt: Doubt) -> pl.DataFrame:
    first = pieces.first
    last = np.append(first[1:], len(pieces)) - 1
    whole = np.add.reduceat(pieces.seconds, first)
    covered = loss.covered_s > 0
    low, high = np.quantile(loss.draws_s, [LOW, HIGH], axis=0)
    low, high = np.minimum(low, loss.expected_s), np.maximum(high, loss.expected_s)
    share = 100.0 / np.where(covered, loss.covered_s, np.nan)
    sets = np.array([*season.fit.sets, None], dtype=object)
    flown = season.segments.sort("start")["sail_set"].to_numpy()[pieces.segment[first]]
    weight = pieces.seconds
    angle = np.radians(pieces.twa_deg)
    numbers = {
        "loss_pct": loss.expected_s * share,
        "loss_low_pct": low * share,
        "loss_high_pct": high * share,
        "loss_s": np.where(covered, loss.expected_s, np.nan),
        "minutes": whole / 60.0,
        "tws_kn": np.add.reduceat(weight * pieces.tws_kn, first) / whole,
        "twa_deg": np.degrees(
            np.arctan2(np.add.reduceat(weight * np.sin(angle), first), np.add.reduceat(weight * np.cos(angle), first))
        ),
        "loss_low_s": np.where(covered, low, np.nan),
        "loss_high_s": np.where(covered, high, np.nan),
        "chance_slower": np.where(covered, loss.chance_slower, np.nan),
    }
    named = np.maximum.reduceat(np.where(doubt.finding >= 0, doubt.other, -1), first)
    words = {
        "race": pl.Series([name] * len(first), dtype=pl.String),
        "start": moments(pieces.start_s[first]),
        "end": moments(pieces.end_s[last]),
        "flown": pl.Series(flown.tolist(), dtype=pl.String),
        "fastest_measured": pl.Series(sets[loss.best].tolist(), dtype=pl.String),
        "likelier": pl.Series(sets[named].tolist(), dtype=pl.String),
        "fastest_designed": pl.Series(_designed(season, pieces), dtype=pl.String),
    }
    frame = pl.DataFrame(words | {k: pl.Series(v, nan_to_null=True, dtype=pl.Float64) for k, v in numbers.items()})
    return frame.select([*TABLES["race_review"].columns, *REVIEW_EXTRA])


def _designed(season: Season, pieces: Pieces) -> list[str | None]:
    """Set of the designed chart in whose area most of each stretch was sailed."""
    chart = areas(season.campaign.designed, season.campaign.designed_speeds)
    first = pieces.first
    if chart is None:
        return [None] * len(first)
    names, inside = chart
    member = inside(*designed_wind(season.campaign.boat, season.fit)(pieces.tws_kn, pieces.twa_deg))
    time = np.add.reduceat(member * pieces.seconds, first, axis=1)
    return [names[k] if t > 0 else None for k, t in zip(time.argmax(axis=0), time.max(axis=0), strict=True)]


def _total(name: str, start: object, finish: object, pieces: Pieces, loss: RaceLoss) -> tuple:
    covered = loss.covered_s.sum()
    if covered == 0:
        return name, start, finish, pieces.seconds.sum() / 60.0, 0.0, None, None, None, None, None
    point = float(loss.expected_s.sum())
    low, likely, high = (float(q) for q in np.quantile(loss.draws_s.sum(axis=1), [LOW, 0.5, HIGH]))
    low, high = min(low, point), max(high, point)
    sure = min(float(loss.expected_s[loss.chance_slower >= CLEAR_PROBABILITY].sum()), low)
    return name, start, finish, pieces.seconds.sum() / 60.0, covered / 60.0, point, low, high, likely, sure


def count_changes(totals: pl.DataFrame, changes: pl.DataFrame) -> pl.DataFrame:
    """`race_totals` with the numbers of changes by verdict: `changes, late_changes, early_changes, unpaid_changes`."""
    counts = changes.group_by("race", pl.col("race_start").alias("start")).agg(
        changes=pl.len().cast(pl.Int64),
        late_changes=(pl.col("verdict") == "late").sum().cast(pl.Int64),
        early_changes=(pl.col("verdict") == "early").sum().cast(pl.Int64),
        unpaid_changes=(pl.col("verdict") == "did not pay").sum().cast(pl.Int64),
    )
    names = ("changes", "late_changes", "early_changes", "unpaid_changes")
    joined = totals.join(counts, on=["race", "start"], how="left", maintain_order="left")
    return joined.with_columns(pl.col(n).fill_null(0) for n in names)
