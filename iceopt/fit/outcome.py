"""One fit from campaigns to draws: maximum, ensembles, correction, verdict."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.abreast import in_order
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import climb
from iceopt.fit.config import FitConfig, SamplerConfig
from iceopt.fit.convergence import Diagnostics, diagnose
from iceopt.fit.correction import Corrected, correct
from iceopt.fit.ensemble import Ensembles
from iceopt.fit.gradient import NoUTurn
from iceopt.fit.laplace import NormalDraws
from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.limits import LARGEST_K, SETTLED
from iceopt.fit.maximum import LARGEST_DECREMENT, Maximum
from iceopt.fit.posterior import Posterior
from iceopt.fit.problem import Problem
from iceopt.fit.refined import refine
from iceopt.fit.sampler import Run, Sampler, Target
from iceopt.fit.standin import StandIn
from iceopt.fit.verdict import complaints_of_draws, doubt_of_light, verdict_of
from iceopt.light.counts import expected_counts

Array = NDArray[np.float64]

Watch = Callable[[str, float | None], None]
"""Told what goes on: a line of words, and the part done (0 to 1) if known."""

_PREDICTED_DRAWS = 50
_FIRST_ROUND = 300
_NEXT_ROUND = 1.4
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
    """In ice that lies as was found."""
    maximum: Maximum
    run: Run
    corrected: Corrected
    diagnostics: Diagnostics
    predictions: tuple[Prediction, ...]
    renewals: tuple[float, ...]
    """Root mean square move of the layers by each renewal of the light model, in their errors."""
    converged: bool
    standing: tuple[str, ...]
    """What speaks against it that further chains of the same fit would not mend."""
    verdict: str
    duration_s: float
    attitude_covariance: Array
    """Shape (4, 4): of what was found of the ice's attitude, zero for what was not."""


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

    maximum, moved, problem, attitude_covariance = climb(problem, store, watch, time_left_s)
    sampler = make_sampler(config, maximum.vector.size)
    target: Target = maximum.posterior
    if sampler.evaluates and config.sampler.target == "stand-in":
        watch("expanding the likelihood around the maximum", None)
        target = refine(
            StandIn(maximum), maximum, config.seed, store, time_left_s, lambda words: watch(words, None)
        )
    for draws in _rounds(config.sampler.draws, sampler.extends):
        run = sampler.run(
            target,
            maximum.vector,
            maximum.covariance,
            store,
            time_left_s,
            lambda words: watch(words, None),
            draws,
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
        if diagnostics.good or not (run.converged and corrected.complete):
            break
    standing = _standing(maximum, moved, run, corrected)
    complaints = [*standing, *_too_few(corrected), *complaints_of_draws(diagnostics)]
    light_doubt = _light_doubt(maximum.posterior, maximum.vector, fitted_pair_error(corrected))
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
        attitude_covariance=attitude_covariance,
        converged=not complaints,
        standing=tuple(standing),
        verdict=verdict_of(complaints, light_doubt, diagnostics, run.stopped_by),
        duration_s=time.monotonic() - begin,
    )


def _rounds(most: int, extends: bool) -> list[int]:
    """Draws of each chain to try with, one number after the other, until they are enough."""
    if not extends:
        return [most]
    rounds = [min(_FIRST_ROUND, most)]
    while rounds[-1] < most:
        rounds.append(min(int(_NEXT_ROUND * rounds[-1]), most))
    return rounds


def make_sampler(config: FitConfig, parameters: int) -> Sampler:
    """Make the sampler that the configuration names; left to itself it goes by the number of parameters."""
    kind = config.sampler.kind
    if kind == "auto":
        kind = "ensemble" if parameters <= MOST_FOR_ENSEMBLE else "gradient"
    return SAMPLERS[kind](config.sampler, config.seed)


def _standing(maximum: Maximum, moved: Sequence[float], run: Run, corrected: Corrected) -> list[str]:
    """What speaks against the fit that further chains would not mend; a NaN speaks against it too."""
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
    if not (corrected.pareto_k < LARGEST_K):
        found.append(
            f"Pareto k is {corrected.pareto_k:.2f} (should be below {LARGEST_K}): what was drawn from "
            "is too far from the posterior"
        )
    return found


def _too_few(corrected: Corrected) -> list[str]:
    """What the time limit did to the draws."""
    if corrected.complete:
        return []
    return [f"the time limit left {corrected.draws.shape[1]} corrected draws a chain"]


def fitted_pair_error(corrected: Corrected) -> float:
    """Relative error of the light model in a pair's charge 100 m away, the median of the draws."""
    return float(np.exp(np.median(corrected.draws[:, :, -len(ERROR_NAMES)])))


def _light_doubt(posterior: Posterior, vector: Array, fitted_error: float) -> str:
    """Say in words that a light model is too poor for final numbers; empty if none is."""
    ice = posterior.ice(vector)
    for term in posterior.terms:
        own = float(np.median(term.model.model_error(ice, term.model.expected(ice))))
        if doubt := doubt_of_light(term.model.name, own, fitted_error):
            return doubt
    return ""


def _predict(problem: Problem, posterior: Posterior, corrected: Corrected, campaign: int) -> Prediction:
    """Mean and standard deviation of the expected counts over some of the draws, by Welford's recurrence."""
    part = problem.parts[campaign]
    seen, own = part.observations, corrected.nuisances[campaign]
    chains, draws, _ = corrected.draws.shape
    mean = np.zeros(seen.used.shape)
    squares = np.zeros(seen.used.shape)
    count = min(_PREDICTED_DRAWS, chains * draws)

    def predicted(i: int) -> Array:
        at = np.unravel_index(i, (chains, draws))
        amplitude = own.log_brightness[at][seen.run] + own.log_efficiency[at][seen.module]
        return expected_counts(
            posterior.terms[campaign].model.expected(posterior.ice(corrected.draws[at])),
            amplitude,
            own.offset_ns[at][seen.module],
            seen.dark_per_bin * np.exp(own.log_dark[at][seen.module]),
            seen.bin_ns,
        )

    some = np.linspace(0, chains * draws - 1, count).astype(int).tolist()
    for k, counts in enumerate(in_order(predicted, some), start=1):
        away = counts - mean
        mean += away / k
        squares += away * (counts - mean)
    middle = corrected.draws.mean(axis=(0, 1))
    error = posterior.terms[campaign].likelihood.charge_error(
        posterior.terms[campaign].model.expected(posterior.ice(middle)), posterior.errors(middle)
    )
    return Prediction(mean, np.sqrt(squares / max(count - 1, 1)), error)
