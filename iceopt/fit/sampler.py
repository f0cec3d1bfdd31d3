"""What every sampler is given and what it gives."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.checkpoint import Checkpoint

Array = NDArray[np.float64]


class Target(Protocol):
    """A log density of vectors; the posterior and its stand-in are these."""

    threaded: bool
    """Whether an evaluation runs on several cores by itself."""

    def log_densities(self, vectors: Array) -> Array:
        """Log densities of vectors, shape (many, parameter), up to a constant."""
        ...

    def log_density_gradient(self, vector: Array) -> tuple[float, Array]:
        """Log density of one vector, and its gradient; minus infinity and 0 outside of its bounds.

        A path that is followed with too long a step goes anywhere, also to where no density can be had.
        """
        ...


@dataclass(frozen=True)
class Run:
    """What a sampler has found."""

    draws: Array
    """Shape (chain, draw, parameter)."""
    log_density: Array
    """Shape (chain, draw)."""
    steps: int
    """Of each chain."""
    tau: float
    """Longest autocorrelation time in steps; NaN if unknown."""
    acceptance: float
    """Part of the proposals that was accepted."""
    converged: bool
    stopped_by: str
    """What ended it, in words."""


class Sampler(Protocol):
    """A way to draw from a target."""

    evaluates: bool
    """Whether it evaluates its target; for one that does not, no stand-in need be made."""

    extends: bool
    """Whether a run of more draws begins with those of a run of fewer, and costs only the others."""

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
        """Draw until converged, or until time or steps are used up.

        Parameters
        ----------
        target : Target
        start, covariance : ndarray, shape (parameter,) and (parameter, parameter)
            Normal approximation of the target.
        store : Checkpoint
            Where progress is kept; what it holds already is gone on with.
        time_left_s : callable
        watch : callable
            Told in a line of words how far it is.
        draws : int
            Wanted of each chain.
        """
        ...
