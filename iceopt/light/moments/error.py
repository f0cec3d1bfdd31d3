"""What a layered model of some order does not know: its own relative error by pair and bin."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.closed_form import path_fractions
from iceopt.light.model import Scene

CONVERGENCE = 0.3
"""Error of an order as a part of its difference from the order two below.

Against tracked photons the error falls by a factor 3 to 5 from order 3 to 5 (docs/light.md)."""
BEHIND = 5.0
"""The same behind a single LED. Light has been turned round there, orders converge slowly, and their error is
the difference itself; and it is one for all receivers behind that LED: some 25 of them together know no more
than one."""
FLOOR = 0.005
"""Left at every order: medians against tracked photons agree to this."""
NEAR_M = 40.0
NEAR_ERROR = 0.15
"""Within NEAR_M of the emitter order 5 is still off by this."""
FRESH_LENGTHS = 0.7
FRESH_ERROR = 6.0
"""Within a scattering length or so light has hardly scattered, and no order offered knows when it comes: on
the emitter's own line profiles are off by factors of 2 to 200 within 0.8 lengths, of 5 within 1.1, of 1.7
within 1.5 (docs/light.md)."""


def order_error(
    expected: NDArray[np.float64],
    others: Sequence[NDArray[np.float64]],
    part: float,
    scene: Scene,
    ice: Ice,
) -> NDArray[np.float64]:
    """Relative standard deviation of an order's expected counts.

    Parameters
    ----------
    expected : ndarray, shape (pair, bin)
        Counts of the order in question.
    others : sequence of ndarray, shape (pair, bin)
        Counts to compare them with: that which differs most counts. None: differences are left out.
    part : float
        Error as a part of the difference: 1 for a higher order, `CONVERGENCE` for one two below. Pairs behind
        a single LED: `BEHIND`.
    scene : Scene
    ice : Ice
        Of the counts.

    Returns
    -------
    ndarray, shape (pair, bin)
        At most 1. A bin takes the largest difference of itself and its neighbours: near the front the
        orders cross, and where they cross they do not agree.
    """
    size, difference = np.maximum(np.abs(expected), 1e-300), np.zeros_like(expected)
    for other in others:
        difference = np.maximum(difference, np.minimum(np.abs(expected - other) / size, 10.0))
    if others:
        difference[expected <= 0] = 10.0
    padded = np.pad(difference, ((0, 0), (1, 1)), mode="edge")
    widest = np.maximum(np.maximum(padded[:, :-2], padded[:, 1:-1]), padded[:, 2:])
    near = NEAR_ERROR * np.exp(-((scene.range_m / NEAR_M) ** 2))
    fractions = path_fractions(scene.emitter_depth_m, scene.receiver_depth_m, ice)
    lengths = scene.range_m * (fractions @ (1.0 / ice.scattering_length_m))
    fresh = FRESH_ERROR * np.exp(-((lengths / FRESH_LENGTHS) ** 2))
    of_pair = np.sqrt(FLOOR**2 + near**2 + fresh**2)
    parts = np.where(scene.behind, BEHIND, part)
    return np.minimum(np.hypot(parts[:, None] * widest, of_pair[:, None]), 1.0)
