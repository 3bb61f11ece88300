"""Table `test_plan`: which two sets to sail against each other, where, to narrow which border.

Preposterior analysis with the fit's own linear Gaussian model (Raiffa & Schlaifer, Applied Statistical Decision Theory,
1961, chapter 5; from memory): half an hour of one set against another at one wind and angle is one measurement of the
difference d of their log speeds there, with the noise of `paired_test`. It moves the means elsewhere by the covariance
of d between the places. What it is worth is how much less the wrong one of the two would be flown, over the season's
conditions: with mean m of d and standard deviation s of its move, G(m, s) = s phi(m/s) - |m| Phi(-|m|/s) a place.

Approximations: two sets at a time (a third matters by the chance that either of the two leads); days of one set are
taken as independent between half hours; the best angle of each set is not sought, both sail the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl
from scipy.stats import norm

from pipeline.angles import Floats
from pipeline.crossovers.best import share_fastest
from pipeline.crossovers.borders import FIXED_ANGLE
from pipeline.crossovers.crossing import runs
from pipeline.decisions.border_bands import Band, band_about
from pipeline.decisions.paired_test import Habits, paired_variance
from pipeline.surfaces.season import SeasonFit
from pipeline.tables import TABLES

MOST_TESTS = 12
# A test stands for a border only if the border passes as near as this.
NEAR = {"tws_kn": 2.0, "twa_deg": 10.0}
SECONDS_PER_HOUR = 3600.0
BEYOND: dict[str, pl.DataType] = {
    "along": pl.String(),
    "at": pl.Float64(),
    "crossing": pl.Float64(),
    "open_now": pl.Boolean(),
    "open_after": pl.Boolean(),
    "worth_s_per_nm": pl.Float64(),
}


@dataclass
class Pair:
    """Two sets over the places (n) where either is supported and both reach: mean (n) and covariance (n, n) of the
    second's log speed less the first's; `weight` (n): seconds per nautical mile for each unit of log speed lost there,
    by the share of the season's time and the chance that either leads.
    """

    a: int
    b: int
    place: tuple[np.ndarray, np.ndarray]
    mean: Floats
    cov: Floats
    weight: Floats

    def gains(self, noise: Floats) -> Floats:
        """What half an hour at each place (n) is worth, in seconds per nautical mile, at noise variances (n)."""
        moved = np.abs(self.cov) / np.sqrt(np.diagonal(self.cov) + noise)[None, :]
        z = np.abs(self.mean)[:, None] / np.maximum(moved, 1e-12)
        saved = moved * norm.pdf(z) - np.abs(self.mean)[:, None] * norm.cdf(-z)
        return np.asarray(self.weight @ saved)

    def tested_at(self, k: int, noise: float) -> Pair:
        """The same after half an hour at place k."""
        column = self.cov[:, k]
        return Pair(
            self.a,
            self.b,
            self.place,
            self.mean,
            self.cov - np.outer(column, column) / (column[k] + noise),
            self.weight,
        )


def test_plan(
    fit: SeasonFit, log_draws: Floats, crossovers: pl.DataFrame, conditions: pl.DataFrame, habits: Habits
) -> pl.DataFrame:
    """The half hours that are worth most, the best first, each given those before it; and beyond the format the line of
    the border (`along`, `at`, `crossing`), `open_now` and `open_after` (the band is at least so wide, for it ends where
    a surface ends) and `worth_s_per_nm`.

    `band_now` and `band_after_half_hour` are in the border's unit, the latter of that half hour alone and with the
    border where it is now. Places near one that is listed are not listed again for the same two sets.
    """
    schema = {**TABLES["test_plan"].columns, **BEYOND}
    rows = list(_best_tests(fit, log_draws, crossovers, conditions, habits)) if fit.log_speed.size else []
    return TABLES["test_plan"].conform(pl.DataFrame(rows, schema=schema, orient="row"))


def _best_tests(
    fit: SeasonFit, log_draws: Floats, crossovers: pl.DataFrame, conditions: pl.DataFrame, habits: Habits
) -> Iterator[dict[str, object]]:
    borders = crossovers.filter((pl.col("mode") == FIXED_ANGLE) & pl.col("crossing").is_not_null())
    noise_at = {float(a): paired_variance(fit.parameters, float(a), habits) for a in fit.twa_deg}
    pairs = list(_pairs(fit, log_draws, borders, hours_on(fit, conditions)))
    noises = [np.array([noise_at[float(fit.twa_deg[j])] for j in p.place[1]]) for p in pairs]
    lines = [_lines_at(fit, p, borders) for p in pairs]
    rank = 0
    while rank < MOST_TESTS:
        best: tuple[float, int, int] | None = None
        for i, pair in enumerate(pairs):
            gain = np.where([line is not None for line in lines[i]], pair.gains(noises[i]), 0.0)
            k = int(np.argmax(gain))
            if gain[k] > 0 and (best is None or gain[k] > best[0]):
                best = (float(gain[k]), i, k)
        if best is None:
            return
        worth, i, k = best
        row = _row(fit, log_draws, pairs[i], k, lines[i][k], float(noises[i][k]))
        if row is None:  # its border is no line that both surfaces reach
            lines[i][k] = None
            continue
        lines[i] = _without_near(fit, pairs[i], k, lines[i])
        pairs[i] = pairs[i].tested_at(k, float(noises[i][k]))
        rank += 1
        yield {"rank": rank, **row, "worth_s_per_nm": worth}


def _without_near(fit: SeasonFit, pair: Pair, k: int, lines: list[Line | None]) -> list[Line | None]:
    tws, twa = fit.tws_kn[pair.place[0]], fit.twa_deg[pair.place[1]]
    near = (np.abs(tws - tws[k]) <= NEAR["tws_kn"]) & (np.abs(twa - twa[k]) <= NEAR["twa_deg"])
    return [None if close else line for close, line in zip(near, lines, strict=True)]


def hours_on(fit: SeasonFit, conditions: pl.DataFrame) -> Floats:
    """Hours of the conditions at each node (tws, twa) of the fit's grid; what lies outside the grid is left out."""
    out = np.zeros(fit.log_speed.shape[1:])
    tws, twa, hours = (conditions[c].to_numpy() for c in ("tws_kn", "twa_deg", "hours"))
    i = np.rint(tws - fit.tws_kn[0]).astype(np.int64)
    j = np.rint((twa - fit.twa_deg[0]) / (fit.twa_deg[1] - fit.twa_deg[0])).astype(np.int64)
    inside = (i >= 0) & (i < out.shape[0]) & (j >= 0) & (j < out.shape[1])
    np.add.at(out, (i[inside], j[inside]), hours[inside])
    return out


def _pairs(fit: SeasonFit, log_draws: Floats, borders: pl.DataFrame, hours: Floats) -> Iterator[Pair]:
    named = {frozenset(p) for p in borders.select("set_a", "set_b").unique().iter_rows()}
    reached = np.isfinite(fit.log_speed)
    leads = share_fastest(log_draws, fit.supported)
    share = hours / max(float(hours.sum()), 1e-9)
    for a, b in combinations(range(len(fit.sets)), 2):
        if frozenset((fit.sets[a], fit.sets[b])) not in named:
            continue
        live = reached[a] & reached[b] & (fit.supported[a] | fit.supported[b]) & (hours > 0)
        place = np.nonzero(live)
        if not place[0].size:
            continue
        difference = log_draws[:, b][:, *place] - log_draws[:, a][:, *place]
        mean = (fit.log_speed[b] - fit.log_speed[a])[place]
        slow = SECONDS_PER_HOUR / np.exp(np.minimum(fit.log_speed[a], fit.log_speed[b])[place])
        weight = share[place] * (leads[a] + leads[b])[place] * slow
        yield Pair(a, b, place, mean, _honest_covariance(difference), weight)


def _honest_covariance(draws: Floats) -> Floats:
    """Sample covariance (n, n) of draws (m, n), each correlation less what chance alone gives: r^2 - (1 - r^2) / m."""
    cov = np.atleast_2d(np.cov(draws, rowvar=False))
    sd = np.sqrt(np.diagonal(cov))
    square = np.clip((cov / np.outer(sd, sd)) ** 2, 1e-12, 1.0)
    return cov * np.sqrt(np.maximum(1.0 - (1.0 - square) / (square * len(draws)), 0.0))


@dataclass(frozen=True, slots=True)
class Line:
    """The border that a test stands for."""

    set_a: str
    set_b: str
    along: str
    at: float
    crossing: float


def _lines_at(fit: SeasonFit, pair: Pair, borders: pl.DataFrame) -> list[Line | None]:
    """For each place of the pair its nearest border along a grid line through it, None where none passes near."""
    names = [fit.sets[pair.a], fit.sets[pair.b]]
    mine = [
        Line(*row)
        for row in borders.filter(pl.col("set_a").is_in(names) & pl.col("set_b").is_in(names))
        .select("set_a", "set_b", "along", "at", "crossing")
        .iter_rows()
    ]
    out: list[Line | None] = []
    for i, j in zip(*pair.place, strict=True):
        tws, twa = float(fit.tws_kn[i]), float(fit.twa_deg[j])
        near = []
        for line in mine:
            here, held = (tws, twa) if line.along == "tws_kn" else (twa, tws)
            away = abs(line.crossing - here) / NEAR[line.along]
            if line.at == held and away <= 1.0:
                near.append((away, line.along, line))
        out.append(min(near, key=lambda n: n[:2])[2] if near else None)
    return out


def _row(
    fit: SeasonFit, log_draws: Floats, pair: Pair, k: int, line: Line | None, noise: float
) -> dict[str, object] | None:
    assert line is not None
    i, j = int(pair.place[0][k]), int(pair.place[1][k])
    cut = line_of(fit, log_draws, line)
    if cut is None:
        return None
    x, mean, draws = cut
    now = band_about(x, mean, draws.std(axis=0), line.crossing)
    if now is None:
        return None
    a, b = fit.sets.index(line.set_a), fit.sets.index(line.set_b)
    tested = log_draws[:, b, i, j] - log_draws[:, a, i, j]
    covariance = ((draws - draws.mean(axis=0)) * (tested - tested.mean())[:, None]).mean(axis=0)
    moved = covariance / np.sqrt(tested.var() + noise)
    left = np.sqrt(np.maximum(draws.var(axis=0) - moved**2, 0.0))
    after = band_about(x, mean, left, line.crossing)
    return {
        "set_a": line.set_a,
        "set_b": line.set_b,
        "tws_kn": float(fit.tws_kn[i]),
        "twa_deg": float(fit.twa_deg[j]),
        "band_now": now.width,
        "band_after_half_hour": None if after is None else after.width,
        "along": line.along,
        "at": line.at,
        "crossing": line.crossing,
        "open_now": now.open_low or now.open_high,
        "open_after": None if after is None else after.open_low or after.open_high,
    }


def line_of(fit: SeasonFit, log_draws: Floats, line: Line) -> tuple[Floats, Floats, Floats] | None:
    """Nodes (n), mean (n) and draws (m, n) of the difference (set_b over set_a) along a border's line, over the stretch
    about the crossing that both surfaces reach; None where there is none.
    """
    if line.set_a not in fit.sets or line.set_b not in fit.sets:
        return None
    a, b = fit.sets.index(line.set_a), fit.sets.index(line.set_b)
    along_wind = line.along == "tws_kn"
    x, held = (fit.tws_kn, fit.twa_deg) if along_wind else (fit.twa_deg, fit.tws_kn)
    at = int(np.argmin(np.abs(held - line.at)))
    if abs(held[at] - line.at) > 1e-6:
        return None
    mean = fit.log_speed[b] - fit.log_speed[a]
    draws = log_draws[:, b] - log_draws[:, a]
    mean, draws = (mean[:, at], draws[:, :, at]) if along_wind else (mean[at], draws[:, at])
    for run in runs(np.isfinite(mean) & np.isfinite(draws).all(axis=0)):
        if run.stop - run.start >= 2 and x[run.start] - 1e-9 <= line.crossing <= x[run.stop - 1] + 1e-9:
            return x[run], mean[run], draws[:, run]
    return None


def band_on(fit: SeasonFit, log_draws: Floats, line: Line) -> Band | None:
    """The band of a border as a fit has it, None where that fit has no such crossing."""
    cut = line_of(fit, log_draws, line)
    return None if cut is None else band_about(cut[0], cut[1], cut[2].std(axis=0), line.crossing)
