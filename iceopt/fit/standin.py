"""A cheap stand-in for the posterior: its likelihood expanded around the maximum, its prior exact.

An ensemble needs hundreds of thousands of evaluations, each of which would cost a light model. It walks on
the stand-in instead, and its draws are corrected by the full posterior (`iceopt.fit.correction`). The
expansion is of second order in ln le and in 1/sqrt(la): the log of the light is linear in 1/la for one
path, and bends back as it finds clearer ones. Along the sizes of the light model's errors, where that is poor
(an error far below the light model's own does not matter), what it misses is measured and added.
"""

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.maximum import Maximum

Array = NDArray[np.float64]

_NODES = np.array([-4.0, -3.0, -2.0, -1.2, -0.6, 0.0, 0.6, 1.2, 2.0, 3.0, 4.0])
"""Standard deviations from the maximum at which the expansion is compared with the likelihood."""
_POWER = 0.5


class StandIn:
    """Log density of a posterior with an expanded likelihood.

    Parameters
    ----------
    maximum : Maximum
        With the information of its likelihood.
    """

    def __init__(self, maximum: Maximum) -> None:
        self._posterior, self._centre = maximum.posterior, maximum.vector
        self._low, self._high = np.array(self._posterior.bounds).T
        size = maximum.vector.size
        values, vectors = scipy.linalg.eigh(maximum.information)
        self._curvature = (vectors * np.maximum(values, 0.0)) @ vectors.T
        self._slope = self._posterior.log_likelihood_gradient(self._centre)[1]
        self._missed = {i: self._measure(i, maximum.covariance) for i in range(size - len(ERROR_NAMES), size)}

    def log_densities(self, vectors: Array) -> Array:
        """Log densities of vectors, shape (many,), up to a constant; minus infinity outside the bounds."""
        inside = np.all((vectors >= self._low) & (vectors <= self._high), axis=1)
        values = np.full(len(vectors), -np.inf)
        if inside.any():
            kept = vectors[inside]
            values[inside] = self._posterior.log_priors(kept) + self._expanded(kept)
            for i, missed in self._missed.items():
                place = np.clip(kept[:, i], missed.x[0], missed.x[-1])
                values[inside] += missed(place)
        return values

    def log_density_gradient(self, vector: Array) -> tuple[float, Array]:
        """Log density up to a constant and its gradient; bounds are left to the correction."""
        value, gradient = self._posterior.log_prior(vector)
        away, stretch = self._away(vector)
        pull = self._curvature @ away
        value += float(away @ self._slope - 0.5 * away @ pull)
        gradient = gradient + stretch * (self._slope - pull)
        for i, missed in self._missed.items():
            place = float(np.clip(vector[i], missed.x[0], missed.x[-1]))
            value += float(missed(place))
            if place == vector[i]:
                gradient[i] += float(missed(place, 1))
        return value, gradient

    def _away(self, vectors: Array) -> tuple[Array, Array]:
        """Coordinates in which the likelihood is expanded, 0 at the maximum, and their derivatives there."""
        away, stretch = vectors - self._centre, np.ones_like(vectors)
        absorption = slice(self._posterior.layers, 2 * self._posterior.layers)
        stretch[..., absorption] = np.exp(-_POWER * away[..., absorption])
        away[..., absorption] = (1.0 - stretch[..., absorption]) / _POWER
        return away, stretch

    def _expanded(self, vectors: Array) -> Array:
        """Second-order expansion of the log likelihood, 0 at the maximum."""
        away = self._away(vectors)[0]
        return away @ self._slope - 0.5 * np.einsum("ki,ij,kj->k", away, self._curvature, away)

    def _measure(self, i: int, covariance: Array) -> PchipInterpolator:
        """What the expansion misses along a parameter, the others following it as they are correlated."""
        along = covariance[:, i] / np.sqrt(covariance[i, i])
        places = np.clip(self._centre + _NODES[:, None] * along, self._low, self._high)
        likelihood = np.array([self._posterior.evaluate(p).log_likelihood for p in places])
        missed = likelihood - likelihood[_NODES == 0.0] - self._expanded(places)
        own, first = np.unique(places[:, i], return_index=True)
        return PchipInterpolator(own, missed[first])
