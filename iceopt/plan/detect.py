"""The smallest change of a band of ice that two seasons' fits would show.

The ice of the earlier season has the fit's prior; the later one differs from it by delta in ln length over
a band. With the information matrices F_a, F_b of the two seasons' counts (nuisances marginalised, prior P
left out) the earlier ice is eliminated, and delta has the precision v' (F_b - F_b (F_a + F_b + P)^-1 F_b) v,
v the part of each layer that lies in the band. The prior enters once and does not shrink the change. The
nuisances of the two seasons are taken as independent, and so are the light model's errors: where these are
common to both seasons and cancel, smaller changes show.
"""

from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def change_precision(earlier: Array, later: Array, prior: Array) -> Array:
    """Information on a change of every layer: shape (parameter, parameter).

    Parameters
    ----------
    earlier, later, prior : ndarray, shape (parameter, parameter)
        Information of the two seasons' counts, and the prior's precision.
    """
    total = earlier + later + prior
    return np.asarray(later - later @ np.linalg.solve(total, later))


def band_parts(edges_m: Array, centre_m: Array, thickness_m: Array) -> Array:
    """Part of each layer inside bands: shape (centre, thickness, layer)."""
    top = centre_m[:, None, None] - 0.5 * thickness_m[:, None]
    bottom = centre_m[:, None, None] + 0.5 * thickness_m[:, None]
    inside = np.clip(np.minimum(bottom, edges_m[1:]) - np.maximum(top, edges_m[:-1]), 0.0, None)
    return np.asarray(inside / np.diff(edges_m))


def smallest_changes(
    information: Array, edges_m: Array, centre_m: Array, thickness_m: Array, error_rate: float, power: float
) -> Array:
    """Smallest changes of ln le, and of ln la, that a test of one given band finds.

    Parameters
    ----------
    information : ndarray, shape (parameter, parameter)
        Of `change_precision`.
    edges_m : ndarray, shape (layer + 1,)
    centre_m, thickness_m : ndarray, shape (centre,) and (thickness,)
    error_rate : float
        Of a two-sided test where nothing changed, for each band looked at.
    power : float
        Chance to find a change of this size.

    Returns
    -------
    ndarray, shape (2, centre, thickness)
        Infinite where the counts say nothing.
    """
    normal = NormalDist()
    factor = normal.inv_cdf(1.0 - 0.5 * error_rate) + normal.inv_cdf(power)
    parts, layers = band_parts(edges_m, centre_m, thickness_m), edges_m.size - 1
    found = np.empty((2, centre_m.size, thickness_m.size))
    for kind in range(2):
        own = slice(kind * layers, (kind + 1) * layers)
        precision = np.einsum("ctl,lm,ctm->ct", parts, information[own, own], parts)
        with np.errstate(divide="ignore"):
            found[kind] = factor / np.sqrt(np.maximum(precision, 0.0))
    return found
