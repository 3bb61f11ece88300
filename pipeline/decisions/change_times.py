"""Side table `change_times`: when each sail change really happened, told by the speed on either side of it.

About each logged change from one set to another the speed, in steps of 10 s, is held against the old set's surface
before a moment and the new set's after it, for every moment near by. Between the steps noise is autoregressive (fitted
to the season); the level of the day, the doubt in the difference of the two sets, and the loss of speed while
sails are changed are unknowns with priors. Where the two sets are equally fast only that loss speaks.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import AsSailed
from pipeline.decisions.change_evidence import Case, Loss, case_of, likeliest_loss, log_likelihood, log_prior
from pipeline.decisions.speed_steps import Noise, Steps, measured_lag_s, noise_of, steps_of
from pipeline.sailing.times import moments, seconds
from pipeline.surfaces.season import SeasonFit

# Changes by which the boat's loss of speed is told; more would only take longer.
MOST_FOR_LOSS = 60
# What the steps and the model of a change are coarse by.
BLUR_S = 10.0
# A change logged off by more than this is called late or early.
OFF_S = 60.0
# On simulated seasons with sloppy logs most changes that seemed early were others that nobody wrote down.
LEAST_ODDS, LEAST_ODDS_EARLY = 3.0, 30.0
# A moment so near the end of what was searched stands for something else: a change that nobody wrote down.
EDGE_S = 45.0
# A suggested log moves only these: of what seemed early on those seasons nothing was.
MOVED_VERDICTS = ("late",)
SCHEMA: dict[str, pl.DataType] = {
    "time": pl.Datetime("us"),
    "from_set": pl.String(),
    "to_set": pl.String(),
    "likelier": pl.Datetime("us"),
    "low": pl.Datetime("us"),
    "high": pl.Datetime("us"),
    "odds": pl.Float64(),
    "verdict": pl.String(),
}


def change_times(
    sailed: AsSailed, fit: SeasonFit, log_draws: Floats, segments: pl.DataFrame, loa_m: float
) -> pl.DataFrame:
    """Every logged change that the speeds can judge: `time, from_set, to_set, likelier, low, high, odds, verdict`.

    `likelier` is the median, `low` and `high` the 90 % interval of when the new set began to draw; `odds` that the log
    is off by more than a minute, prior included. Verdict `late` (odds of at least 3) or `early` (of at least 30),
    `as logged` (at most 1 in 3), else `open`.
    """
    changes = logged_changes(segments, fit.sets)
    if not changes or fit.log_speed.size == 0:
        return pl.DataFrame(schema=SCHEMA)
    at = np.array([t for t, _, _ in changes])
    lag_s = measured_lag_s(sailed, at, loa_m)
    steps = steps_of(sailed, fit, lag_s)
    noise = noise_of(steps)
    difference_sd = _difference_sd(fit, log_draws)
    borders = np.concatenate([[-np.inf], at, [np.inf]])
    cases = []
    for k, (time_s, a, b) in enumerate(changes):
        case = case_of(steps, time_s, a, b, (borders[k] + 60.0, borders[k + 2] - 60.0), difference_sd[a, b])
        if case is not None:
            cases.append(case)
    if not cases:
        return pl.DataFrame(schema=SCHEMA)
    loss = likeliest_loss(steps, noise, cases[:: -(-len(cases) // MOST_FOR_LOSS)], lag_s, loa_m)
    rows = [(c.time_s, fit.sets[c.old], fit.sets[c.new], *_judge(steps, noise, c, loss, lag_s)) for c in cases]
    return _table(rows)


def logged_changes(segments: pl.DataFrame, sets: tuple[str, ...]) -> list[tuple[float, int, int]]:
    """Time (s) and numbers of the sets before and after, of adjoining segments of two fitted sets; short states of
    changing between them are passed over: the change is then logged at the last of their times.
    """
    s = segments.sort("start")
    if "quality" in s.columns:
        s = s.filter(pl.col("quality") != "changing")
    number = {name: k for k, name in enumerate(sets)}
    start, end = seconds(s["start"]), seconds(s["end"])
    names = s["sail_set"].to_list()
    out = []
    for i in range(1, s.height):
        old, new = names[i - 1], names[i]
        if old != new and old in number and new in number and 0.0 <= start[i] - end[i - 1] < 180.0:
            out.append((float(start[i]), number[old], number[new]))
    return out


def _difference_sd(fit: SeasonFit, log_draws: Floats) -> Floats:
    """Typical doubt in the difference of two sets, (sets, sets), from where both reach."""
    k = len(fit.sets)
    out = np.full((k, k), 0.05)
    for a in range(k):
        for b in range(k):
            both = np.isfinite(fit.log_speed[a]) & np.isfinite(fit.log_speed[b])
            if a != b and both.any():
                out[a, b] = float(np.median((log_draws[:, a] - log_draws[:, b])[:, both].std(axis=0)))
    return out


def _judge(
    steps: Steps, noise: Noise, case: Case, loss: tuple[Loss, ...], lag_s: float
) -> tuple[float, float, float, float, bool]:
    """Median, 5 % and 95 % of the moment, odds of the log being off, and whether the moment lies within the search."""
    tried = case.tried
    log_posterior = log_likelihood(steps, noise, case, loss, lag_s) + log_prior(case.time_s - tried)
    chance = np.exp(log_posterior - log_posterior.max()) @ np.exp(
        -0.5 * ((tried[:, None] - tried[None, :]) / BLUR_S) ** 2
    )
    chance /= chance.sum()
    cumulated = np.cumsum(chance)
    median, first, last = (float(tried[np.searchsorted(cumulated, q)]) for q in (0.5, 0.05, 0.95))
    off = float(chance[np.abs(tried - case.time_s) > OFF_S].sum())
    return median, first, last, off / max(1.0 - off, 1e-6), tried[0] + EDGE_S < median < tried[-1] - EDGE_S


def _table(rows: list[tuple]) -> pl.DataFrame:
    if not rows:
        return pl.DataFrame(schema=SCHEMA)
    time_s, old, new, likelier, low, high, odds, within = (list(c) for c in zip(*rows, strict=True))
    late = np.array(time_s) > np.array(likelier)
    verdict = [_verdict(o, bool(is_late), w) for o, is_late, w in zip(odds, late, within, strict=True)]
    return pl.DataFrame(
        {
            "time": moments(np.array(time_s)),
            "from_set": old,
            "to_set": new,
            "likelier": moments(np.array(likelier)),
            "low": moments(np.array(low)),
            "high": moments(np.array(high)),
            "odds": odds,
            "verdict": verdict,
        },
        schema=SCHEMA,
    )


def _verdict(odds: float, late: bool, within: bool) -> str:
    if odds >= (LEAST_ODDS if late else LEAST_ODDS_EARLY) and within:
        return "late" if late else "early"
    return "as logged" if odds <= 1.0 / LEAST_ODDS else "open"
