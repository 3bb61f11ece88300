"""Search for the parameters (quasi-Newton on exact gradients), robust weights, and what the search leaves unsure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy import optimize

from pipeline.surfaces import parameters
from pipeline.surfaces.coordinates import Floats, wind_coordinate
from pipeline.surfaces.day_blocks import Weights, day_block
from pipeline.surfaces.design import EXTRA_SD, Frame, design_rows, gust_loss
from pipeline.surfaces.latent_wind import LatentWind, number_stretches
from pipeline.surfaces.model import Posterior, Problem, evaluate, split_days
from pipeline.surfaces.observations import Observations
from pipeline.surfaces.prior import prior_mean

# Rounds of robust weights, and steps of the search in each; each starts from the last one's parameters.
STEPS = (10, 10, 8, 6)
# A season of many sets or windows says so much about its parameters that a short search on some of its days serves;
# the surfaces themselves always use every window.
STEPS_LARGE = (7, 4, 2, 0)
LARGE_COEFFICIENTS = 1150
SEARCH_WINDOWS = 5000

# Effect of a stretch, in log speed, that the first weights allow for: a wrong tag's, between neighbouring sets.
LOOSE_STRETCH_SD = 0.06


def robust_weights(fit: Posterior, given: Floats) -> Weights:
    """Expected precision of each window's noise, and of each stretch's effect, under Student's t (EM step).

    Uses the posterior mean and variance of the noise of the window, not its residual alone, so that a window which
    its own day effect could explain is not called an outlier.
    """
    nu = parameters.NOISE_FREEDOM
    square = (fit.white_residual**2 + fit.white_uncertainty) / np.maximum(fit.white_sd**2, 1e-12)
    nu_stretch, scale = parameters.STRETCH_FREEDOM, parameters.named(fit.theta)["stretch_sd"]
    effect = (fit.stretch_effect**2 + fit.stretch_uncertainty) / scale**2
    return Weights((nu + 1.0) / (nu + square), (nu_stretch + 1.0) / (nu_stretch + effect), given)


def _first_weights(problem: Problem, theta: Floats, given: Floats) -> Floats:
    """Weights of the stretches before any search. From equal weights the surfaces would first bend to a mistagged
    stretch, which then never looks odd again; so each is allowed an effect of its own, and what is large is weak.
    """
    even = np.ones(len(given))
    loose = even * (parameters.named(theta)["stretch_sd"] / LOOSE_STRETCH_SD) ** 2
    return robust_weights(evaluate(problem, theta, Weights(even, loose, given), with_gradient=False), given).stretch


def search(
    problem: Problem, theta: Floats, weight: Weights, steps: int, tick: Callable[[], None] = lambda: None
) -> Floats:
    """Parameters that maximise the marginal likelihood times prior, within four prior spreads of their centres."""
    bounds = [(m - 4.0 * s, m + 4.0 * s) for m, s in zip(parameters.PRIOR_MEAN, parameters.PRIOR_SD, strict=True)]

    def objective(x: Floats) -> tuple[float, Floats]:
        tick()
        fit = evaluate(problem, x, weight)
        return fit.objective, fit.gradient

    found = optimize.minimize(
        objective,
        theta,
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": steps, "ftol": 1e-6, "gtol": 0.05},
    )
    return np.asarray(found.x)


def estimate(
    seen: Observations, frame: Frame, latent: LatentWind, tick: Callable[[], None] = lambda: None
) -> tuple[Problem, Posterior, Weights]:
    """The fitted problem, its posterior and the robust weights.

    Each round sets the windows at the wind that the last round's slopes call for, searches the parameters, and weighs
    windows and stretches anew. The first weights come of a fit in which every stretch may stand far off.
    """
    stretch = number_stretches(seen)
    blocks = [
        day_block(np.flatnonzero(seen.block == b), seen.hours, seen.session, seen.set_number, stretch, seen.twa_deg)
        for b in range(seen.block[-1] + 1)
    ]
    centre = float(np.mean(wind_coordinate(seen.tws_kn)))
    theta = parameters.PRIOR_MEAN.copy()
    weight = Weights(np.ones(seen.count), np.ones(seen.count), np.zeros(seen.count))
    coefficients: Floats | None = None
    steps = STEPS_LARGE if frame.layout.size > LARGE_COEFFICIENTS else STEPS
    every = max(1, -(-seen.count // SEARCH_WINDOWS))
    design, given = design_rows(frame, seen, latent, None)
    start = prior_mean(frame.layout)
    problem = Problem(frame.layout, split_days(design, blocks), seen.y, EXTRA_SD, centre, start)
    weight = replace(weight, stretch=_first_weights(problem, theta, given))
    for most in steps:
        design, given = design_rows(frame, seen, latent, coefficients)
        y = seen.y if coefficients is None else seen.y - gust_loss(frame, seen, latent, coefficients)
        problem = Problem(frame.layout, split_days(design, blocks), y, EXTRA_SD, centre, start)
        weight = replace(weight, given=given)
        if most:
            theta = search(replace(problem, days=problem.days[::every]), theta, weight, most, tick)
        posterior = evaluate(problem, theta, weight, with_gradient=False)
        weight = robust_weights(posterior, given)
        coefficients = posterior.mean
    return problem, evaluate(problem, theta, weight, with_gradient=False, with_root=True), weight
