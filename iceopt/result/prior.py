"""What a result's prior says of a layer by itself, and how much of a layer the counts say.

Both need the configuration and the normal approximation that the result file holds.
"""

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.config import PriorConfig
from iceopt.fit.priors import DUST_REFERENCE_M, LayerPrior
from iceopt.result.read import Result

Array = NDArray[np.float64]

LENGTHS = ("scattering_length", "absorption_length")
_PRIOR_DRAWS = 20_000


def prior_quantiles(result: Result, at: tuple[float, ...]) -> Array:
    """Quantiles of the prior of any one layer's lengths (m), the hyperparameters' own prior included.

    Parameters
    ----------
    result : Result
    at : tuple of float

    Returns
    -------
    ndarray, shape (2, quantile)
        Scattering, absorption: the same at every depth.
    """
    config = _config(result)
    rng = np.random.default_rng(0)
    noise = rng.standard_normal((2, _PRIOR_DRAWS))
    drawn = {
        p.name: p.mean + p.sd * rng.standard_normal(_PRIOR_DRAWS)
        for p in LayerPrior(config, np.zeros(1)).hyperparameters
    }

    whole = np.hypot(1.0, np.exp(drawn["ln_own_part"])) if "ln_own_part" in drawn else 1.0

    def around_level(level_m: float, spread: float, size_name: str, noise: Array) -> Array:
        size = whole * np.exp(drawn[size_name]) if size_name in drawn else 0.0
        return np.log(level_m) + np.hypot(spread, size) * noise

    level = config.level.scattering_length_m
    scattering = around_level(level.median, level.spread, "ln_scattering_size", noise[0])
    if config.dust.on:
        line = drawn["dust_slope"] * (scattering - np.log(DUST_REFERENCE_M))
        scatter = whole * np.exp(drawn["ln_dust_scatter"])
        absorption = drawn["ln_dust_absorption"] + line + scatter * noise[1]
    else:
        level = config.level.absorption_length_m
        absorption = around_level(level.median, level.spread, "ln_absorption_size", noise[1])
    return np.exp(np.quantile([scattering, absorption], at, axis=1).T)


def data_share(result: Result) -> Array:
    """Part of the information on each layer's length that the counts give; the prior gives the rest.

    With all other parameters held, the precision of a layer's ln length is that of the counts plus that of
    the prior. The sum is the diagonal of the inverse of the Laplace covariance; the prior's is exact, as
    given its hyperparameters it is Gaussian.

    Parameters
    ----------
    result : Result

    Returns
    -------
    ndarray, shape (2, layer)
        Scattering, absorption: 1 where the prior does not matter, 0 where the counts say nothing.
    """
    layers = result.shape("constant_data", "layer_top")[0]
    names = list(result.values("diagnostics", "parameter"))
    of_layers = [names.index(f"ln_{length}[{i}]") for length in LENGTHS for i in range(layers)]
    posterior = np.linalg.inv(result.values("diagnostics", "laplace_covariance")).diagonal()[of_layers]
    top, bottom = (result.values("constant_data", f"layer_{end}") for end in ("top", "bottom"))
    prior = LayerPrior(_config(result), 0.5 * (top + bottom))
    maximum = result.values("diagnostics", "maximum")
    hyperparameters = maximum[[names.index(p.name) for p in prior.hyperparameters]]

    def slopes(vector: Array) -> Array:
        scattering, absorption = np.split(vector, 2)
        _, by_scattering, by_absorption, _ = prior.evaluate(scattering, absorption, hyperparameters)
        return np.concatenate([by_scattering, by_absorption])

    # The log density is quadratic in the layers, so a difference over any step is its second derivative.
    here = slopes(np.zeros(2 * layers))
    precision = np.array([(here - slopes(step))[i] for i, step in enumerate(np.eye(2 * layers))])
    return np.clip(1.0 - precision / posterior, 0.0, 1.0).reshape(2, layers)


def _config(result: Result) -> PriorConfig:
    return PriorConfig.model_validate(result.attribute("configuration")["prior"])
