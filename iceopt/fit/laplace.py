"""Draws from the normal approximation of a target (Laplace), to be corrected by the target itself."""

from collections.abc import Callable

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.config import SamplerConfig
from iceopt.fit.sampler import Run, Target

Array = NDArray[np.float64]


class NormalDraws:
    """Independent draws of the normal approximation; a `Sampler`.

    Their log density is that of the approximation, so that the correction makes them draws of the target.

    Parameters
    ----------
    config : SamplerConfig
    seed : int
    """

    evaluates = False
    extends = False

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
        """Draw; see `Sampler`."""
        root = scipy.linalg.cholesky(covariance, lower=True)
        shape = (self._config.ensembles, draws, start.size)
        places = np.random.default_rng([self._seed, 2]).standard_normal(shape)
        return Run(
            draws=start + places @ root.T,
            log_density=-0.5 * np.sum(places**2, axis=2),
            steps=shape[1],
            tau=1.0,
            acceptance=1.0,
            converged=True,
            stopped_by=f"{shape[1]} draws a chain",
        )
