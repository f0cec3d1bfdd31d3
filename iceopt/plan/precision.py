"""Precision of the layers from a set of flashes, all nuisances of the fit marginalised.

Modules couple to the layers and to the runs that they see, never to each other, so they are eliminated one
by one; what is left is a matrix over layers and runs, which one more flash changes only through the modules
that see it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.nuisances import NuisancePrior
from iceopt.plan.blocks import Block

Array = NDArray[np.float64]
Index = NDArray[np.int64]


class Precision:
    """Joint information of layers and nuisances under a set of flashes.

    Parameters
    ----------
    prior : ndarray, shape (parameter, parameter)
        Prior precision of the layers.
    nuisances : NuisancePrior
        Of all modules of the site.
    chosen : sequence of Block
        The flashes.
    """

    def __init__(self, prior: Array, nuisances: NuisancePrior, chosen: Sequence[Block] = ()) -> None:
        size, modules, runs = prior.shape[0], nuisances.log_efficiency.size, len(chosen)
        self._prior, self._nuisances = prior, nuisances
        self.size, self.runs = size, runs
        own = np.zeros((modules, 3, 3))
        own[:, 0, 0] = nuisances.efficiency_sd**-2
        own[:, 1, 1] = nuisances.offset_sd_ns**-2
        own[:, 2, 2] = nuisances.dark_worth
        cross = np.zeros((modules, 3, size + runs))
        top = np.zeros((size + runs, size + runs))
        top[:size, :size] = prior
        for i, block in enumerate(chosen):
            _add(own, cross, top, block, block.modules, size + i)
        self._own, self._cross, self._top = own, cross, top
        self._reduced = top - _through(own, cross)

    def covariance(self) -> Array:
        """Covariance of layers and runs, shape (parameter + run, parameter + run)."""
        return _inverse(self._with_brightness(self._reduced, self.runs))

    def layer_covariance_with(self, block: Block) -> Array:
        """Covariance of the layers with one more flash, shape (parameter, parameter)."""
        seen, q = block.modules, self.size + self.runs
        own, cross = self._own[seen].copy(), np.zeros((seen.size, 3, q + 1))
        cross[:, :, :q] = self._cross[seen]
        before = _through(own, cross)
        matrix = np.zeros((q + 1, q + 1))
        matrix[:q, :q] = self._reduced
        _add(own, cross, matrix, block, np.arange(seen.size), q)
        matrix += before - _through(own, cross)
        return _inverse(self._with_brightness(matrix, self.runs + 1))[: self.size, : self.size]

    def layers_alone(self) -> Array:
        """Information of the flashes on the layers, their prior left out: (parameter, parameter)."""
        matrix = self._with_brightness(self._reduced, self.runs)
        size = self.size
        over_runs = matrix[size:, size:]
        if self.runs == 0:
            return np.zeros((size, size))
        half = np.linalg.solve(np.linalg.cholesky(over_runs), matrix[size:, :size])
        return np.asarray(matrix[:size, :size] - self._prior - half.T @ half)

    def module_sds(self) -> tuple[Array, Array]:
        """Standard deviations of ln(relative efficiency), whose mean is 0, and of the clock offset (ns).

        Each of shape (module,).
        """
        inverse = np.linalg.inv(self._own)
        gain = inverse @ self._cross
        root = scipy.linalg.cholesky(self.covariance(), lower=True)
        along = gain @ root
        count = self._own.shape[0]
        centred = along[:, 0] - along[:, 0].mean(axis=0)
        alone = inverse[:, 0, 0]
        efficiency = alone * (1.0 - 2.0 / count) + alone.sum() / count**2 + np.sum(centred**2, axis=1)
        return np.sqrt(efficiency), np.sqrt(inverse[:, 1, 1] + np.sum(along[:, 1] ** 2, axis=1))

    def _with_brightness(self, matrix: Array, runs: int) -> Array:
        """Add the prior of the runs' brightnesses, whose common scale is marginalised."""
        own, shared = self._nuisances.brightness_sd**-2.0, self._nuisances.scale_sd**2
        full = matrix.copy()
        block = full[self.size :, self.size :]
        block -= own**2 * shared / (1.0 + runs * own * shared)  # Sherman-Morrison
        block[np.arange(runs), np.arange(runs)] += own
        return full


def _add(own: Array, cross: Array, top: Array, block: Block, rows: Index, column: int) -> None:
    """Add a run's information, its modules in these rows and its brightness in this column."""
    size = block.layers.shape[0]
    own[rows] += block.nuisance
    own[rows, 2, 2] += block.dark
    for k, with_layers in enumerate((block.amplitude, block.offset, block.noise)):
        cross[rows, k, :size] += with_layers
        cross[rows, k, column] += block.nuisance[:, 0, k]
    top[:size, :size] += block.layers
    along = block.amplitude.sum(axis=0)
    top[:size, column] += along
    top[column, :size] += along
    top[column, column] += block.nuisance[:, 0, 0].sum()


def _through(own: Array, cross: Array) -> Array:
    """What the modules take away: sum over modules of cross^T own^-1 cross."""
    root = np.linalg.cholesky(own)[:, :, :, None]
    half = np.empty_like(cross)
    for k in range(own.shape[1]):
        half[:, k] = cross[:, k]
        for j in range(k):
            half[:, k] -= root[:, k, j] * half[:, j]
        half[:, k] /= root[:, k, k]
    flat = half.reshape(-1, cross.shape[2])
    return np.asarray(flat.T @ flat)


def _inverse(matrix: Array) -> Array:
    factor = scipy.linalg.cho_factor(0.5 * (matrix + matrix.T), lower=True)
    return np.asarray(scipy.linalg.cho_solve(factor, np.eye(matrix.shape[0])))


@dataclass(frozen=True)
class Forecast:
    """Standard deviations that a fit of some flashes would state."""

    covariance: Array
    """Shape (parameter, parameter): of ln le of each layer, then of ln la."""
    information: Array
    """Of the flashes alone, same shape."""
    efficiency_sd: Array
    """Shape (module,): of ln(relative efficiency)."""
    offset_sd_ns: Array
    """Shape (module,)."""

    @property
    def sd(self) -> Array:
        """Of ln(length): shape (2, layer), scattering and absorption."""
        return np.sqrt(np.diag(self.covariance)).reshape(2, -1)


def forecast(prior: Array, nuisances: NuisancePrior, chosen: Sequence[Block]) -> Forecast:
    """Forecast of a set of flashes; parameters as for `Precision`."""
    precision = Precision(prior, nuisances, chosen)
    efficiency, offset = precision.module_sds()
    size = precision.size
    return Forecast(precision.covariance()[:size, :size], precision.layers_alone(), efficiency, offset)
