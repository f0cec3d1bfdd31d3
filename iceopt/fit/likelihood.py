"""Log likelihood of one campaign's counts, pair by pair, given the nuisances and a light model's signal.

Poisson counts with brightness, efficiency, clock offset and dark rate, and the model's own errors of each
pair at their best (`iceopt.fit.pairs`). What ties the pairs together, and the pairs of several campaigns, is
`iceopt.fit.marginal`'s.

Where counts scatter more than Poisson's law says, the log density of the counts of a pair is divided by its
dispersion (a quasi-likelihood: Wedderburn, Biometrika 61, 439 (1974)), which is that of counts and
expectation both divided by it.

Some things are taken from a reference, which is renewed until it no longer matters: the clock offsets around
which ln(counts) is linear in the offset, its slopes there, and the Poisson weights of the counts.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray

from iceopt.fit.groups import group_signals, pull_back_groups
from iceopt.fit.observations import Observations
from iceopt.fit.pairs import information_of_pairs, solve_pairs
from iceopt.light.model import windows

Array = NDArray[np.float64]

REFERENCE_RANGE_M = 100.0
"""Distance at which the pair error has its named size."""
ALIKE_WITHIN_M = 5.0
"""Pairs whose depths and distances agree to this get the same light from a model, errors included."""
_LARGEST_LOG = 500.0
"""Far from the best ice the errors of groups without light grow without end."""
ERROR_NAMES = ("ln_pair_error", "pair_error_growth", "ln_profile_error")


@dataclass(frozen=True)
class ErrorModel:
    """What is fixed about the light model's errors."""

    profile_memory: float
    """Correlation length of the profile's error in ln(time)."""
    tail_begins: float | None
    """Sizes of the pair error beyond which its density falls exponentially; None is Gaussian."""
    least_pair_error: float = 0.0
    """Added in squares to the fitted pair error: no light model is held to be better."""
    own_line_error: float = 0.0
    """Added in squares to both errors where emitter and receiver hang on one line."""


@dataclass
class PairErrors:
    """The light model's errors of each pair; a search moves them in place."""

    charge: Array
    """Shape (pair,): u."""
    shape: Array
    """Shape (pair, group): z."""

    def copy(self) -> "PairErrors":
        """Return the same errors in other arrays."""
        return PairErrors(self.charge.copy(), self.shape.copy())


class Likelihood:
    """Likelihood of one set of observations, given the nuisances.

    Parameters
    ----------
    observations : Observations
    errors : ErrorModel
    signal : ndarray, shape (pair, bin)
        Reference signal, near the best ice if known; the reference clock offsets are zero, until
        `linearise` says otherwise.
    own_error : ndarray, shape (pair, bin)
        The light model's own relative error there: the least size of the profile's error.
    sharing : ndarray, shape (pair,), optional
        How much larger the variances of the light model's errors are taken in each, as it shares them with
        others. By default the number of pairs of these observations that lie alike (`alike`).
    dispersion : ndarray, shape (pair,), optional
        Variance of the counts over Poisson's (`iceopt.fit.dispersion`); 1 by default.
    """

    def __init__(
        self,
        observations: Observations,
        errors: ErrorModel,
        signal: Array,
        own_error: Array,
        sharing: Array | None = None,
        dispersion: Array | None = None,
    ) -> None:
        self.observations = observations
        self.dispersion = np.ones(len(observations.pair)) if dispersion is None else dispersion
        self._part = 1.0 / self.dispersion[:, None]
        self._counts, self._dark = observations.counts * self._part, observations.dark * self._part
        self._tail = 0.0 if errors.tail_begins is None else errors.tail_begins**-2.0
        self._breadth = tail_breadth(self._tail)
        own_line = np.where(observations.scene.along_line, errors.own_line_error, 0.0)
        own = _group_means(own_error, observations)
        # Across lines and ahead of LEDs charges are far better known than profiles; behind LEDs they are not.
        behind = np.where(observations.scene.behind, _weighted_means(own, observations.counts), 0.0)
        self._least_pair = np.hypot(np.hypot(errors.least_pair_error, own_line), behind)
        self._log_range = np.log(observations.range_m / REFERENCE_RANGE_M)
        self._floor = np.hypot(own, own_line[:, None])
        self._alike = np.sqrt(alike([observations])[0] if sharing is None else sharing)
        times = np.log(np.maximum(observations.time_ns, 1.0))
        gap = np.diff(times, axis=1, append=times[:, -1:])
        self.correlation = np.exp(-np.abs(gap) / errors.profile_memory)
        self.linearise(signal, np.zeros((len(observations.pair), 3)))

    def linearise(self, signal: Array, own: Array) -> None:
        """Set the reference: a signal, and each pair's amplitude, clock offset and dark rate there.

        `weight`, shape (pair, group), are then the weights of the counts, Poisson's over the dispersion;
        `slopes`, shape (pair, group, 3), the derivatives of the log of the light to amplitude, offset (1/ns)
        and ln dark rate: dark counts that become more are as light that does. `of_dark`, shape (pair,), is
        what groups without light tell of the latter by themselves.
        """
        seen = self.observations
        self._offset_ns = own[:, 1].copy()
        self._offset_bins = self._offset_ns / seen.bin_ns
        rate = group_signals(signal, seen.first, seen.stop, seen.groups, self._offset_bins)[1] / seen.bin_ns
        dark = seen.dark * np.exp(own[:, 2:])
        light = np.maximum(seen.counts - dark, 0.0)
        self.weight = light**2 / np.maximum(seen.counts, 1.0) * self._part
        noise = np.divide(dark, light, out=np.zeros_like(dark), where=light > 0.0)
        self.rate_per_ns = rate
        self.slopes = np.stack([np.ones_like(rate), rate, noise], axis=2)
        # Where there is no light the counts tell of the dark rate alone.
        self.of_dark = np.sum(np.where(light > 0.0, 0.0, dark * self._part), axis=1)

    def start(self) -> PairErrors:
        """Return no errors."""
        counts = self.observations.counts
        return PairErrors(np.zeros(len(counts)), np.zeros_like(counts))

    def solve(
        self, light: Array, error_sizes: Array, own: Array, at: PairErrors
    ) -> tuple[float, Array, Array]:
        """Log density at the best errors of the pairs, which are found from `at` in place.

        Parameters
        ----------
        light : ndarray, shape (pair, group)
            As of `light`.
        error_sizes : ndarray, shape (3,)
            In the order of `ERROR_NAMES`: ln of the pair error's size at `REFERENCE_RANGE_M`, the power
            of distance with which it grows, ln of the profile error's size.
        own : ndarray, shape (pair, 3)
            Amplitude, clock offset (ns) and ln dark rate of each pair.
        at : PairErrors

        Returns
        -------
        value : float
        by_own : ndarray, shape (pair, 3)
        information : ndarray, shape (pair, 3, 3)
        """
        seen = self.observations
        size, pair_size = self.sizes(error_sizes)
        value, by_own, information = solve_pairs(
            light,
            self.rate_per_ns,
            seen.groups,
            self._counts,
            self._dark,
            size,
            self.correlation,
            self._beyond(own),
            pair_size,
            self._tail,
            at.shape,
            at.charge,
        )
        return float(value.sum()), by_own, information

    def information(self, error_sizes: Array) -> tuple[float, Array]:
        """Log det of the errors' Hessian over their prior's, and the information in `own`, (pair, 3, 3).

        With the weights of the reference: neither depends on the ice.
        """
        seen = self.observations
        size, pair_size = self.sizes(error_sizes)
        logdet, information = information_of_pairs(
            self.slopes, seen.groups, self.weight, size, self.correlation, pair_size, self._breadth
        )
        information[:, 2, 2] += self.of_dark
        return float(logdet.sum()), information

    def pull_back(self, signal: Array, error_sizes: Array, own: Array, at: PairErrors) -> tuple[Array, Array]:
        """Partial derivatives of the log density of `solve`: to the signal and to the error sizes."""
        seen, light = self.observations, self.light(signal)
        size, pair_size = self.sizes(error_sizes)
        beyond = self._beyond(own)
        logs = (beyond[:, 0] + at.charge)[:, None] + self.rate_per_ns * beyond[:, 1:2] + size * at.shape
        factor = np.exp(np.minimum(logs, _LARGEST_LOG))
        expected = light * factor + self._dark * np.exp(beyond[:, 2:])
        residual = np.divide(self._counts, expected, out=np.zeros_like(light), where=expected > 0) - 1.0
        by_signal = pull_back_groups(
            signal, seen.first, seen.stop, seen.groups, self._offset_bins, residual * factor * self._part
        )
        by_size = residual * factor * light * at.shape
        scaled = (at.charge / pair_size) ** 2
        fitted = np.exp(error_sizes[0] + error_sizes[1] * self._log_range)
        share = fitted**2 / (fitted**2 + self._least_pair**2)
        by_pair_size = share * scaled / np.sqrt(1.0 + self._tail * scaled)
        by_errors = [
            by_pair_size.sum(),
            by_pair_size @ self._log_range,
            np.sum(by_size * np.exp(2.0 * error_sizes[2]) * self._alike[:, None] ** 2 / size),
        ]
        return by_signal, np.array(by_errors)

    def light(self, signal: Array) -> Array:
        """Light of the groups at the reference's clock offsets, over the dispersion: shape (pair, group)."""
        seen = self.observations
        return group_signals(signal, seen.first, seen.stop, seen.groups, self._offset_bins)[0] * self._part

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
        of_charge = tail_variance(self._tail) * pair_size**2
        return np.sqrt(of_charge + np.einsum("pg,pgh,ph->p", part, together, part))

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

    def _beyond(self, own: Array) -> Array:
        """Amplitude, clock offset beyond the reference's, and ln dark rate of each pair."""
        return np.stack([own[:, 0], own[:, 1] - self._offset_ns, own[:, 2]], axis=1)


def tail_variance(tail: float) -> float:
    """Variance of a charge error over its size squared: K2(d^2) / K1(d^2) of the hyperbolic density.

    K are modified Bessel functions of the second kind (Barndorff-Nielsen, Proc. R. Soc. A 353, 401 (1977));
    `tail` is 1/d^2, 0 for a normal density.
    """
    return float(scipy.special.kve(2, 1.0 / tail) / scipy.special.kve(1, 1.0 / tail)) if tail > 0 else 1.0


def tail_breadth(tail: float) -> float:
    """Peak of a normal density over that of the hyperbolic one of the same size, sqrt(2/pi) d K1(d^2) e^d^2.

    The normalisation of the density is Barndorff-Nielsen's, as for `tail_variance`.
    """
    if tail <= 0:
        return 1.0
    return float(np.sqrt(2.0 / (np.pi * tail)) * scipy.special.kve(1, 1.0 / tail))


def alike(campaigns: Sequence[Observations]) -> list[Array]:
    """How much larger the variances of a light model's errors are taken in each pair: (pair,) a campaign.

    A light model errs in all pairs of a cell of depths and distance together. Of one campaign that is the
    number of pairs in the cell: with variances that much larger they say together what one would say alone.
    Campaigns may be of very unlike brightness, and a dim one must not take from a bright one: between them
    the cell's error is split by their counts, with which the sum of their information is that of all counts
    in one pair, 1/(e^2 + 1/sum N) = sum 1/(e^2 sum N / N_i + 1/N_i).
    """
    scenes = [seen.scene for seen in campaigns]
    places = [np.stack([s.emitter_depth_m, s.receiver_depth_m, s.distance_m], axis=1) for s in scenes]
    cells = np.round(np.concatenate(places) / ALIKE_WITHIN_M).astype(np.int64)
    cell = np.unique(cells, axis=0, return_inverse=True)[1].ravel()
    owner = np.repeat(np.arange(len(places)), [len(p) for p in places])
    many, counts = np.zeros((2, cell.max() + 1, len(places)))
    np.add.at(many, (cell, owner), 1.0)
    np.add.at(
        counts, (cell, owner), np.concatenate([np.sum(seen.counts, axis=1) for seen in campaigns]) + 1.0
    )
    shared = (many * counts.sum(axis=1, keepdims=True) / np.maximum(counts, 1.0))[cell, owner]
    return np.split(shared, np.cumsum([len(p) for p in places])[:-1])


def _group_means(values: Array, seen: Observations) -> Array:
    """Mean over the bins of each group, shape (pair, group); 0 in padding."""
    return windows(values, seen.first, seen.stop) / np.maximum(seen.stop - seen.first, 1)


def _weighted_means(values: Array, weights: Array) -> Array:
    """Mean of each row, shape (row, column), by weights that are not negative; 0 where all are 0."""
    total = weights.sum(axis=1)
    return np.asarray((values * weights).sum(axis=1) / np.where(total > 0.0, total, 1.0))
