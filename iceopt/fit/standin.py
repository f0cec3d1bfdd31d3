"""A cheap stand-in for the posterior: its likelihood expanded around the maximum, its prior exact.

A sampler needs hundreds of thousands of evaluations, each of which would cost a light model. It walks on the
stand-in instead, and its draws are corrected by the full posterior (`iceopt.fit.correction`). The log
likelihood is expanded to second order in coordinates in which the counts see the light as straight
(`iceopt.fit.bending`), its curvature also in the sizes of the light model's errors. Along these sizes, where
an expansion is poor (an error far below the light model's own does not matter), what it misses is measured
and added.
"""

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from iceopt.fit.bending import find_bending, straightened
from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.maximum import Maximum

Array = NDArray[np.float64]

_NODES = np.array([-4.0, -3.0, -2.0, -1.2, -0.6, 0.0, 0.6, 1.2, 2.0, 3.0, 4.0])
"""Standard deviations from the maximum at which the expansion is compared with the likelihood."""


class StandIn:
    """Log density of a posterior with an expanded likelihood.

    Parameters
    ----------
    maximum : Maximum
        With the information of its likelihood.
    """

    threaded = False

    def __init__(self, maximum: Maximum) -> None:
        self._posterior, self._centre = maximum.posterior, maximum.vector
        self._low, self._high = np.array(self._posterior.bounds).T
        size, n = maximum.vector.size, 2 * self._posterior.layers
        self._layers = slice(0, n)
        self._bending = find_bending(maximum)
        information = maximum.information.copy()
        information[:n, :n] -= self._bending.bias
        values, vectors = scipy.linalg.eigh(information)
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
        """Log density up to a constant and its gradient; minus infinity and 0 outside the bounds."""
        if not np.all((vector >= self._low) & (vector <= self._high)):
            return -np.inf, np.zeros(vector.size)
        value, gradient = self._posterior.log_prior(vector)
        likelihood, by_vector = self.log_likelihood_gradient(vector)
        return value + likelihood, gradient + by_vector

    def log_likelihood_gradient(self, vector: Array) -> tuple[float, Array]:
        """Log likelihood of one vector, 0 at the maximum, and its gradient."""
        value, gradient = self._expanded_gradient(vector)
        for i, missed in self._missed.items():
            place = float(np.clip(vector[i], missed.x[0], missed.x[-1]))
            value += float(missed(place))
            if place == vector[i]:
                gradient[i] += float(missed(place, 1))
        return value, gradient

    def _expanded(self, vectors: Array) -> Array:
        """Expansion of the log likelihoods of vectors, shape (many, parameter), 0 at the maximum."""
        away = vectors - self._centre
        weights = self._bending.softening(away[:, -len(ERROR_NAMES) :])[0]
        bent = self._bending.bent(straightened(away[:, self._layers])[0])
        away[:, self._layers] = bent
        value = away @ self._slope - 0.5 * np.einsum("ki,ki->k", away @ self._curvature, away)
        for i, j in np.ndindex(weights.shape[1:]):
            pull = bent @ self._bending.by_errors[i, j]
            value -= 0.5 * weights[:, i, j] * np.einsum("ki,ki->k", pull, bent)
        return value

    def _expanded_gradient(self, vector: Array) -> tuple[float, Array]:
        """Expansion of the log likelihood at one vector, and its gradient."""
        away = vector - self._centre
        weights, slopes = self._bending.softening(away[-len(ERROR_NAMES) :])
        straight, stretch = straightened(away[self._layers])
        bent, pull_back = self._bending.bent_vjp(straight)
        away[self._layers] = bent
        pull = self._curvature @ away
        value = float(away @ self._slope - 0.5 * away @ pull)
        gradient = self._slope - pull
        softened = self._bending.by_errors @ bent
        inner = softened @ bent
        value -= 0.5 * float(np.sum(weights * inner))
        gradient[-len(ERROR_NAMES) :] -= 0.5 * np.sum(slopes * inner, axis=1)
        gradient[self._layers] -= np.einsum("ij,ijn->n", weights, softened)
        gradient[self._layers] = stretch * pull_back(gradient[self._layers])
        return value, gradient

    def _measure(self, i: int, covariance: Array) -> PchipInterpolator:
        """What the expansion misses along a parameter, the others following it as they are correlated."""
        along = covariance[:, i] / np.sqrt(covariance[i, i])
        places = np.clip(self._centre + _NODES[:, None] * along, self._low, self._high)
        likelihood = np.array([self._posterior.evaluate(p).log_likelihood for p in places])
        missed = likelihood - likelihood[_NODES == 0.0] - self._expanded(places)
        own, first = np.unique(places[:, i], return_index=True)
        return PchipInterpolator(own, missed[first])
