"""The no-U-turn sampler: draws of many parameters at once, by their gradient.

Hoffman, Gelman, J. Mach. Learn. Res. 15, 1593 (2014), with multinomial choice along the path (Betancourt,
arXiv:1701.02434 (2017)), as mici does it, in coordinates in which the normal approximation of the target is
a standard normal. A draw costs a handful of gradients however many layers there are, where an ensemble
would lose its way.
"""

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.linalg
from numba import get_num_threads
from numpy.typing import NDArray

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.config import SamplerConfig
from iceopt.fit.convergence import diagnose
from iceopt.fit.sampler import Run, Target
from iceopt.fit.workers import side_by_side

Array = NDArray[np.float64]

_STAGE = "gradient"
_TUNING = 150
_PIECE = 10
_BETWEEN = 3
"""Steps to each draw that is kept, which costs far more than a step: the full light model corrects it."""
_SAVE_EVERY_S = 20.0


class NoUTurn:
    """Independent no-U-turn chains; a `Sampler` for targets with a gradient.

    Parameters
    ----------
    config : SamplerConfig
    seed : int
    """

    evaluates = True
    extends = True

    def __init__(self, config: SamplerConfig, seed: int) -> None:
        self._config = config
        self._seed = seed

    def run(
        self,
        target: Target,
        start: Array,
        covariance: Array,
        store: Checkpoint,
        time_left_s: Callable[[], float],
        watch: Callable[[str], None],
        draws: int,
    ) -> Run:
        """Draw as many as are wanted, or until time is used up; see `Sampler`.

        The step is tuned first and kept then. A resumed run ends as one that was never stopped.
        """
        root = scipy.linalg.cholesky(covariance, lower=True)
        chains = self._config.ensembles
        walk = _Walk(target, start, root, self._seed, 1 if target.threaded else get_num_threads())
        stored = store.read(_STAGE)
        places = [piece["places"] for piece in stored]
        if stored:
            step, number = float(stored[-1]["step"]), int(stored[-1]["number"])
        else:
            watch("sampling by gradient: tuning the step")
            begin = np.random.default_rng([self._seed, 0]).standard_normal((chains, start.size))
            while np.isneginf(target.log_densities(start + begin @ root.T)).any():
                begin *= 0.5
            begun, step = walk.tuned(begin)
            places, number = [begun[:, None]], 0
        unsaved, saved_at = [] if stored else [places[0]], time.monotonic()
        kept_pieces = len(stored)

        def save() -> None:
            nonlocal kept_pieces
            kept = np.concatenate(unsaved, axis=1)
            store.write(
                _STAGE, kept_pieces, {"places": kept, "step": np.array(step), "number": np.array(number)}
            )
            kept_pieces += 1

        while (done := sum(p.shape[1] for p in places)) < draws and (time_left_s() > 0 or done < _PIECE):
            number += 1
            unsaved.append(walk.piece(places[-1][:, -1], step, _PIECE, number))
            places.append(unsaved[-1])
            watch(f"sampling by gradient: {done + unsaved[-1].shape[1]} of {draws} draws a chain")
            if store.stopping or time.monotonic() - saved_at > _SAVE_EVERY_S:
                save()
                unsaved, saved_at = [], time.monotonic()
        if unsaved:
            save()
        found = start + np.concatenate(places, axis=1)[:, :draws] @ root.T
        complete, diagnostics = found.shape[1] >= draws, diagnose(found)
        return Run(
            draws=found,
            log_density=np.array([[target.log_density_gradient(v)[0] for v in chain] for chain in found]),
            steps=found.shape[1],
            tau=float(chains * found.shape[1] / diagnostics.least_ess),
            acceptance=np.nan,
            converged=complete or diagnostics.good,
            stopped_by=f"{found.shape[1]} draws a chain" if complete else "the time limit",
        )


class _Walk:
    """Pieces of chains in whitened coordinates, each chain with random numbers of its own."""

    def __init__(self, target: Target, start: Array, root: Array, seed: int, processes: int) -> None:
        from mici.systems import EuclideanMetricSystem

        self._seed, self._processes = seed, processes

        def gradient(place: Array) -> tuple[Array, float]:
            value, by_vector = target.log_density_gradient(start + root @ place)
            return -(by_vector @ root), -value

        self._system = EuclideanMetricSystem(
            neg_log_dens=lambda place: gradient(place)[1], grad_neg_log_dens=gradient
        )

    def tuned(self, begin: Array) -> tuple[Array, float]:
        """Tune the step: places that the chains have reached, shape (chain, parameter), and the step."""
        from mici.adapters import DualAveragingStepSizeAdapter

        def tune(chain: int) -> tuple[Array, float]:
            found = self._sampler(None, 0, chain).sample_chains(
                _TUNING,
                1,
                [begin[chain]],
                adapters=[DualAveragingStepSizeAdapter(0.8)],
                display_progress=False,
            )
            return found.traces["pos"][0][-1], float(np.ravel(found.statistics["step_size"][0])[-1])

        places, steps = zip(*side_by_side(tune, len(begin), self._processes), strict=True)
        return np.array(places), float(np.median(steps))

    def piece(self, begin: Array, step: float, draws: int, number: int) -> Array:
        """Draw on from some places with a fixed step: places of shape (chain, draw, parameter)."""

        def draw(chain: int) -> Array:
            found = self._sampler(step, number, chain).sample_chains(
                0, draws * _BETWEEN, [begin[chain]], adapters=[], display_progress=False
            )
            return np.array(found.traces["pos"][0])[_BETWEEN - 1 :: _BETWEEN]

        return np.array(side_by_side(draw, len(begin), self._processes))

    def _sampler(self, step: float | None, number: int, chain: int) -> Any:
        from mici.integrators import LeapfrogIntegrator
        from mici.samplers import DynamicMultinomialHMC

        integrator = LeapfrogIntegrator(self._system, step_size=step)
        rng = np.random.default_rng([self._seed, 1, number, chain])
        return DynamicMultinomialHMC(self._system, integrator, rng)
