"""What a layered model of some order does not know: its own relative error by pair and bin."""

import numpy as np
from numpy.typing import NDArray

from iceopt.light.model import Scene

CONVERGENCE = 0.3
"""Error of an order as a part of its difference from the order two below.

Against tracked photons the error falls by a factor 3 to 5 from order 3 to 5 (docs/light.md)."""
FLOOR = 0.005
"""Left at every order: medians against tracked photons agree to this."""
NEAR_M = 40.0
NEAR_ERROR = 0.15
"""Within NEAR_M of the emitter, where light has hardly scattered, order 5 is still off by this."""


def order_error(
    expected: NDArray[np.float64], other: NDArray[np.float64], part: float, scene: Scene
) -> NDArray[np.float64]:
    """Relative standard deviation of an order's expected counts.

    Parameters
    ----------
    expected, other : ndarray, shape (pair, bin)
        Counts of the order in question and of the one to compare it with.
    part : float
        Error as a part of their difference: 1 for a higher order, `CONVERGENCE` for one two below.
    scene : Scene

    Returns
    -------
    ndarray, shape (pair, bin)
        At most 1. A bin takes the largest difference of itself and its neighbours: near the front the
        orders cross, and where they cross they do not agree.
    """
    size = np.maximum(np.abs(expected), 1e-300)
    difference = np.minimum(np.abs(expected - other) / size, 10.0)
    difference[expected <= 0] = 10.0
    padded = np.pad(difference, ((0, 0), (1, 1)), mode="edge")
    widest = np.maximum(np.maximum(padded[:, :-2], padded[:, 1:-1]), padded[:, 2:])
    near = NEAR_ERROR * np.exp(-((scene.range_m / NEAR_M) ** 2))
    return np.minimum(np.sqrt((part * widest) ** 2 + FLOOR**2 + near[:, None] ** 2), 1.0)
