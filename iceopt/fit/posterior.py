"""From a vector of named parameters to log density and gradient: all that a sampler knows."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.config import FitConfig
from iceopt.fit.likelihood import ERROR_NAMES, Likelihood
from iceopt.fit.marginal import Evaluation, Marginal
from iceopt.fit.priors import LayerPrior, Normal, log_normal
from iceopt.ice.layers import Ice
from iceopt.light.model import LightModel

Array = NDArray[np.float64]

SHORTEST_M, LONGEST_M = 0.5, 5000.0
"""Lengths beyond these are refused: no ice is like that, and the light models are not made for it."""


@dataclass(frozen=True)
class Term:
    """One campaign's part of the posterior."""

    model: LightModel
    likelihood: Likelihood


@dataclass(frozen=True)
class Point:
    """Log posterior at one vector, and what led to it."""

    log_density: float
    log_likelihood: float
    evaluation: Evaluation


class Posterior:
    """Posterior density of ln le and ln la of the layers, of the prior's and of the errors' sizes.

    Parameters
    ----------
    models : sequence of LightModel
        One a campaign; they share the ice and the sizes of the errors.
    marginal : Marginal
        Of the same campaigns.
    edges_m : ndarray, shape (layer + 1,)
    config : FitConfig
    """

    threaded = True

    def __init__(
        self, models: Sequence[LightModel], marginal: Marginal, edges_m: Array, config: FitConfig
    ) -> None:
        self.terms = tuple(map(Term, models, marginal.likelihoods))
        self.marginal = marginal
        self.edges_m = edges_m
        self.layers = edges_m.size - 1
        self._prior = LayerPrior(config.prior, 0.5 * (edges_m[1:] + edges_m[:-1]))
        error = config.error
        self.hyperparameters: tuple[Normal, ...] = (
            *self._prior.hyperparameters,
            log_normal(ERROR_NAMES[0], error.pair),
            Normal(ERROR_NAMES[1], error.growth.mean, error.growth.sd),
            log_normal(ERROR_NAMES[2], error.profile),
        )
        self._mean = np.array([p.mean for p in self.hyperparameters])
        self._sd = np.array([p.sd for p in self.hyperparameters])
        self.names: tuple[str, ...] = (
            *(f"ln_scattering_length[{i}]" for i in range(self.layers)),
            *(f"ln_absorption_length[{i}]" for i in range(self.layers)),
            *(p.name for p in self.hyperparameters),
        )

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.names)

    @property
    def bounds(self) -> list[tuple[float, float]]:
        """Limits of each parameter: fixed ones for lengths, six standard deviations for the others."""
        lengths = [(float(np.log(SHORTEST_M)), float(np.log(LONGEST_M)))] * (2 * self.layers)
        return lengths + [(m - 6.0 * s, m + 6.0 * s) for m, s in zip(self._mean, self._sd, strict=True)]

    def vector(self, ice: Ice, **hyperparameters: float) -> Array:
        """Vector of an ice on these layers; hyperparameters not named are at their prior's mean."""
        values = [hyperparameters.get(p.name, p.mean) for p in self.hyperparameters]
        return np.concatenate([np.log(ice.scattering_length_m), np.log(ice.absorption_length_m), values])

    def ice(self, vector: Array) -> Ice:
        """Ice of a vector."""
        lengths = np.exp(vector[: 2 * self.layers])
        return Ice(self.edges_m, lengths[: self.layers], lengths[self.layers :])

    def log_density(self, vector: Array) -> float:
        """Log posterior density up to a constant; minus infinity outside the bounds."""
        return self.evaluate(vector).log_density if self.inside(vector) else -np.inf

    def inside(self, vector: Array) -> bool:
        """Whether every parameter is within its bounds."""
        low, high = np.array(self.bounds).T
        return bool(np.all((vector >= low) & (vector <= high)))

    def evaluate(self, vector: Array) -> Point:
        """Log posterior with the nuisances that led to it."""
        found = self.marginal.evaluate(self.signals(self.ice(vector)), self.errors(vector))
        return Point(found.value + self.log_prior(vector)[0], found.value, found)

    def signals(self, ice: Ice) -> list[Array]:
        """Counts of each campaign's light model at brightness and efficiency 1, shape (pair, bin)."""
        return [term.model.expected(ice) for term in self.terms]

    def log_density_gradient(self, vector: Array) -> tuple[float, Array]:
        """Log posterior density and its gradient; minus infinity and 0 outside the bounds."""
        if not self.inside(vector):
            return -np.inf, np.zeros(vector.size)
        prior, by_prior = self.log_prior(vector)
        likelihood, by_likelihood = self.log_likelihood_gradient(vector)
        return prior + likelihood, by_prior + by_likelihood

    def log_likelihood_gradient(self, vector: Array) -> tuple[float, Array]:
        """Log likelihood, nuisances marginalised, and its gradient."""
        ice, errors = self.ice(vector), self.errors(vector)
        gradient, n = np.zeros(vector.size), self.layers
        signals, pull_backs = zip(*(term.model.expected_vjp(ice) for term in self.terms), strict=True)
        found, by_signals, by_errors = self.marginal.evaluate_vjp(signals, errors)
        for pull_back, by_signal in zip(pull_backs, by_signals, strict=True):
            by_scattering, by_absorption = pull_back(by_signal)
            gradient[:n] += by_scattering
            gradient[n : 2 * n] += by_absorption
        gradient[-errors.size :] = by_errors
        return found.value, gradient

    def log_prior(self, vector: Array) -> tuple[float, Array]:
        """Log prior density up to a constant, and its gradient."""
        n, own = self.layers, len(self._prior.hyperparameters)
        value, by_scattering, by_absorption, by_own = self._prior.evaluate(
            vector[:n], vector[n : 2 * n], vector[2 * n : 2 * n + own]
        )
        departure = (vector[2 * n :] - self._mean) / self._sd
        by_hyper = -departure / self._sd
        by_hyper[:own] += by_own
        return (
            value - 0.5 * float(departure @ departure),
            np.concatenate([by_scattering, by_absorption, by_hyper]),
        )

    def prior_precision(self, vector: Array) -> Array:
        """Inverse covariance of the layers by the prior, given its hyperparameters in a vector."""
        n, own = self.layers, len(self._prior.hyperparameters)
        return self._prior.precision(vector[2 * n : 2 * n + own])

    @property
    def error_precision(self) -> Array:
        """Inverse variances of the prior of the errors' sizes, shape (3,)."""
        return self._sd[-len(ERROR_NAMES) :] ** -2.0

    def log_priors(self, vectors: Array) -> Array:
        """Log prior densities as of `log_prior`, of many vectors at once: shape (many,)."""
        n, own = self.layers, len(self._prior.hyperparameters)
        value = self._prior.values(vectors[:, :n], vectors[:, n : 2 * n], vectors[:, 2 * n : 2 * n + own])
        return value - 0.5 * np.sum(((vectors[:, 2 * n :] - self._mean) / self._sd) ** 2, axis=1)

    def log_densities(self, vectors: Array) -> Array:
        """Log posterior densities of many vectors, shape (many,)."""
        return np.array([self.log_density(v) for v in vectors])

    def errors(self, vector: Array) -> Array:
        """Sizes of the light model's errors (`ERROR_NAMES`) in a vector."""
        return vector[-len(ERROR_NAMES) :]
