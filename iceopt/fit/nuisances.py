"""Brightnesses, efficiencies, clock offsets and dark rates: the normal equations that tie the pairs together.

The unknowns are ln brightness of each run; ln efficiency of each module, which all campaigns share; clock
offset and ln dark rate of each module in each campaign. A pair ties one run to one module, so a module's
block couples to the runs only: the modules are eliminated exactly and a dense matrix over the runs of all
campaigns is left.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg
import scipy.sparse
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]

MOST_LOG_DARK = 2.0
"""A dark rate stays within this of the named one. Without a limit it takes the place of light that an ice far
from right does not give, and the search ends there."""


@dataclass(frozen=True)
class NuisancePrior:
    """Independent priors of one campaign's nuisances, but for one scale that all its runs share.

    All are normal but that of a dark rate: a Gamma distribution of mean 1, in units of the rate that the
    observations name, which is the prior of a rate after some counts were seen.
    """

    brightness_sd: float
    """Of ln brightness."""
    scale_sd: float
    """Of the log of the absolute scale, common to all runs."""
    log_efficiency: Array
    """Shape (module,): mean of ln efficiency."""
    efficiency_sd: float
    """Of ln efficiency."""
    offset_sd_ns: float
    dark_worth: Array
    """Shape (module,): counts that the named dark rate is worth."""


@dataclass(frozen=True)
class Ties:
    """What one campaign's pairs tie together."""

    run: Index
    """Shape (pair,): index of a run of this campaign."""
    module: Index
    """Shape (pair,): index of a module of this campaign. No two pairs have the same run and module."""
    place: Index
    """Shape (module,): of each module of this campaign among those of all."""
    prior: NuisancePrior

    @property
    def runs(self) -> int:
        """Number of runs."""
        return int(self.run.max()) + 1


@dataclass(frozen=True)
class Nuisances:
    """Nuisances of one campaign."""

    log_brightness: Array
    """Shape (..., run)."""
    log_efficiency: Array
    """Shape (..., module)."""
    offset_ns: Array
    """Shape (..., module)."""
    log_dark: Array
    """Shape (..., module): ln of the dark rate over the named one."""


@dataclass(frozen=True)
class JointNuisances:
    """One value of all nuisances of all campaigns."""

    log_brightness: Array
    """Shape (run,): campaign after campaign."""
    of_modules: Array
    """Shape (module, 1 + 2 campaign): ln efficiency, then clock offset (ns) and ln dark rate by campaign."""

    @property
    def log_efficiency(self) -> Array:
        """Shape (module,)."""
        return self.of_modules[:, 0]

    @property
    def offset_ns(self) -> Array:
        """Shape (module, campaign)."""
        return self.of_modules[:, 1::2]

    @property
    def log_dark(self) -> Array:
        """Shape (module, campaign)."""
        return self.of_modules[:, 2::2]

    def packed(self) -> Array:
        """All in one row."""
        return np.concatenate([self.log_brightness, self.of_modules.ravel()])

    def moved(self, step: "JointNuisances", factor: float = 1.0) -> "JointNuisances":
        """Return these values plus a factor times a step, dark rates within their limits."""
        of_modules = self.of_modules + factor * step.of_modules
        of_modules[:, 2::2] = np.clip(of_modules[:, 2::2], -MOST_LOG_DARK, MOST_LOG_DARK)
        return JointNuisances(self.log_brightness + factor * step.log_brightness, of_modules)


class NuisanceSystem:
    """Pairs, runs and modules of all campaigns, with the prior; `factor` solves its normal equations.

    Parameters
    ----------
    campaigns : sequence of Ties
        A module that several share has the same prior of its efficiency in each.
    """

    def __init__(self, campaigns: Sequence[Ties]) -> None:
        self.campaigns = tuple(campaigns)
        self.modules = 1 + max((int(ties.place.max()) for ties in self.campaigns), default=-1)
        self._first_run = np.cumsum([0, *(ties.runs for ties in self.campaigns)])
        width = 1 + 2 * len(self.campaigns)
        self._mean = np.zeros((self.modules, width))
        # A module's clock and noise in a campaign that does not have it: any prior does, as nothing asks.
        self._precision = np.ones((self.modules, width))
        covariances = [np.zeros((0, 0))]
        for k, ties in enumerate(self.campaigns):
            prior = ties.prior
            self._mean[ties.place, 0] = prior.log_efficiency
            self._precision[ties.place, 0] = prior.efficiency_sd**-2.0
            self._precision[ties.place, 1 + 2 * k] = prior.offset_sd_ns**-2.0
            self._precision[ties.place, 2 + 2 * k] = prior.dark_worth
            covariances.append(prior.brightness_sd**2 * np.eye(ties.runs) + prior.scale_sd**2)
        self._sum_runs = [_summing(ties.run, ties.runs) for ties in self.campaigns]
        self._sum_modules = [_summing(ties.place[ties.module], self.modules) for ties in self.campaigns]
        self._brightness_precision = scipy.linalg.block_diag(*(np.linalg.inv(c) for c in covariances))
        self._logdet_prior = float(
            np.log(self._precision).sum() - sum(np.linalg.slogdet(c)[1] for c in covariances)
        )

    def start(self) -> JointNuisances:
        """Return the prior's mean."""
        return JointNuisances(np.zeros(self._first_run[-1]), self._mean.copy())

    def split(self, at: JointNuisances) -> list[Nuisances]:
        """Nuisances of each campaign, of its own runs and modules."""
        return self.unpacked(at.packed())

    def unpacked(self, rows: Array) -> list[Nuisances]:
        """Nuisances of each campaign from rows as of `JointNuisances.packed`, shape (..., all)."""
        brightness, modules = np.split(rows, self._first_run[-1:], axis=-1)
        modules = modules.reshape(*rows.shape[:-1], *self._mean.shape)
        return [
            Nuisances(
                brightness[..., self._runs(k)],
                *(modules[..., ties.place, column] for column in self._columns_of(k)),
            )
            for k, ties in enumerate(self.campaigns)
        ]

    def of_pairs(self, at: JointNuisances) -> list[Array]:
        """Of each campaign's pairs: ln(brightness x efficiency), offset (ns), ln dark rate, (pair, 3)."""
        return [
            np.stack(
                [
                    own.log_brightness[ties.run] + own.log_efficiency[ties.module],
                    own.offset_ns[ties.module],
                    own.log_dark[ties.module],
                ],
                axis=1,
            )
            for own, ties in zip(self.split(at), self.campaigns, strict=True)
        ]

    def log_prior(self, at: JointNuisances) -> float:
        """Exponent of the prior: 0 at its mean."""
        departure = at.of_modules - self._mean
        value = -0.5 * self._precision * departure**2
        dark = departure[:, 2::2]
        value[:, 2::2] = self._precision[:, 2::2] * (dark - np.expm1(dark))
        brightness = at.log_brightness @ self._brightness_precision @ at.log_brightness
        return float(value.sum() - 0.5 * brightness)

    def gradient(self, at: JointNuisances, by_pairs: Sequence[Array]) -> JointNuisances:
        """Gradient of log density plus prior, from the derivatives to each campaign's `of_pairs`.

        Zero for a dark rate that is at its limit and would go beyond.
        """
        departure = at.of_modules - self._mean
        departure[:, 2::2] = np.expm1(departure[:, 2::2])
        summed = self.columns([by[:, :, None] for by in by_pairs])
        by_modules = summed.modules[:, :, 0] - self._precision * departure
        by_dark = by_modules[:, 2::2]
        by_dark[(np.abs(at.log_dark) >= MOST_LOG_DARK) & (by_dark * at.log_dark > 0)] = 0.0
        return JointNuisances(summed.runs[:, 0] - self._brightness_precision @ at.log_brightness, by_modules)

    def columns(self, by_pairs: Sequence[Array]) -> "Columns":
        """Sum columns given by each campaign's `of_pairs`, shape (pair, 3, column), over runs and modules."""
        count = by_pairs[0].shape[2]
        runs = np.zeros((self._first_run[-1], count))
        modules = np.zeros((*self._mean.shape, count))
        for k, by in enumerate(by_pairs):
            runs[self._runs(k)] = self._sum_runs[k] @ by[:, 0]
            for column, values in zip(self._columns_of(k), by.transpose(1, 0, 2), strict=True):
                modules[:, column] += self._sum_modules[k] @ values
        return Columns(runs, modules)

    def factor(self, information: Sequence[Array], at: JointNuisances) -> "Factor":
        """Factor the information: that in each campaign's `of_pairs`, shape (pair, 3, 3), and the prior's.

        The latter depends on the dark rates, which are those of `at`.
        """
        block = np.zeros((self.modules, self._mean.shape[1], self._mean.shape[1]))
        border = np.zeros((self._first_run[-1], *self._mean.shape))
        over_runs = self._brightness_precision.copy()
        diagonal = np.arange(self._mean.shape[1])
        block[:, diagonal, diagonal] = self._precision
        block[:, diagonal[2::2], diagonal[2::2]] *= np.exp(at.log_dark)
        for k, (ties, own) in enumerate(zip(self.campaigns, information, strict=True)):
            place, run = ties.place[ties.module], self._first_run[k] + ties.run
            over_runs[np.diag_indices_from(over_runs)] += np.bincount(run, own[:, 0, 0], over_runs.shape[0])
            columns = self._columns_of(k)
            for i, row in enumerate(columns):
                border[run, place, row] = own[:, 0, i]
                for j, column in enumerate(columns):
                    block[:, row, column] += np.bincount(place, own[:, i, j], self.modules)
        return Factor(block, border, over_runs, self._logdet_prior)

    def _runs(self, campaign: int) -> slice:
        return slice(self._first_run[campaign], self._first_run[campaign + 1])

    def _columns_of(self, campaign: int) -> tuple[int, int, int]:
        """Columns of `of_modules` that a campaign's amplitude, offset and dark rate are in."""
        return 0, 1 + 2 * campaign, 2 + 2 * campaign


def _summing(place: Index, places: int) -> scipy.sparse.csr_array:
    """Matrix that sums rows, one a pair, over those of one place each: shape (place, pair)."""
    pairs = place.size
    return scipy.sparse.csr_array((np.ones(pairs), (place, np.arange(pairs))), shape=(places, pairs))


@dataclass(frozen=True)
class Columns:
    """Several right-hand sides of the normal equations."""

    runs: Array
    """Shape (run, column)."""
    modules: Array
    """Shape (module, own, column), own as in `JointNuisances.of_modules`."""


class Factor:
    """Factored normal equations of the nuisances.

    Parameters
    ----------
    block : ndarray, shape (module, own, own)
    border : ndarray, shape (run, module, own)
    over_runs : ndarray, shape (run, run)
    logdet_prior : float
        Log det of the prior's precision.
    """

    def __init__(self, block: Array, border: Array, over_runs: Array, logdet_prior: float) -> None:
        self._inverse = np.linalg.inv(block)
        self._border = border
        reduced = np.ascontiguousarray((border.transpose(1, 0, 2) @ self._inverse).transpose(1, 0, 2))
        runs = border.shape[0]
        schur = over_runs - reduced.reshape(runs, -1) @ border.reshape(runs, -1).T
        self._reduced = reduced
        self._chol = scipy.linalg.cholesky(schur, lower=True)
        self.logdet = float(
            2.0 * np.log(np.diag(self._chol)).sum() + np.linalg.slogdet(block)[1].sum() - logdet_prior
        )
        """Log det of the posterior's precision over the prior's."""

    def solve(self, gradient: JointNuisances) -> JointNuisances:
        """Newton step for a gradient."""
        runs = self._border.shape[0]
        rest = gradient.log_brightness - self._reduced.reshape(runs, -1) @ gradient.of_modules.ravel()
        brightness = scipy.linalg.cho_solve((self._chol, True), rest)
        return self._modules_given(brightness, gradient.of_modules)

    def product(self, columns: "Columns", others: "Columns") -> Array:
        """Form of the inverse with two sets of columns: X^T N^-1 Y, shape (column, other column)."""
        _, modules, own = self._border.shape
        weighted = np.einsum("mij,mjk->mik", self._inverse, others.modules).reshape(own * modules, -1)
        flat = columns.modules.reshape(own * modules, -1)
        return self._half(columns).T @ self._half(others) + flat.T @ weighted

    def _half(self, columns: "Columns") -> Array:
        runs, modules, own = self._border.shape
        rest = columns.runs - self._reduced.reshape(runs, -1) @ columns.modules.reshape(own * modules, -1)
        return np.asarray(scipy.linalg.solve_triangular(self._chol, rest, lower=True), dtype=np.float64)

    def draw(self, rng: np.random.Generator) -> JointNuisances:
        """Draw from the normal distribution of this precision around zero."""
        runs, modules, own = self._border.shape
        brightness = scipy.linalg.solve_triangular(
            self._chol, rng.standard_normal(runs), lower=True, trans="T"
        )
        mean = self._modules_given(brightness, np.zeros((modules, own)))
        root = np.linalg.cholesky(self._inverse)
        noise = np.einsum("mij,mj->mi", root, rng.standard_normal((modules, own)))
        return JointNuisances(mean.log_brightness, mean.of_modules + noise)

    def _modules_given(self, brightness: Array, side: Array) -> JointNuisances:
        rest = side - np.einsum("rmi,r->mi", self._border, brightness)
        return JointNuisances(brightness, np.einsum("mij,mj->mi", self._inverse, rest))


def decrement(gradient: JointNuisances, step: JointNuisances) -> float:
    """Twice the rise of the log density that a full Newton step promises."""
    return float(
        gradient.log_brightness @ step.log_brightness + np.sum(gradient.of_modules * step.of_modules)
    )
