"""Log likelihood of the counts given a light model's signal, all nuisances and model errors marginalised.

Poisson counts (`iceopt.fit.pairs`) with brightness, efficiency and clock offset (`iceopt.fit.nuisances`)
and the model's own errors of each pair, integrated out by Laplace's method: the log of the joint density at
its maximum less half the log det of its Hessian over the prior's. By the envelope theorem the gradient with
respect to the signal is the partial derivative at the maximum.

Two things are taken from a reference signal, which is renewed until it no longer matters: the clock offsets
around which ln(counts) is linear in the offset, and its slopes there. The log det is taken with the Poisson
weights of the counts, so it depends on the error sizes and not on the ice: the errors carry the expectation
to the counts wherever the counts are many, and where they are few the prior rules.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.nuisances import Factor, NuisancePrior, Nuisances, NuisanceSystem, decrement
from iceopt.fit.observations import Observations
from iceopt.fit.pairs import group_signals, information_of_pairs, pull_back_groups, solve_pairs
from iceopt.light.model import Scene, windows

Array = NDArray[np.float64]

REFERENCE_RANGE_M = 100.0
"""Distance at which the pair error has its named size."""
ALIKE_WITHIN_M = 5.0
"""Pairs whose depths and distances agree to this get the same light from a model, errors included."""
ERROR_NAMES = ("ln_pair_error", "pair_error_growth", "ln_profile_error")
_TOLERANCE = 1e-5
_MOST_STEPS = 60
_LONGEST_LOG_STEP = 1.0
_STEP = 1e-4
_OFFSET_ROUNDS = 3


@dataclass(frozen=True)
class ErrorModel:
    """What is fixed about the light model's errors."""

    profile_memory: float
    """Correlation length of the profile's error in ln(time)."""
    tail_begins: float | None
    """Sizes of the pair error beyond which its density falls exponentially; None is Gaussian."""
    least_pair_error: float = 0.0
    """Added in squares to the fitted pair error: no light model is held to be better."""


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
        Reference signal, near the best ice if known.
    own_error : ndarray, shape (pair, bin)
        The light model's own relative error there: the least size of the profile's error.
    error_sizes : ndarray, shape (3,), optional
        Error sizes at the reference. With them the clock offsets are linearised around their best values
        at the reference and searches start there; without, around zero and from the prior.
    sharing : ndarray, shape (pair,), optional
        Number of pairs that share the light model's errors of each, itself counted: their variances are
        taken that much larger. By default those of these observations that lie alike (`alike`).
    """

    def __init__(
        self,
        observations: Observations,
        prior: NuisancePrior,
        errors: ErrorModel,
        signal: Array,
        own_error: Array,
        error_sizes: Array | None = None,
        sharing: Array | None = None,
    ) -> None:
        self.observations = observations
        self.system = NuisanceSystem(observations.run, observations.module, prior)
        self._tail = 0.0 if errors.tail_begins is None else errors.tail_begins**-2.0
        self._least_pair = errors.least_pair_error
        self._log_range = np.log(observations.range_m / REFERENCE_RANGE_M)
        self._floor = _group_means(own_error, observations)
        self._alike = np.sqrt(alike(observations.scene) if sharing is None else sharing)
        times = np.log(np.maximum(observations.time_ns, 1.0))
        gap = np.diff(times, axis=1, append=times[:, -1:])
        self.correlation = np.exp(-np.abs(gap) / errors.profile_memory)
        counts, dark = observations.counts, observations.dark
        self.weight = np.maximum(counts - dark, 0.0) ** 2 / np.maximum(counts, 1.0)
        """Poisson weights of the counts, shape (pair, group)."""
        self._start = (self.system.start(), np.zeros_like(counts), np.zeros(len(counts)))
        self._linearise(signal, np.zeros(self.system.modules))
        for _ in range(_OFFSET_ROUNDS):
            if error_sizes is None:
                break
            found = self.evaluate(signal, error_sizes)
            self._start = (found.nuisances, found.shape_error, found.charge_error)
            self._linearise(signal, found.nuisances.offset_ns)

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
        best, shape, charge, value = self._search(self.light(signal), error_sizes)
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
        light = self.light(signal)
        best, shape, charge, value = self._search(light, error_sizes)
        seen = self.observations
        size, pair_size = self.sizes(error_sizes)
        factor = np.exp(
            (self.system.amplitude(best) + charge)[:, None]
            + self.rate_per_ns * self._beyond(best)[:, None]
            + size * shape
        )
        expected = light * factor + seen.dark
        residual = np.divide(seen.counts, expected, out=np.zeros_like(light), where=expected > 0) - 1.0
        by_signal = pull_back_groups(
            signal, seen.first, seen.stop, seen.groups, self._offset_bins, residual * factor
        )
        by_size = residual * factor * light * shape
        scaled = (charge / pair_size) ** 2
        fitted = np.exp(error_sizes[0] + error_sizes[1] * self._log_range)
        share = fitted**2 / (fitted**2 + self._least_pair**2)
        by_pair_size = share * scaled / np.sqrt(1.0 + self._tail * scaled)
        by_errors = np.array(
            [
                by_pair_size.sum(),
                by_pair_size @ self._log_range,
                np.sum(by_size * np.exp(2.0 * error_sizes[2]) * self._alike[:, None] ** 2 / size),
            ]
        )
        information, log_volume = self._volume(error_sizes)
        by_errors -= 0.5 * self._volume_gradient(error_sizes)
        return Evaluation(value - 0.5 * log_volume, best, information, charge, shape), by_signal, by_errors

    def light(self, signal: Array) -> Array:
        """Light of the groups at the reference's clock offsets, shape (pair, group)."""
        seen = self.observations
        return group_signals(signal, seen.first, seen.stop, seen.groups, self._offset_bins)[0]

    def sizes(self, error_sizes: Array) -> tuple[Array, Array]:
        """Sizes of the profile's error, shape (pair, group), and of the charge's error, shape (pair,)."""
        fitted = np.exp(error_sizes[0] + error_sizes[1] * self._log_range)
        profile = np.sqrt(np.exp(2.0 * error_sizes[2]) + self._floor**2)
        return profile * self._alike[:, None], np.sqrt(fitted**2 + self._least_pair**2) * self._alike

    def charge_error(self, signal: Array, error_sizes: Array) -> Array:
        """Relative standard deviation of each pair's charge by all errors of the model, shape (pair,)."""
        light = self.light(signal)
        size, pair_size = self.sizes(error_sizes)
        steps = np.log(np.maximum(self.correlation, 1e-300))
        place = np.cumsum(np.pad(steps[:, :-1], ((0, 0), (1, 0))), axis=1)
        together = np.exp(-np.abs(place[:, :, None] - place[:, None, :]))
        part = light * size / np.maximum(light.sum(axis=1, keepdims=True), 1e-300)
        return np.sqrt(pair_size**2 + np.einsum("pg,pgh,ph->p", part, together, part))

    def charge_precision(self, error_sizes: Array, charge_error: Array) -> Array:
        """Second derivative of minus the log density of the pairs' charge errors, shape (pair,)."""
        variance = self.sizes(error_sizes)[1] ** 2
        return 1.0 / (variance * (1.0 + self._tail * charge_error**2 / variance) ** 1.5)

    def charge_weight(self, error_sizes: Array, charge_error: Array) -> Array:
        """Slope of minus the log density of the pairs' charge errors over the error itself, shape (pair,).

        A parabola of this curvature lies below the log density everywhere, so steps made with it climb.
        """
        variance = self.sizes(error_sizes)[1] ** 2
        return 1.0 / (variance * np.sqrt(1.0 + self._tail * charge_error**2 / variance))

    def _linearise(self, signal: Array, offset_ns: Array) -> None:
        """Freeze clock offsets and the slopes of ln(light) there."""
        seen = self.observations
        self._offset_ns = offset_ns
        self._offset_bins = offset_ns[seen.module] / seen.bin_ns
        _, rate = group_signals(signal, seen.first, seen.stop, seen.groups, self._offset_bins)
        self.rate_per_ns = rate / seen.bin_ns

    def _beyond(self, at: Nuisances) -> Array:
        """Clock offset of each pair beyond the reference's (ns)."""
        return (at.offset_ns - self._offset_ns)[self.observations.module]

    def _search(self, light: Array, error_sizes: Array) -> tuple[Nuisances, Array, Array, float]:
        """Maximise the joint density over nuisances and model errors by Newton's method."""
        seen, system = self.observations, self.system
        size, pair_size = self.sizes(error_sizes)
        at, shape, charge = self._start[0], self._start[1].copy(), self._start[2].copy()
        best, factor_of_step = -np.inf, 1.0
        step: Nuisances | None = None
        for _ in range(_MOST_STEPS):
            out = solve_pairs(
                light,
                self.rate_per_ns,
                seen.groups,
                seen.counts,
                seen.dark,
                size,
                self.correlation,
                system.amplitude(at),
                self._beyond(at),
                pair_size,
                self._tail,
                shape,
                charge,
            )
            value = float(out[:, 0].sum()) + system.log_prior(at)
            if step is not None and value < best - 1e-6 and factor_of_step > 1e-3:
                factor_of_step *= 0.5
                at = at.moved(step, -factor_of_step)
                continue
            best, factor_of_step = value, 1.0
            gradient = system.gradient(at, out[:, 1], out[:, 2])
            step = _shortened(system.factor(out[:, 3], out[:, 4], out[:, 5]).solve(gradient), seen.bin_ns)
            if decrement(gradient, step) < _TOLERANCE:
                break
            at = at.moved(step)
        return at, shape, charge, value

    def _volume(self, error_sizes: Array) -> tuple[Factor, float]:
        """Conditional information of the nuisances, and the log det of everything marginalised."""
        size, pair_size = self.sizes(error_sizes)
        out = information_of_pairs(
            self.rate_per_ns, self.observations.groups, self.weight, size, self.correlation, pair_size
        )
        factor = self.system.factor(out[:, 1], out[:, 2], out[:, 3])
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
    return Nuisances(step.log_brightness / longest, step.log_efficiency / longest, step.offset_ns / longest)


def alike(scene: Scene) -> Array:
    """Number of pairs in each pair's cell of depths and distance, itself counted, shape (pair,).

    A light model errs in all of them together. With its variances in each taken that much larger they say
    together what one would say alone.
    """
    places = np.stack([scene.emitter_depth_m, scene.receiver_depth_m, scene.distance_m], axis=1)
    cells = np.round(places / ALIKE_WITHIN_M).astype(np.int64)
    _, cell, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    return count[cell.ravel()].astype(np.float64)


def _group_means(values: Array, seen: Observations) -> Array:
    """Mean over the bins of each group, shape (pair, group); 0 in padding."""
    return windows(values, seen.first, seen.stop) / np.maximum(seen.stop - seen.first, 1)
