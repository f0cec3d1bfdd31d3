"""Flashes that are left out of a fit and predicted by it: the check that no fit can pass by bending.

What a fit says of a run that it has not seen is a distribution of the logs of its pairs' charges: the
posterior of ice, efficiencies and clock offsets, the prior of the run's brightness around those of the
others, the light model's fitted error of each pair, and counting. The brightness moves all pairs of the run
together, so departures are not independent; multiplied by the inverse root of their covariance they are
standard normal and independent if the fit knows its errors.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg
import scipy.stats
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign, Verdicts
from iceopt.errors import InputError
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.config import FitConfig
from iceopt.fit.dispersion import carried_over
from iceopt.fit.likelihood import Likelihood
from iceopt.fit.outcome import Outcome, fit
from iceopt.fit.problem import Light, Part, Problem, error_model_of, light_models, part_of
from iceopt.light.counts import expected_counts
from iceopt.light.model import Scene

Array = NDArray[np.float64]

_DRAWS = 100
_LEAST_EXPECTED = 20.0
"""Pairs with fewer expected counts are too far from log-normal. Chosen by what is expected, not seen."""


@dataclass(frozen=True)
class HeldOut:
    """One run that was left out."""

    run: str
    modules: tuple[str, ...]
    seen: Array
    """Shape (pair,): charge in the usable bins."""
    expected: Array
    """Shape (pair,): its median by the fit, at the brightness that suits the run best."""
    log_brightness: float
    """Of that brightness over the mean of the other runs."""
    pulls: Array
    """Shape (pair,): standard normal and independent if the fit knows its errors."""

    @property
    def probability(self) -> float:
        """Of pulls this large by chance: the sum of their squares is chi-squared."""
        return float(scipy.stats.chi2.sf(self.pulls @ self.pulls, self.pulls.size))


@dataclass(frozen=True)
class Fold:
    """A fit without some runs, and what it says of them."""

    converged: bool
    verdict: str
    runs: tuple[HeldOut, ...]


def folds_of(campaign: Campaign, verdicts: Verdicts, many: int) -> list[tuple[str, ...]]:
    """Part the usable runs into folds, every so many in one, so that each has runs of all depths."""
    usable = np.zeros(len(campaign.flashes.run), dtype=bool)
    np.logical_or.at(usable, campaign.pair_run, verdicts.usable.any(axis=1))
    names = [campaign.flashes.run[i] for i in np.flatnonzero(usable)]
    if not 2 <= many <= len(names):
        raise InputError(f"{many} folds of {len(names)} usable runs; expected 2 to {len(names)}")
    return [tuple(names[k::many]) for k in range(many)]


def leave_out(
    campaign: Campaign,
    verdicts: Verdicts,
    runs: Sequence[str],
    config: FitConfig,
    store: Checkpoint,
    watch: Callable[[str, float | None], None],
    build: Callable[[FitConfig, Scene], Light] = light_models,
) -> Fold:
    """Fit a campaign without some of its runs, and predict those.

    Parameters
    ----------
    campaign : Campaign
    verdicts : Verdicts
    runs : sequence of str
    config : FitConfig
    store : Checkpoint
        Of this fit alone.
    watch : callable
    build : callable
        Makes the light models.

    Raises
    ------
    InputError
        If a run is not in the campaign, or without the runs nothing is left to fit.
    """
    unknown = sorted(set(runs) - set(campaign.flashes.run))
    if unknown:
        raise InputError(f"{campaign.settings.site} {campaign.settings.season} has no run {unknown[0]!r}")
    out = np.isin(np.array(campaign.flashes.run)[campaign.pair_run], list(runs))
    kept = replace(verdicts, usable=verdicts.usable & ~out[:, None])
    problem = Problem([(campaign, kept)], config, build)
    outcome = fit(problem, store, watch)
    found = []
    for run in runs:
        mine = np.array(campaign.flashes.run)[campaign.pair_run] == run
        alone = replace(verdicts, usable=verdicts.usable & mine[:, None])
        if alone.usable.any():
            place = np.arange(len(campaign.modules.name))
            part = part_of(campaign, alone, place, config, build, outcome.problem.attitude)
            found.append(_predicted(outcome, part))
    return Fold(outcome.converged, outcome.verdict, tuple(found))


def _predicted(outcome: Outcome, part: Part) -> HeldOut:
    """Compare one run's charges with what a fit without it says of them."""
    seen, used = part.observations, part.observations.used
    model = part.light.at(outcome.maximum.posterior.ice(outcome.maximum.vector))
    chains, draws, _ = outcome.corrected.draws.shape
    rng = np.random.default_rng(outcome.problem.config.seed)
    chosen = np.linspace(0, chains * draws - 1, min(_DRAWS, chains * draws)).astype(int)
    dark = np.sum(seen.dark_per_bin[:, None] * used, axis=1)
    logs = np.empty((chosen.size, len(seen.pair)))
    for k, i in enumerate(chosen):
        at = np.unravel_index(i, (chains, draws))
        log_efficiency, offset_ns, level = _of_draw(outcome, part, at, rng)
        counts = expected_counts(
            model.expected(outcome.maximum.posterior.ice(outcome.corrected.draws[at])),
            level + log_efficiency[seen.module],
            offset_ns[seen.module],
            np.zeros(len(seen.pair)),
            seen.bin_ns,
        )
        logs[k] = np.log(np.sum(counts * used, axis=1) + dark)
    expected, charge = np.exp(logs.mean(axis=0)), np.sum(seen.counts, axis=1)
    enough = expected >= _LEAST_EXPECTED
    middle = outcome.corrected.draws.mean(axis=(0, 1))
    ice, sizes = outcome.maximum.posterior.ice(middle), outcome.maximum.posterior.errors(middle)
    signal = model.expected(ice)
    likelihood = Likelihood(
        seen, error_model_of(outcome.problem.config), signal, model.model_error(ice, signal)
    )
    fitted = outcome.maximum.posterior.terms[0].likelihood
    dispersion = carried_over(fitted.observations.scene, fitted.dispersion, seen.scene)
    error = np.hypot(likelihood.charge_error(signal, sizes), np.sqrt(dispersion / expected))[enough]
    together = np.atleast_2d(np.cov(logs[:, enough], rowvar=False)) + np.diag(error**2)
    runs = outcome.problem.parts[0].observations.runs.size
    brightness = part.ties.prior.brightness_sd**2 * (1.0 + 1.0 / runs)
    departure = np.log(np.maximum(charge, 0.5))[enough] - logs.mean(axis=0)[enough]
    pulls = scipy.linalg.solve_triangular(
        scipy.linalg.cholesky(together + brightness, lower=True), departure, lower=True
    )
    weights = np.linalg.solve(together, np.ones(departure.size))
    best = float(weights @ departure / (weights.sum() + 1.0 / brightness))
    modules = outcome.problem.parts[0].campaign.modules.name
    return HeldOut(
        run=part.campaign.flashes.run[int(seen.runs[0])],
        modules=tuple(modules[i] for i in seen.modules[seen.module[enough]]),
        seen=charge[enough],
        expected=expected[enough] * np.exp(best),
        log_brightness=best,
        pulls=pulls,
    )


def _of_draw(
    outcome: Outcome, part: Part, at: tuple[np.intp, ...], rng: np.random.Generator
) -> tuple[Array, Array, float]:
    """Ln efficiency and clock offset of a left-out run's modules in one draw, and its mean ln brightness.

    Modules that the fit has not seen get a draw of their prior.
    """
    fitted, own = outcome.problem.parts[0], outcome.corrected.nuisances[0]
    prior, wanted = part.ties.prior, part.observations.modules
    place = {m: i for i, m in enumerate(fitted.observations.modules)}
    efficiency = prior.log_efficiency + prior.efficiency_sd * rng.standard_normal(wanted.size)
    offset = prior.offset_sd_ns * rng.standard_normal(wanted.size)
    for i, module in enumerate(wanted):
        if module in place:
            efficiency[i] = own.log_efficiency[at][place[module]]
            offset[i] = own.offset_ns[at][place[module]]
    return efficiency, offset, float(own.log_brightness[at].mean())
