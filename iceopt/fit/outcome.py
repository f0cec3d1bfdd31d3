"""One fit from campaigns to draws: maximum, ensembles, correction, verdict."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import climb
from iceopt.fit.config import FitConfig, SamplerConfig
from iceopt.fit.convergence import (
    LARGEST_OWN_ERROR,
    LARGEST_RHAT,
    LEAST_ESS,
    SETTLED,
    Diagnostics,
    diagnose,
)
from iceopt.fit.correction import LARGEST_K, Corrected, correct
from iceopt.fit.ensemble import Ensembles
from iceopt.fit.gradient import NoUTurn
from iceopt.fit.laplace import NormalDraws
from iceopt.fit.maximum import LARGEST_DECREMENT, Maximum
from iceopt.fit.posterior import Posterior
from iceopt.fit.problem import Problem
from iceopt.fit.sampler import Run, Sampler
from iceopt.fit.standin import StandIn
from iceopt.light.counts import expected_counts

Array = NDArray[np.float64]

Watch = Callable[[str, float | None], None]
"""Told what goes on: a line of words, and the part done (0 to 1) if known."""

_PREDICTED_DRAWS = 50
MOST_FOR_ENSEMBLE = 40
"""Parameters up to which an ensemble finds its way."""
SAMPLERS: dict[str, Callable[[SamplerConfig, int], Sampler]] = {
    "ensemble": Ensembles,
    "gradient": NoUTurn,
    "laplace": NormalDraws,
}


@dataclass(frozen=True)
class Prediction:
    """Expected counts of one campaign's used pairs over the posterior."""

    mean: Array
    """Shape (pair, bin)."""
    sd: Array
    """Shape (pair, bin)."""
    charge_error: Array
    """Shape (pair,): relative standard deviation of the charge by the light model's errors."""


@dataclass(frozen=True)
class Outcome:
    """What a fit has found."""

    problem: Problem
    maximum: Maximum
    run: Run
    corrected: Corrected
    diagnostics: Diagnostics
    predictions: tuple[Prediction, ...]
    renewals: tuple[float, ...]
    """Root mean square move of the layers by each renewal of the light model, in their errors."""
    converged: bool
    verdict: str
    duration_s: float


def fit(problem: Problem, store: Checkpoint, watch: Watch) -> Outcome:
    """Fit, going on with whatever the store holds.

    Parameters
    ----------
    problem : Problem
    store : Checkpoint
    watch : callable

    Returns
    -------
    Outcome
    """
    begin = time.monotonic()
    config = problem.config

    def time_left_s() -> float:
        return config.sampler.time_limit_s - (time.monotonic() - begin)

    maximum, moved = climb(problem, store, watch, time_left_s)
    sampler = make_sampler(config, maximum.vector.size)
    target = StandIn(maximum) if config.sampler.target == "stand-in" else maximum.posterior
    run = sampler.run(
        target,
        maximum.vector,
        maximum.covariance,
        store,
        time_left_s,
        lambda words: watch(words, None),
    )
    corrected = correct(
        maximum.posterior,
        run,
        config.seed,
        store,
        time_left_s,
        watch,
        lambda draws: diagnose(draws).good,
    )
    diagnostics = diagnose(corrected.draws)
    complaints = _complaints(maximum, moved, run, corrected, diagnostics)
    watch("predicting the counts", None)
    return Outcome(
        problem=problem,
        maximum=maximum,
        run=run,
        corrected=corrected,
        diagnostics=diagnostics,
        predictions=tuple(
            _predict(problem, maximum.posterior, corrected, k) for k in range(len(problem.parts))
        ),
        renewals=moved,
        converged=not complaints,
        verdict=_verdict(complaints, _light_doubt(maximum.posterior, maximum.vector), diagnostics, run),
        duration_s=time.monotonic() - begin,
    )


def make_sampler(config: FitConfig, parameters: int) -> Sampler:
    """Make the sampler that the configuration names; left to itself it goes by the number of parameters."""
    kind = config.sampler.kind
    if kind == "auto":
        kind = "ensemble" if parameters <= MOST_FOR_ENSEMBLE else "gradient"
    return SAMPLERS[kind](config.sampler, config.seed)


def _complaints(
    maximum: Maximum, moved: Sequence[float], run: Run, corrected: Corrected, diagnostics: Diagnostics
) -> list[str]:
    """All that speaks against these draws; comparisons are such that a NaN speaks against them too."""
    found = []
    if not maximum.decrement < LARGEST_DECREMENT:
        found.append(f"the climb stopped {maximum.decrement / 2:.2g} below the maximum")
    if moved and not moved[-1] < SETTLED:
        found.append(
            f"the last renewal of the light model moved the layers by {moved[-1]:.2f} of their "
            f"errors (should be below {SETTLED})"
        )
    if not run.converged:
        found.append(run.stopped_by)
    if not corrected.complete:
        found.append(f"the time limit left {corrected.draws.shape[1]} corrected draws a chain")
    if not (corrected.pareto_k < LARGEST_K):
        found.append(
            f"Pareto k is {corrected.pareto_k:.2f} (should be below {LARGEST_K}): the stand-in is too far "
            "from the posterior"
        )
    if not diagnostics.worst_rhat < LARGEST_RHAT:
        found.append(f"the worst R-hat is {diagnostics.worst_rhat:.3f} (should be below {LARGEST_RHAT})")
    if not diagnostics.least_ess > LEAST_ESS:
        found.append(
            f"the smallest effective sample size is {diagnostics.least_ess:.0f} "
            f"(should be above {LEAST_ESS:.0f})"
        )
    return found


def _light_doubt(posterior: Posterior, vector: Array) -> str:
    """Say in words that a light model is too poor for final numbers; empty if it is not."""
    ice = posterior.ice(vector)
    for term in posterior.terms:
        own = float(np.median(term.model.model_error(ice, term.model.expected(ice))))
        if own > LARGEST_OWN_ERROR:
            return f"the light model, {term.model.name}, is itself wrong by about {100 * own:.0f} %"
    return ""


def _verdict(complaints: list[str], light_doubt: str, diagnostics: Diagnostics, run: Run) -> str:
    doubt = f"; a first look, not final: {light_doubt}" if light_doubt else ""
    if complaints:
        return "NOT converged, do not use as final: " + "; ".join(complaints) + doubt
    return (
        f"converged: {run.stopped_by}; worst R-hat {diagnostics.worst_rhat:.3f}, smallest effective sample "
        f"size {diagnostics.least_ess:.0f}{doubt}"
    )


def _predict(problem: Problem, posterior: Posterior, corrected: Corrected, campaign: int) -> Prediction:
    """Mean and standard deviation of the expected counts over some of the draws, by Welford's recurrence."""
    part = problem.parts[campaign]
    seen, own = part.observations, corrected.nuisances[campaign]
    chains, draws, _ = corrected.draws.shape
    mean = np.zeros(seen.used.shape)
    squares = np.zeros(seen.used.shape)
    count = min(_PREDICTED_DRAWS, chains * draws)
    for k, i in enumerate(np.linspace(0, chains * draws - 1, count).astype(int), start=1):
        at = np.unravel_index(i, (chains, draws))
        amplitude = own.log_brightness[at][seen.run] + own.log_efficiency[at][seen.module]
        counts = expected_counts(
            posterior.terms[campaign].model.expected(posterior.ice(corrected.draws[at])),
            amplitude,
            own.offset_ns[at][seen.module],
            seen.dark_per_bin * np.exp(own.log_dark[at][seen.module]),
            seen.bin_ns,
        )
        away = counts - mean
        mean += away / k
        squares += away * (counts - mean)
    middle = corrected.draws.mean(axis=(0, 1))
    error = posterior.terms[campaign].likelihood.charge_error(
        posterior.terms[campaign].model.expected(posterior.ice(middle)), posterior.errors(middle)
    )
    return Prediction(mean, np.sqrt(squares / max(count - 1, 1)), error)
