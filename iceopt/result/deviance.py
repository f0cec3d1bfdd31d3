"""How far counts lie from their posterior mean: by distance, by time, by module, and pair by pair.

The deviance of a Poisson count n from its expectation m is 2 [m - n + n ln(n/m)] (Baker, Cousins, Nucl.
Instrum. Meth. 221, 437 (1984)): near chi-squared with one degree of freedom where m is large. A light model
that errs by a relative sd s adds about m s^2, so a deviance is held against 1 + m s^2, with the errors of the
light model as they were fitted.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.result.read import Result

Array = NDArray[np.float64]

_CELLS = 15


@dataclass(frozen=True)
class Misfit:
    """Deviance a bin over some cells: seen, and what counting and the light model's errors lead to."""

    place: Array
    """Shape (cell,): middle of the cell, or number of the module."""
    seen: Array
    expected: Array


@dataclass(frozen=True)
class OddPair:
    """One pair of emitter and receiver that the fit describes badly."""

    run: str
    module: str
    distance_m: float
    seen: float
    expected: float
    pull: float
    """Of the charge, over counting and the light model's error."""
    deviance: float
    """Over what was expected of it."""


def poisson_deviance(counts: Array, expected: Array) -> Array:
    """Deviance of each count; infinite where counts are seen and none can be."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(counts > 0, counts * np.log(counts / expected), 0.0)
    return 2.0 * (expected - counts + logs)


def charge_pulls(result: Result) -> Array:
    """(seen - expected) over the standard deviation of counts, dispersed, and model error, per pair."""
    seen, expected = charges(result)
    error = result.values("posterior_predictive", "charge_error")
    dispersion = result.values("constant_data", "dispersion")
    return (seen - expected) / np.sqrt(dispersion * expected + (error * expected) ** 2)


def charges(result: Result) -> tuple[Array, Array]:
    """Counts and expected counts of each pair in its used bins."""
    used = result.values("observed_data", "used") > 0
    seen = np.sum(result.values("observed_data", "counts") * used, axis=1)
    return seen, np.sum(result.values("posterior_predictive", "counts_mean") * used, axis=1)


def profile_error(result: Result) -> float:
    """Relative error of the light model in a time profile: its own, and what is fitted on top."""
    fitted = float(np.median(np.exp(result.draws("ln_profile_error"))))
    return float(np.hypot(result.attribute("light_model_error"), fitted))


class Deviances:
    """Deviances of all used bins of one campaign.

    Parameters
    ----------
    result : Result
        Of one campaign, or one campaign's view of a joint one.
    """

    def __init__(self, result: Result) -> None:
        self._result = result
        self._used = result.values("observed_data", "used") > 0
        mean = result.values("posterior_predictive", "counts_mean").astype(np.float64)
        error = np.hypot(
            result.values("posterior_predictive", "charge_error")[:, None], profile_error(result)
        )
        seen = poisson_deviance(result.values("observed_data", "counts"), mean)
        self._seen = np.where(self._used, seen, 0.0)
        dispersion = result.values("constant_data", "dispersion")[:, None]
        self._expected = np.where(self._used, dispersion + mean * error**2, 0.0)

    def by_distance(self) -> Misfit:
        """Over pairs in cells of equal numbers."""
        distance = self._result.values("constant_data", "distance")
        cells = [c for c in np.array_split(np.argsort(distance, kind="stable"), _CELLS) if c.size]
        place = np.array([np.median(distance[c]) for c in cells])
        return Misfit(
            place, *(self._means([x[c] for c in cells], cells) for x in (self._seen, self._expected))
        )

    def by_time(self) -> Misfit:
        """Over the bins of the readout, those that no pair uses left out."""
        start, stop = (self._result.values("constant_data", f"bin_{n}") for n in ("start", "stop"))
        many = self._used.sum(axis=0)
        some = many > 0
        seen, expected = (x.sum(axis=0)[some] / many[some] for x in (self._seen, self._expected))
        return Misfit(0.5 * (start + stop)[some], seen, expected)

    def by_module(self) -> tuple[list[str], Misfit]:
        """Names of the receivers that are used, and the misfit of each."""
        module = self._result.values("constant_data", "pair_module")
        names = self._result.values("constant_data", "site_module")
        which = np.unique(module)
        cells = [np.flatnonzero(module == i) for i in which]
        seen, expected = (self._means([x[c] for c in cells], cells) for x in (self._seen, self._expected))
        return [str(names[i]) for i in which], Misfit(which.astype(np.float64), seen, expected)

    def worst(self, many: int) -> list[OddPair]:
        """Pairs whose deviance is the largest against what was expected of it, the worst first."""
        ratio = self._seen.sum(axis=1) / self._expected.sum(axis=1)
        names = (
            self._result.values("constant_data", "campaign_run"),
            self._result.values("constant_data", "site_module"),
        )
        run, module, distance = (
            self._result.values("constant_data", n) for n in ("pair_run", "pair_module", "distance")
        )
        (seen, expected), pull = charges(self._result), charge_pulls(self._result)
        return [
            OddPair(
                str(names[0][run[i]]),
                str(names[1][module[i]]),
                float(distance[i]),
                float(seen[i]),
                float(expected[i]),
                float(pull[i]),
                float(ratio[i]),
            )
            for i in np.argsort(-ratio, kind="stable")[:many]
        ]

    def _means(self, parts: list[Array], cells: list[NDArray[np.int64]]) -> Array:
        """Sums over the cells' pairs, a used bin."""
        return np.array([x.sum() / self._used[c].sum() for x, c in zip(parts, cells, strict=True)])
