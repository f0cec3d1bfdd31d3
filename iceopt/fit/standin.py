"""A cheap stand-in for the posterior: its likelihood expanded to second order, its prior exact.

An ensemble needs hundreds of thousands of evaluations, each of which would cost a light model. It walks on
the stand-in instead, and its draws are corrected by the full posterior (`iceopt.fit.correction`).

The expansion is in the parameters themselves but for the size of the profile's error, whose likelihood knows
only its sum with the light model's own error, in squares: there it is in the log of that sum's root.
"""

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.maximum import Maximum

Array = NDArray[np.float64]

_DIFFERENCE = 1e-3


class StandIn:
    """Log density of a posterior with a quadratic likelihood around its maximum.

    Parameters
    ----------
    maximum : Maximum
        Its covariance is the inverse of the posterior's curvature; less the prior's curvature it gives the
        likelihood's.
    """

    def __init__(self, maximum: Maximum) -> None:
        self._posterior, self._centre = maximum.posterior, maximum.vector
        size = maximum.vector.size
        prior_curvature = np.empty((size, size))
        for i in range(size):
            step = np.zeros(size)
            step[i] = _DIFFERENCE
            behind, ahead = (self._posterior.log_prior(self._centre + s * step)[1] for s in (-1, 1))
            prior_curvature[i] = (behind - ahead) / (2.0 * _DIFFERENCE)
        curvature = np.linalg.inv(maximum.covariance) - 0.5 * (prior_curvature + prior_curvature.T)
        # At the maximum the likelihood's gradient is minus the prior's.
        slope = -self._posterior.log_prior(self._centre)[1]
        self._own_error = float(np.mean([t.likelihood.typical_own_error for t in self._posterior.terms]))
        self._rate = float(1.0 / (1.0 + (self._own_error / np.exp(self._centre[-1])) ** 2))
        curvature[-1, -1] += slope[-1] * 2.0 * (1.0 - self._rate)
        values, vectors = scipy.linalg.eigh(curvature)
        self._curvature = (vectors * np.maximum(values, 0.0)) @ vectors.T
        self._slope = slope
        self._low, self._high = np.array(self._posterior.bounds).T

    def log_densities(self, vectors: Array) -> Array:
        """Log densities of vectors, shape (many,), up to a constant; minus infinity outside the bounds."""
        inside = np.all((vectors >= self._low) & (vectors <= self._high), axis=1)
        values = np.full(len(vectors), -np.inf)
        if inside.any():
            kept = vectors[inside]
            away = kept - self._centre
            total = self._log_total(kept[:, -1]) - self._log_total(self._centre[-1])
            away[:, -1] = total / self._rate
            quadratic = np.einsum("ki,ij,kj->k", away, self._curvature, away)
            values[inside] = self._posterior.log_priors(kept) + away @ self._slope - 0.5 * quadratic
        return values

    def _log_total(self, log_profile_error: Array) -> Array:
        """Logarithm of the profile's error together with the light model's own."""
        return 0.5 * np.logaddexp(2.0 * log_profile_error, 2.0 * np.log(max(self._own_error, 1e-300)))
