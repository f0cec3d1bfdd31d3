"""What is known before the flashes: the fit's own priors as matrices at the expected ice."""

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.config import FitConfig
from iceopt.fit.marginal import Marginal
from iceopt.fit.nuisances import NuisancePrior, NuisanceSystem
from iceopt.fit.posterior import Posterior
from iceopt.fit.priors import DUST_REFERENCE_M
from iceopt.fit.problem import nuisance_prior_of
from iceopt.ice.layers import Ice
from iceopt.plan.site import Site

Array = NDArray[np.float64]

_LINEAR = ("dust_slope", "ln_dust_absorption")
"""Hyperparameters that the layers are linear in, so that they are marginalised exactly."""
_STEP = 1e-3


def layer_prior(config: FitConfig, ice: Ice) -> Array:
    """Prior precision of the layers, shape (parameter, parameter): ln le of each, then ln la of each.

    The dust line's slope and reference are marginalised. The sizes and the length of the smoothness are
    held at the middle of their prior: expected ice is smoother than real ice, so it must not rule them.

    Parameters
    ----------
    config : FitConfig
    ice : Ice
        Expected, on the fit's layers.
    """
    posterior = Posterior((), Marginal((), NuisanceSystem(()), ()), ice.edges_m, config)
    vector = posterior.vector(ice)
    names, layers = posterior.names, ice.layers
    if "dust_slope" in names:
        # on the dust line the Hessian is that of Gauss and Newton: positive whatever the ice
        slope, reference = (vector[names.index(n)] for n in _LINEAR)
        vector[layers : 2 * layers] = reference + slope * (vector[:layers] - np.log(DUST_REFERENCE_M))
    free = [*range(2 * layers), *(names.index(n) for n in _LINEAR if n in names)]
    matrix = np.empty((len(free), len(free)))
    for row, i in enumerate(free):
        step = np.zeros(vector.size)
        step[i] = _STEP
        ahead, behind = (posterior.log_prior(vector + s)[1][free] for s in (step, -step))
        matrix[row] = (behind - ahead) / (2.0 * _STEP)
    matrix = 0.5 * (matrix + matrix.T)
    n = 2 * layers
    if len(free) == n:
        return matrix
    half = np.linalg.solve(np.linalg.cholesky(matrix[n:, n:]), matrix[n:, :n])
    return np.asarray(matrix[:n, :n] - half.T @ half)


def nuisance_prior(site: Site) -> NuisancePrior:
    """Prior of the nuisances of all modules, as a fit of the campaign would have it before it has counts."""
    efficiency = site.modules.relative_efficiency
    worth = np.full(efficiency.size, site.config.nuisances.dark_spread**-2.0)
    return nuisance_prior_of(site.config, site.settings, efficiency, worth)
