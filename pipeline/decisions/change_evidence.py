"""What the speeds about one logged sail change say of its moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.angles import Floats
from pipeline.decisions.as_sailed import Ints
from pipeline.decisions.speed_steps import STEP_S, Noise, Steps

# How far from the logged time the change is looked for, and the time beyond that tells the levels.
MOST_LATE_S, MOST_EARLY_S, BESIDE_S = 480.0, 240.0, 180.0
LEAST_STEPS_A_SIDE = 6
# Prior of the delay of an entry: most within half a minute, written after the event rather than before it, some by
# minutes. Common practice, no source.
USUAL_DELAY_S, USUAL_SPREAD_S, LATE_SHARE, EARLY_SHARE = 5.0, 15.0, 0.12, 0.01
LEVEL_SD = 0.03
# Depth of the loss of speed about a change (log speed).
DIP_MEAN, DIP_SD = 0.08, 0.08


@dataclass(frozen=True, slots=True)
class Loss:
    """How a boat loses speed at a change: half width (s), and how long before the new set draws its middle is (s)."""

    half_s: float
    before_s: float


def losses(loa_m: float) -> list[tuple[Loss, ...]]:
    """What is tried: changes of a quarter of a minute to minutes, and for each the new set drawing in their middle, at
    their end, or between. Half widths grow with the length (common practice, no source).
    """
    halves = (6.0 + 0.5 * loa_m, 10.0 + 0.9 * loa_m, 15.0 + 1.4 * loa_m, 25.0 + 1.8 * loa_m)
    return [tuple(Loss(half, share * half) for share in (0.0, 0.6, 1.2)) for half in halves]


@dataclass(frozen=True, slots=True)
class Case:
    """One logged change: its time (s), sets before and after, steps near it, moments tried (s), and how sure the
    difference of the two sets is (log speed).
    """

    time_s: float
    old: int
    new: int
    near: Ints
    tried: Floats
    difference_sd: float


def case_of(
    steps: Steps, time_s: float, old: int, new: int, span: tuple[float, float], difference_sd: float
) -> Case | None:
    """The change at `time_s`, looked for within `span` (to the changes before and after it); None where too little is
    known on either side.
    """
    low = max(time_s - MOST_LATE_S - BESIDE_S, span[0])
    high = min(time_s + MOST_EARLY_S + BESIDE_S, span[1])
    i, j = np.searchsorted(steps.time_s, [low, high])
    near = np.arange(i, j)
    session = steps.session[min(np.searchsorted(steps.time_s, time_s), len(steps.time_s) - 1)]
    near = near[steps.usable[near] & (steps.session[near] == session)]
    near = near[np.isfinite(steps.off[old, near]) & np.isfinite(steps.off[new, near])]
    t = steps.time_s[near]
    tried = np.arange(max(time_s - MOST_LATE_S, low + 30.0), min(time_s + MOST_EARLY_S, high - 30.0), STEP_S / 2.0)
    if min((t < time_s).sum(), (t > time_s).sum()) < LEAST_STEPS_A_SIDE or tried.size < 3:
        return None
    return Case(time_s, old, new, near, tried, difference_sd)


def log_prior(delay_s: Floats) -> Floats:
    """Log density of an entry's delay (positive: written after the change), up to a constant."""
    usual = np.exp(-np.abs(delay_s - USUAL_DELAY_S) / USUAL_SPREAD_S) / (2.0 * USUAL_SPREAD_S)
    odd = np.where(delay_s > 0, LATE_SHARE / MOST_LATE_S, EARLY_SHARE / MOST_EARLY_S)
    return np.log((1.0 - LATE_SHARE - EARLY_SHARE) * usual + odd)


def log_likelihood(steps: Steps, noise: Noise, case: Case, loss: tuple[Loss, ...], lag_s: float) -> Floats:
    """Log likelihood of the change having been at each moment tried (m,), up to a constant; kinds of loss alike."""
    return np.asarray(special.logsumexp([_with_loss(steps, noise, case, kind, lag_s) for kind in loss], axis=0))


def _with_loss(steps: Steps, noise: Noise, case: Case, loss: Loss, lag_s: float) -> Floats:
    """Log likelihood of the change having been at each moment tried (m,), up to a constant.

    Both the new set's speed and the loss reach the log through the boat's lag.
    """
    t = steps.time_s[case.near]
    apart = np.abs(t[:, None] - t[None, :]) / STEP_S
    precision = np.linalg.inv(noise.sd**2 * noise.correlation**apart + LEVEL_SD**2)
    since = t[None, :] - case.tried[:, None]
    drawn = np.where(since > 0, 1.0 - np.exp(-np.maximum(since, 0.0) / lag_s), 0.0)
    dip = np.exp(-0.5 * ((since - lag_s + loss.before_s) / np.hypot(loss.half_s, lag_s)) ** 2)
    old, new = steps.off[case.old, case.near], steps.off[case.new, case.near]
    r = old + drawn * (new - old) + DIP_MEAN * dip
    u = np.stack([case.difference_sd * drawn, DIP_SD * dip], axis=-1)  # (m, n, 2)
    pr = r @ precision
    inner = np.einsum("mni,nk,mkj->mij", u, precision, u, optimize=True) + np.eye(2)
    right = np.einsum("mni,mn->mi", u, pr)
    solved = np.linalg.solve(inner, right[..., None])[..., 0]
    return -0.5 * ((r * pr).sum(axis=1) - (right * solved).sum(axis=1)) - 0.5 * np.log(np.linalg.det(inner))


def likeliest_loss(steps: Steps, noise: Noise, cases: Sequence[Case], lag_s: float, loa_m: float) -> tuple[Loss, ...]:
    """The kinds of loss of the half width that goes best with all changes together, whatever their moments.

    Where in the loss the new set begins to draw is left open: neither the speeds nor a log that may always be late can
    tell it.
    """
    tried = losses(loa_m)
    total = [
        sum(float(special.logsumexp(log_likelihood(steps, noise, c, loss, lag_s))) for c in cases) for loss in tried
    ]
    return tried[int(np.argmax(total))]
