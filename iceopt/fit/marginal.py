"""Log likelihood of all campaigns' counts given the light models' signals, all nuisances marginalised.

Brightnesses, efficiencies, clock offsets and dark rates (`iceopt.fit.nuisances`) and the models' own errors
of each pair (`iceopt.fit.likelihood`) are integrated out by Laplace's method: the log of the joint density at
its maximum less half the log det of its Hessian over the prior's. By the envelope theorem the gradient with
respect to the signals is the partial derivative at the maximum.

The log det is taken with the Poisson weights of the counts, so it depends on the error sizes and not on the
ice: the errors carry the expectation to the counts wherever the counts are many, and where they are few the
prior rules.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.likelihood import Likelihood, PairErrors
from iceopt.fit.nuisances import Factor, JointNuisances, NuisanceSystem, decrement

Array = NDArray[np.float64]

_TOLERANCE = 1e-7
_TOLERANCE_OF_VALUES = 0.1
"""Decrement that ends a search: for derivatives, and for a value, to which half of it is still added. On
draws of the sample campaign that leaves values within 6e-5; their weights ask for 1e-2."""
_MOST_STEPS = 60
_LONGEST_LOG_STEP = 1.0
_STEP = 1e-4
_REFERENCE_ROUNDS = 3


@dataclass(frozen=True)
class Evaluation:
    """Log likelihood at one set of signals and error sizes, and what led to it."""

    value: float
    nuisances: JointNuisances
    factor: Factor
    """Of the nuisances' conditional normal distribution, by the curvatures at the best errors."""
    errors: tuple[PairErrors, ...]
    """Best errors of the pairs of each campaign."""


class Marginal:
    """Marginal likelihood of several campaigns, one after another.

    Parameters
    ----------
    likelihoods : sequence of Likelihood
        One a campaign. They are this object's own: it sets their references.
    system : NuisanceSystem
        That ties their pairs together.
    signals : sequence of ndarray, shape (pair, bin)
        Reference signals, one a campaign.
    error_sizes : ndarray, shape (3,), optional
        Error sizes at the reference. With them clock offsets and dark rates are linearised around their best
        values at the reference and searches start there; without, around the prior's.
    """

    def __init__(
        self,
        likelihoods: Sequence[Likelihood],
        system: NuisanceSystem,
        signals: Sequence[Array],
        error_sizes: Array | None = None,
    ) -> None:
        self.likelihoods, self.system = tuple(likelihoods), system
        self._reference = system.start()
        self._start = tuple(likelihood.start() for likelihood in self.likelihoods)
        for _ in range(_REFERENCE_ROUNDS):
            if error_sizes is None:
                break
            found = self._evaluation(signals, error_sizes, _TOLERANCE)
            self._reference, self._start = found.nuisances, found.errors
            for likelihood, signal, own in zip(
                self.likelihoods, signals, system.of_pairs(found.nuisances), strict=True
            ):
                likelihood.linearise(signal, own)

    def evaluate(self, signals: Sequence[Array], error_sizes: Array) -> Evaluation:
        """Log likelihood, up to a constant of the data.

        Parameters
        ----------
        signals : sequence of ndarray, shape (pair, bin)
            Counts of each campaign's light model at brightness and efficiency 1.
        error_sizes : ndarray, shape (3,)
            In the order of `ERROR_NAMES`.
        """
        return self._evaluation(signals, error_sizes, _TOLERANCE_OF_VALUES)

    def evaluate_vjp(
        self, signals: Sequence[Array], error_sizes: Array
    ) -> tuple[Evaluation, list[Array], Array]:
        """Log likelihood and its derivatives.

        Returns
        -------
        evaluation : Evaluation
        by_signals : list of ndarray, shape (pair, bin)
        by_error_sizes : ndarray, shape (3,)
        """
        found = self._evaluation(signals, error_sizes, _TOLERANCE)
        by_signals, by_errors = [], -0.5 * self._volume_gradient(error_sizes)
        for likelihood, signal, own, errors in zip(
            self.likelihoods, signals, self.system.of_pairs(found.nuisances), found.errors, strict=True
        ):
            by_signal, by_own_errors = likelihood.pull_back(signal, error_sizes, own, errors)
            by_signals.append(by_signal)
            by_errors += by_own_errors
        return found, by_signals, by_errors

    def _evaluation(self, signals: Sequence[Array], error_sizes: Array, tolerance: float) -> Evaluation:
        best, errors, value, factor = self._search(signals, error_sizes, tolerance)
        return Evaluation(value - 0.5 * self._log_volume(error_sizes), best, factor, errors)

    def _search(
        self, signals: Sequence[Array], error_sizes: Array, tolerance: float
    ) -> tuple[JointNuisances, tuple[PairErrors, ...], float, Factor]:
        """Maximise the joint density over nuisances and model errors by Newton's method.

        The last step is taken in the nuisances and, as it promises, in the value; not in the model errors.
        """
        system, bin_ns = self.system, min(of.observations.bin_ns for of in self.likelihoods)
        lights = [of.light(signal) for of, signal in zip(self.likelihoods, signals, strict=True)]
        at, errors = self._reference, tuple(start.copy() for start in self._start)
        best, factor_of_step = -np.inf, 1.0
        step: JointNuisances | None = None
        for _ in range(_MOST_STEPS):
            values, by_pairs, information = zip(
                *(
                    of.solve(light, error_sizes, own, found)
                    for of, light, own, found in zip(
                        self.likelihoods, lights, system.of_pairs(at), errors, strict=True
                    )
                ),
                strict=True,
            )
            value = sum(values) + system.log_prior(at)
            if step is not None and value < best - 1e-6 and factor_of_step > 1e-3:
                factor_of_step *= 0.5
                at = at.moved(step, -factor_of_step)
                continue
            best, factor_of_step = value, 1.0
            gradient = system.gradient(at, by_pairs)
            factor = factored(system, information, at)
            step = _shortened(factor.solve(gradient), bin_ns)
            at, rise = at.moved(step), 0.5 * decrement(gradient, step)
            if rise < 0.5 * tolerance:
                return at, errors, best + rise, factor
        return at, errors, best, factor

    def _log_volume(self, error_sizes: Array) -> float:
        """Log det of the precision of everything marginalised, over the prior's."""
        logdets, information = zip(*(of.information(error_sizes) for of in self.likelihoods), strict=True)
        return float(sum(logdets)) + self.system.factor(information, self._reference).logdet

    def _volume_gradient(self, error_sizes: Array) -> Array:
        """Central differences: three smooth numbers that do not depend on the ice."""
        gradient = np.empty(error_sizes.size)
        for i in range(error_sizes.size):
            ahead, behind = error_sizes.copy(), error_sizes.copy()
            ahead[i] += _STEP
            behind[i] -= _STEP
            gradient[i] = (self._log_volume(ahead) - self._log_volume(behind)) / (2.0 * _STEP)
        return gradient


def factored(system: NuisanceSystem, information: Sequence[Array], at: JointNuisances) -> Factor:
    """Factor an information; far from the best ice, where it can be indefinite, its positive part."""
    try:
        return system.factor(information, at)
    except np.linalg.LinAlgError:
        return system.factor([positive_part(of_pairs) for of_pairs in information], at)


def positive_part(matrices: Array) -> Array:
    """Symmetric matrices, shape (many, n, n), with their negative eigenvalues made 0."""
    values, vectors = np.linalg.eigh(matrices)
    return np.asarray((vectors * np.maximum(values, 0.0)[:, None, :]) @ vectors.transpose(0, 2, 1))


def _shortened(step: JointNuisances, bin_ns: float) -> JointNuisances:
    """Limit a step to a factor e in amplitude and half a bin in time: the light is linear no further."""
    longest = max(
        np.abs(step.log_brightness).max() / _LONGEST_LOG_STEP,
        np.abs(step.log_efficiency).max() / _LONGEST_LOG_STEP,
        np.abs(step.log_dark).max() / _LONGEST_LOG_STEP,
        np.abs(step.offset_ns).max() / (0.5 * bin_ns),
        1.0,
    )
    return JointNuisances(step.log_brightness / longest, step.of_modules / longest)
