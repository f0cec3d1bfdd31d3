"""Log likelihood of the counts given a light model's signal, all nuisances and model errors marginalised.

Poisson counts (`iceopt.fit.pairs`) with brightness, efficiency and clock offset (`iceopt.fit.nuisances`)
and the model's own errors of each pair, integrated out by Laplace's method: the log of the joint density at
its maximum less half the log det of its Hessian over the prior's. By the envelope theorem the gradient with
respect to the signal is the partial derivative at the maximum. The log det is taken with the Poisson weights
of the counts and the clock slopes of a reference signal, so it depends on the error sizes and not on the
ice: the errors carry the expectation to the counts wherever the counts are many, and where they are few the
prior rules (the part that is dropped moves a length by about a thousandth).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.nuisances import Factor, NuisancePrior, Nuisances, NuisanceSystem, decrement
from iceopt.fit.observations import Observations
from iceopt.fit.pairs import cumulative_counts, information_of_pairs, pull_back_pairs, solve_pairs

Array = NDArray[np.float64]

REFERENCE_RANGE_M = 100.0
"""Distance at which the pair error has its named size."""
ERROR_NAMES = ("ln_pair_error", "pair_error_growth", "ln_profile_error")
_TOLERANCE = 1e-7
_MOST_STEPS = 60
_LONGEST_LOG_STEP = 1.0
_STEP = 1e-4


@dataclass(frozen=True)
class ErrorModel:
    """What is fixed about the light model's errors."""

    profile_memory: float
    """Correlation length of the profile's error in ln(time)."""
    tail_begins: float | None
    """Sizes of the pair error beyond which its density falls exponentially; None is Gaussian."""


@dataclass(frozen=True)
class Evaluation:
    """Log likelihood at one signal and one set of error sizes, and what led to it."""

    value: float
    nuisances: Nuisances
    factor: Factor
    """Of the nuisances' conditional normal distribution."""
    charge_error: Array
    """Shape (pair,): best u."""
    shape_error: Array
    """Shape (pair, group): best z."""


class Likelihood:
    """Marginal likelihood of one set of observations.

    Parameters
    ----------
    observations : Observations
    prior : NuisancePrior
    errors : ErrorModel
    signal : ndarray, shape (pair, bin)
        Reference signal, near the best ice if known: the start of every search and the clock slopes.
    own_error : ndarray, shape (pair, bin)
        The light model's own relative error there: the least size of the profile's error.
    """

    def __init__(
        self,
        observations: Observations,
        prior: NuisancePrior,
        errors: ErrorModel,
        signal: Array,
        own_error: Array,
    ) -> None:
        self.observations = observations
        self.system = NuisanceSystem(observations.run, observations.module, prior)
        self._tail = 0.0 if errors.tail_begins is None else errors.tail_begins**-2.0
        self._log_range = np.log(observations.range_m / REFERENCE_RANGE_M)
        self._floor = _group_means(own_error, observations)
        times = np.log(np.maximum(observations.time_ns, 1.0))
        gap = np.diff(times, axis=1, append=times[:, -1:])
        self._correlation = np.exp(-np.abs(gap) / errors.profile_memory)
        self._reference, self._running = signal, cumulative_counts(signal)
        self._start: tuple[Nuisances, Array, Array] | None = None

    def begin_at(self, signal: Array, error_sizes: Array) -> None:
        """Start all later searches from the solution at a signal, so that each is short."""
        found = self.evaluate(signal, error_sizes)
        self._start = (found.nuisances, found.shape_error, found.charge_error)

    def evaluate(self, signal: Array, error_sizes: Array) -> Evaluation:
        """Log likelihood, up to a constant of the data.

        Parameters
        ----------
        signal : ndarray, shape (pair, bin)
            Counts of the light model at brightness and efficiency 1.
        error_sizes : ndarray, shape (3,)
            In the order of `ERROR_NAMES`: ln of the pair error's size at `REFERENCE_RANGE_M`, the power
            of distance with which it grows, ln of the profile error's size.
        """
        best, shape, charge, value = self._search(signal, cumulative_counts(signal), error_sizes)
        information, log_volume = self._volume(error_sizes)
        return Evaluation(value - 0.5 * log_volume, best, information, charge, shape)

    def evaluate_vjp(self, signal: Array, error_sizes: Array) -> tuple[Evaluation, Array, Array]:
        """Log likelihood and its derivatives.

        Returns
        -------
        evaluation : Evaluation
        by_signal : ndarray, shape (pair, bin)
        by_error_sizes : ndarray, shape (3,)
        """
        cumulative = cumulative_counts(signal)
        best, shape, charge, value = self._search(signal, cumulative, error_sizes)
        seen = self.observations
        size, pair_size = self._sizes(error_sizes)
        by_signal, by_size = pull_back_pairs(
            signal,
            cumulative,
            seen.first,
            seen.stop,
            seen.groups,
            seen.counts,
            seen.dark_per_bin,
            size,
            self.system.amplitude(best),
            self.system.offset_ns(best) / seen.bin_ns,
            shape,
            charge,
        )
        scaled = (charge / pair_size) ** 2
        by_pair_size = scaled / np.sqrt(1.0 + self._tail * scaled)
        by_errors = np.array(
            [
                by_pair_size.sum(),
                by_pair_size @ self._log_range,
                np.sum(by_size * np.exp(2.0 * error_sizes[2]) / size),
            ]
        )
        factor, log_volume = self._volume(error_sizes)
        by_errors -= 0.5 * self._volume_gradient(error_sizes)
        return Evaluation(value - 0.5 * log_volume, best, factor, charge, shape), by_signal, by_errors

    def _sizes(self, error_sizes: Array) -> tuple[Array, Array]:
        """Sizes of the profile's error (pair, group) and of the charge's error (pair,)."""
        pair_size = np.exp(error_sizes[0] + error_sizes[1] * self._log_range)
        return np.sqrt(np.exp(2.0 * error_sizes[2]) + self._floor**2), pair_size

    def _search(
        self, signal: Array, cumulative: Array, error_sizes: Array
    ) -> tuple[Nuisances, Array, Array, float]:
        """Maximise the joint density over nuisances and model errors by Newton's method."""
        seen, system = self.observations, self.system
        size, pair_size = self._sizes(error_sizes)
        if self._start is None:
            at, shape, charge = system.start(), np.zeros_like(size), np.zeros(size.shape[0])
        else:
            at, shape, charge = self._start[0], self._start[1].copy(), self._start[2].copy()
        best = -np.inf
        factor_of_step = 1.0
        step: Nuisances | None = None
        for _ in range(_MOST_STEPS):
            out = solve_pairs(
                signal,
                cumulative,
                seen.first,
                seen.stop,
                seen.groups,
                seen.counts,
                seen.dark_per_bin,
                size,
                self._correlation,
                system.amplitude(at),
                system.offset_ns(at) / seen.bin_ns,
                pair_size,
                self._tail,
                shape,
                charge,
            )
            value = float(out[:, 0].sum()) + system.log_prior(at)
            if step is not None and not value >= best - 1e-6 and factor_of_step > 1e-3:
                factor_of_step *= 0.5
                at = at.moved(step, -factor_of_step)
                continue
            best, factor_of_step = value, 1.0
            gradient = system.gradient(at, out[:, 1], out[:, 2] / seen.bin_ns)
            factor = system.factor(
                out[:, 3], out[:, 4] / seen.bin_ns, out[:, 5] / seen.bin_ns**2, out[:, 6] / seen.bin_ns**2
            )
            step = _shortened(factor.solve(gradient), seen.bin_ns)
            if decrement(gradient, step) < _TOLERANCE:
                break
            at = at.moved(step)
        return at, shape, charge, value

    def _volume(self, error_sizes: Array) -> tuple[Factor, float]:
        """Conditional information of the nuisances, and the log det of everything marginalised."""
        seen = self.observations
        size, pair_size = self._sizes(error_sizes)
        out = information_of_pairs(
            self._reference,
            self._running,
            seen.first,
            seen.stop,
            seen.groups,
            seen.counts,
            seen.dark_per_bin,
            size,
            self._correlation,
            pair_size,
            self._tail,
        )
        factor = self.system.factor(out[:, 1], out[:, 2] / seen.bin_ns, out[:, 3] / seen.bin_ns**2)
        return factor, float(out[:, 0].sum()) + factor.logdet

    def _volume_gradient(self, error_sizes: Array) -> Array:
        """Central differences: three smooth numbers that do not depend on the ice."""
        gradient = np.empty(error_sizes.size)
        for i in range(error_sizes.size):
            ahead, behind = error_sizes.copy(), error_sizes.copy()
            ahead[i] += _STEP
            behind[i] -= _STEP
            gradient[i] = (self._volume(ahead)[1] - self._volume(behind)[1]) / (2.0 * _STEP)
        return gradient


def _shortened(step: Nuisances, bin_ns: float) -> Nuisances:
    """Limit a step to a factor e in amplitude and half a bin in time: the light is linear no further."""
    longest = max(
        np.abs(step.log_brightness).max() / _LONGEST_LOG_STEP,
        np.abs(step.log_efficiency).max() / _LONGEST_LOG_STEP,
        np.abs(step.offset_ns).max() / (0.5 * bin_ns),
        1.0,
    )
    return Nuisances(
        step.log_brightness / longest, step.log_efficiency / longest, step.offset_ns / longest
    )


def _group_means(values: Array, seen: Observations) -> Array:
    """Mean over the bins of each group, shape (pair, group); 0 in padding."""
    running = cumulative_counts(values)
    total = np.take_along_axis(running, seen.stop, 1) - np.take_along_axis(running, seen.first, 1)
    return total / np.maximum(seen.stop - seen.first, 1)
