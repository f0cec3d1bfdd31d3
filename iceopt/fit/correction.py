"""Correct the draws of a stand-in by the full posterior, and draw the nuisances that go with them.

Each chain's draws are resampled in proportion to their importance weights, the full posterior over the
stand-in (sampling-importance resampling: Rubin, in Bayesian Statistics 3, Oxford (1988), 395), in steps as
even as can be (Kitagawa, J. Comput. Graph. Stat. 5, 1 (1996)) and in the order in which they were drawn, so
that what is drawn twice stands together and counts as correlated. The largest weights are smoothed, or one
of them could fill a chain, and their shape (Pareto k; Vehtari et al., J. Mach. Learn. Res. 25, 72 (2024))
says whether the stand-in was near enough: below 0.7 it was.
"""

import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from iceopt.abreast import in_order
from iceopt.fit.checkpoint import Arrays, Checkpoint
from iceopt.fit.nuisances import Nuisances
from iceopt.fit.posterior import Posterior
from iceopt.fit.sampler import Run

Array = NDArray[np.float64]

_STAGE = "correction"
_SAVE_EVERY_S = 20.0
_LEAST_TAIL = 5
_FIRST_LOOK = 200
"""Draws of each chain before they can be enough."""


@dataclass(frozen=True)
class Corrected:
    """Draws of the full posterior."""

    draws: Array
    """Shape (chain, draw, parameter)."""
    log_density: Array
    """Shape (chain, draw)."""
    nuisances: list[Nuisances]
    """One entry a campaign, each array with (chain, draw) in front."""
    efficiency: float
    """Draws with equal weights that would tell as much, over those that were made (Kish)."""
    pareto_k: float
    """NaN with too few draws to tell."""
    complete: bool
    """False if the time limit came first."""


@dataclass
class _Evaluated:
    """What the full posterior says of the proposals so far, in the order (draw, chain)."""

    log_density: list[float] = field(default_factory=list)
    nuisances: list[Array] = field(default_factory=list)

    def arrays(self, since: int) -> Arrays:
        return {
            "log_density": np.array(self.log_density[since:]),
            "nuisances": np.array(self.nuisances[since:]),
        }


def correct(
    posterior: Posterior,
    run: Run,
    seed: int,
    store: Checkpoint,
    time_left_s: Callable[[], float],
    watch: Callable[[str, float], None],
    enough: Callable[[Array], bool],
) -> Corrected:
    """Evaluate the full posterior at the draws of a run, in order, and correct the run by it.

    Parameters
    ----------
    posterior : Posterior
    run : Run
        Draws of the stand-in (or of the posterior itself: then nothing is rejected).
    seed : int
        Draw by draw, so that a resumed fit ends as one that was never stopped.
    store : Checkpoint
    time_left_s : callable
    watch : callable
        Told in words what goes on, and the part done.
    enough : callable
        Asked now and then whether the corrected draws so far, shape (chain, draw, parameter), will do.

    Returns
    -------
    Corrected
        Of fewer draws if these were enough or time ran out, though of ten draws a chain at least.
    """
    chains, wanted, _ = run.draws.shape
    done = _Evaluated()
    pieces = store.read(_STAGE)
    for piece in pieces:
        done.log_density += list(piece["log_density"])[: chains * wanted - len(done.log_density)]
        done.nuisances += list(piece["nuisances"])[: chains * wanted - len(done.nuisances)]
    saved, number, last_save = len(done.log_density), len(pieces), time.monotonic()
    least = chains * min(wanted, 10)
    next_look, in_time = min(_FIRST_LOOK, wanted), True
    while next_look * chains < saved:
        next_look = _next(next_look)

    def evaluated(i: int) -> tuple[float, Array]:
        draw, chain = divmod(i, chains)
        return _evaluate(posterior, run.draws[chain, draw], [seed, chain, draw])

    with closing(in_order(evaluated, range(saved, chains * wanted))) as found:
        for i in range(saved, chains * wanted):
            draw, chain = divmod(i, chains)
            if time_left_s() <= 0 and i >= least:
                in_time = False
                break
            if chain == 0 and draw >= next_look:
                if enough(_assemble(posterior, run, done, seed, in_time).draws):
                    break
                next_look = _next(next_look)
            value, nuisances = next(found)
            done.log_density.append(value)
            done.nuisances.append(nuisances)
            watch(
                f"correcting draws by the full model: {i + 1} of {chains * wanted}",
                (i + 1) / (chains * wanted),
            )
            if store.stopping or time.monotonic() - last_save > _SAVE_EVERY_S:
                store.write(_STAGE, number, done.arrays(saved))
                saved, number, last_save = len(done.log_density), number + 1, time.monotonic()
    if saved < len(done.log_density):
        store.write(_STAGE, number, done.arrays(saved))
    return _assemble(posterior, run, done, seed, in_time)


def _next(look: int) -> int:
    """Number of draws at which to look again whether they are enough."""
    return int(1.2 * look) + 1


def _evaluate(posterior: Posterior, vector: Array, seed: list[int]) -> tuple[float, Array]:
    """Log density, and one draw of all nuisances given the vector, packed."""
    rng = np.random.default_rng(seed)
    point = posterior.evaluate(vector)
    found = point.evaluation
    drawn = found.nuisances.moved(found.factor.draw(rng))
    return point.log_density, drawn.packed()


def _assemble(posterior: Posterior, run: Run, done: _Evaluated, seed: int, in_time: bool) -> Corrected:
    chains = run.draws.shape[0]
    kept = len(done.log_density) // chains
    value = np.array(done.log_density[: kept * chains]).reshape(kept, chains).T
    nuisances = np.array(done.nuisances[: kept * chains]).reshape(kept, chains, -1).transpose(1, 0, 2)
    log_weight = value - run.log_density[:, :kept]
    smooth = smoothed(log_weight.ravel()).reshape(log_weight.shape)
    chosen = np.stack([resampled(w, np.random.default_rng([seed, 1 << 20, k])) for k, w in enumerate(smooth)])
    rows = np.arange(chains)[:, None]
    return Corrected(
        draws=run.draws[rows, chosen],
        log_density=value[rows, chosen],
        nuisances=posterior.marginal.system.unpacked(nuisances[rows, chosen]),
        efficiency=float(np.mean([efficiency(w) for w in smooth])),
        pareto_k=pareto_k(log_weight.ravel()),
        complete=in_time,
    )


def resampled(log_weight: Array, rng: np.random.Generator) -> NDArray[np.int64]:
    """Indices of as many draws as are given, in order, each as often as its weight says: up or down to whole.

    Parameters
    ----------
    log_weight : ndarray, shape (draw,)
        Log of target over proposal density at each draw, up to a constant; one at least finite.
    rng : Generator
    """
    share = np.cumsum(np.exp(log_weight - log_weight.max()))
    places = (np.arange(log_weight.size) + rng.uniform()) / log_weight.size
    found = np.searchsorted(share / share[-1], places, side="right")
    return np.minimum(found, log_weight.size - 1).astype(np.int64)


def efficiency(log_weight: Array) -> float:
    """Sum of weights, squared, over the sum of their squares and their number (Kish)."""
    weight = np.exp(log_weight - log_weight.max())
    return float(weight.sum() ** 2 / np.sum(weight**2) / weight.size)


def pareto_k(log_weight: Array) -> float:
    """Shape of the generalised Pareto distribution of the largest weights; NaN if they are too few.

    The tail is the largest 3 sqrt(n) of n weights or a fifth of them, whichever is fewer.
    """
    return _tail(log_weight)[1]


def smoothed(log_weight: Array) -> Array:
    """Log weights with the largest replaced by the quantiles of the distribution fitted to them.

    None becomes larger than the largest was. Too few weights stay as they are.
    """
    size, shape, scale = _tail(log_weight)
    if not np.isfinite(shape):
        return log_weight
    order, top = np.argsort(log_weight), log_weight.max()
    places = (np.arange(size) + 0.5) / size
    excess = scipy.stats.genpareto.ppf(places, shape, scale=scale)
    new = log_weight.copy()
    new[order[-size:]] = top + np.log(np.minimum(np.exp(log_weight[order[-size - 1]] - top) + excess, 1.0))
    return new


def _tail(log_weight: Array) -> tuple[int, float, float]:
    """Size of the tail of the weights over the largest one, and shape and scale of its distribution."""
    size = int(min(0.2 * log_weight.size, 3.0 * np.sqrt(log_weight.size)))
    if size < _LEAST_TAIL or not np.isfinite(log_weight).all():
        return size, np.nan, np.nan
    weight = np.sort(np.exp(log_weight - log_weight.max()))
    excess = weight[-size:] - weight[-size - 1]
    if excess[-1] <= 1e-9:
        return size, -np.inf, 0.0
    shape, _, scale = scipy.stats.genpareto.fit(excess[excess > 0], floc=0.0)
    return size, float(shape), float(scale)
