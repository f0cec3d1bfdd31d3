"""Brightnesses, efficiencies and clock offsets: the normal equations that tie the pairs together.

The unknowns are ln brightness of each run, ln efficiency and clock offset of each module. A pair ties one
run to one module, so a module's 2 x 2 block couples to the runs only: the modules are eliminated exactly
and a dense matrix over the runs is left.
"""

from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class NuisancePrior:
    """Independent normal priors, but for one scale that all runs share."""

    brightness_sd: float
    """Of ln brightness."""
    scale_sd: float
    """Of the log of the absolute scale, common to all runs."""
    log_efficiency: Array
    """Shape (module,): mean of ln efficiency."""
    efficiency_sd: float
    """Of ln efficiency."""
    offset_sd_ns: float


@dataclass(frozen=True)
class Nuisances:
    """One value of all nuisances."""

    log_brightness: Array
    """Shape (run,)."""
    log_efficiency: Array
    """Shape (module,)."""
    offset_ns: Array
    """Shape (module,)."""

    def moved(self, step: "Nuisances", factor: float = 1.0) -> "Nuisances":
        """Return these values plus a factor times a step."""
        return Nuisances(
            self.log_brightness + factor * step.log_brightness,
            self.log_efficiency + factor * step.log_efficiency,
            self.offset_ns + factor * step.offset_ns,
        )


class NuisanceSystem:
    """Pairs, runs and modules, with the prior; `factor` solves its normal equations.

    Parameters
    ----------
    run, module : ndarray of int, shape (pair,)
        No two pairs have the same run and the same module.
    prior : NuisancePrior
    """

    def __init__(self, run: Index, module: Index, prior: NuisancePrior) -> None:
        self.run, self.module, self.prior = run, module, prior
        self.runs = int(run.max()) + 1
        self.modules = prior.log_efficiency.size
        covariance = prior.brightness_sd**2 * np.eye(self.runs) + prior.scale_sd**2
        self._brightness_precision = np.linalg.inv(covariance)
        self._logdet_prior = -(
            np.linalg.slogdet(covariance)[1]
            + 2.0 * self.modules * np.log(prior.efficiency_sd * prior.offset_sd_ns)
        )

    def start(self) -> Nuisances:
        """Return the prior's mean."""
        zero = np.zeros(self.modules)
        return Nuisances(np.zeros(self.runs), self.prior.log_efficiency.copy(), zero)

    def amplitude(self, at: Nuisances) -> Array:
        """ln(brightness x efficiency) of each pair."""
        return at.log_brightness[self.run] + at.log_efficiency[self.module]

    def offset_ns(self, at: Nuisances) -> Array:
        """Clock offset of each pair's receiver."""
        return at.offset_ns[self.module]

    def log_prior(self, at: Nuisances) -> float:
        """Exponent of the prior: 0 at its mean."""
        departure = (at.log_efficiency - self.prior.log_efficiency) / self.prior.efficiency_sd
        offset = at.offset_ns / self.prior.offset_sd_ns
        brightness = at.log_brightness @ self._brightness_precision @ at.log_brightness
        return float(-0.5 * (brightness + departure @ departure + offset @ offset))

    def gradient(self, at: Nuisances, by_amplitude: Array, by_offset: Array) -> Nuisances:
        """Gradient of log density plus prior, from the pairs' derivatives (offset in 1/ns)."""
        prior = self.prior
        return Nuisances(
            np.bincount(self.run, by_amplitude, self.runs) - self._brightness_precision @ at.log_brightness,
            np.bincount(self.module, by_amplitude, self.modules)
            - (at.log_efficiency - prior.log_efficiency) / prior.efficiency_sd**2,
            np.bincount(self.module, by_offset, self.modules) - at.offset_ns / prior.offset_sd_ns**2,
        )

    def columns(self, by_amplitude: Array, by_offset: Array) -> "Columns":
        """Sum columns given by pair, shape (pair, column), over runs and modules."""
        count = by_amplitude.shape[1]
        runs, modules = np.zeros((self.runs, count)), np.zeros((self.modules, 2, count))
        np.add.at(runs, self.run, by_amplitude)
        np.add.at(modules[:, 0], self.module, by_amplitude)
        np.add.at(modules[:, 1], self.module, by_offset)
        return Columns(runs, modules)

    def factor(self, aa: Array, at: Array, tt: Array) -> "Factor":
        """Factor the information: per pair amplitude-amplitude, amplitude-offset, offset-offset (ns)."""
        block = np.empty((self.modules, 2, 2))
        block[:, 0, 0] = np.bincount(self.module, aa, self.modules) + self.prior.efficiency_sd**-2
        block[:, 0, 1] = block[:, 1, 0] = np.bincount(self.module, at, self.modules)
        block[:, 1, 1] = np.bincount(self.module, tt, self.modules) + self.prior.offset_sd_ns**-2
        border = np.zeros((self.runs, self.modules, 2))
        border[self.run, self.module, 0] = aa
        border[self.run, self.module, 1] = at
        over_runs = self._brightness_precision.copy()
        np.fill_diagonal(over_runs, over_runs.diagonal() + np.bincount(self.run, aa, self.runs))
        return Factor(block, border, np.asarray(over_runs, dtype=np.float64), self._logdet_prior)


@dataclass(frozen=True)
class Columns:
    """Several right-hand sides of the normal equations."""

    runs: Array
    """Shape (run, column)."""
    modules: Array
    """Shape (module, 2, column)."""


class Factor:
    """Factored normal equations of the nuisances.

    Parameters
    ----------
    block : ndarray, shape (module, 2, 2)
    border : ndarray, shape (run, module, 2)
    over_runs : ndarray, shape (run, run)
    logdet_prior : float
        Log det of the prior's precision.
    """

    def __init__(self, block: Array, border: Array, over_runs: Array, logdet_prior: float) -> None:
        self._inverse = np.linalg.inv(block)
        self._border = border
        reduced = np.einsum("rmi,mij->rmj", border, self._inverse)
        runs = border.shape[0]
        schur = over_runs - reduced.reshape(runs, -1) @ border.reshape(runs, -1).T
        self._reduced = reduced
        self._chol = scipy.linalg.cholesky(schur, lower=True)
        self.logdet = float(
            2.0 * np.log(np.diag(self._chol)).sum() + np.linalg.slogdet(block)[1].sum() - logdet_prior
        )
        """Log det of the posterior's precision over the prior's."""

    def solve(self, gradient: Nuisances) -> Nuisances:
        """Newton step for a gradient."""
        side = np.stack([gradient.log_efficiency, gradient.offset_ns], axis=1)
        runs = self._border.shape[0]
        rest = gradient.log_brightness - self._reduced.reshape(runs, -1) @ side.ravel()
        brightness = scipy.linalg.cho_solve((self._chol, True), rest)
        return self._modules_given(brightness, side)

    def product(self, columns: "Columns", others: "Columns") -> Array:
        """Form of the inverse with two sets of columns: X^T N^-1 Y, shape (column, other column)."""
        modules = self._border.shape[1]
        weighted = np.einsum("mij,mjk->mik", self._inverse, others.modules).reshape(2 * modules, -1)
        flat = columns.modules.reshape(2 * modules, -1)
        return self._half(columns).T @ self._half(others) + flat.T @ weighted

    def _half(self, columns: "Columns") -> Array:
        runs, modules, _ = self._border.shape
        rest = columns.runs - self._reduced.reshape(runs, -1) @ columns.modules.reshape(2 * modules, -1)
        return np.asarray(scipy.linalg.solve_triangular(self._chol, rest, lower=True), dtype=np.float64)

    def draw(self, rng: np.random.Generator) -> Nuisances:
        """Draw from the normal distribution of this precision around zero."""
        runs, modules, _ = self._border.shape
        brightness = scipy.linalg.solve_triangular(
            self._chol, rng.standard_normal(runs), lower=True, trans="T"
        )
        mean = self._modules_given(brightness, np.zeros((modules, 2)))
        root = np.linalg.cholesky(self._inverse)
        noise = np.einsum("mij,mj->mi", root, rng.standard_normal((modules, 2)))
        return mean.moved(Nuisances(np.zeros(runs), noise[:, 0], noise[:, 1]))

    def _modules_given(self, brightness: Array, side: Array) -> Nuisances:
        rest = side - np.einsum("rmi,r->mi", self._border, brightness)
        step = np.einsum("mij,mj->mi", self._inverse, rest)
        return Nuisances(brightness, step[:, 0], step[:, 1])


def decrement(gradient: Nuisances, step: Nuisances) -> float:
    """Twice the rise of the log density that a full Newton step promises."""
    return float(
        gradient.log_brightness @ step.log_brightness
        + gradient.log_efficiency @ step.log_efficiency
        + gradient.offset_ns @ step.offset_ns
    )
