"""The layers of a result as arrays: what figures, the report and the terminal show of them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.limits import LARGEST_RHAT, LEAST_ESS
from iceopt.result.prior import LENGTHS, data_share, prior_quantiles
from iceopt.result.read import Result

Array = NDArray[np.float64]

QUANTILES = (0.025, 0.16, 0.5, 0.84, 0.975)
"""Edges of the 95 and 68 % intervals around the median."""
LEAST_SHARE = 0.1
"""Where the counts give less than this part of the information, prior and neighbours make the numbers."""


@dataclass(frozen=True)
class Lengths:
    """One of the two lengths over all layers."""

    quantiles_m: Array
    """Shape (quantile, layer), at `QUANTILES`."""
    prior_m: Array
    """Shape (quantile,): of the prior of any one layer."""
    share: Array
    """Shape (layer,): part of the information that the counts give."""
    rhat: Array
    """Shape (layer,)."""
    ess: Array
    """Shape (layer,): the smaller of bulk and tail effective sample size."""

    @property
    def converged(self) -> NDArray[np.bool_]:
        """Layers whose draws are enough; a NaN is not."""
        return (self.rhat < LARGEST_RHAT) & (self.ess > LEAST_ESS)

    @property
    def by_prior(self) -> NDArray[np.bool_]:
        """Layers of which the counts themselves say next to nothing."""
        return self.share < LEAST_SHARE


@dataclass(frozen=True)
class Layers:
    """All layers of a result."""

    edges_m: Array
    """Shape (layer + 1,)."""
    reach_m: Array
    """Shape (2,): depths of the highest and the deepest emitter or receiver that was used."""
    scattering: Lengths
    absorption: Lengths


def read_layers(result: Result) -> Layers:
    """Sum up the draws of the layers."""
    top, bottom = (result.values("constant_data", f"layer_{end}") for end in ("top", "bottom"))
    names = list(result.values("diagnostics", "parameter"))
    rhat, bulk, tail = (result.values("diagnostics", n) for n in ("rhat", "ess_bulk", "ess_tail"))
    lengths = []
    shares, priors = data_share(result), prior_quantiles(result, QUANTILES)
    for name, share, prior_m in zip(LENGTHS, shares, priors, strict=True):
        own = [names.index(f"ln_{name}[{i}]") for i in range(top.size)]
        lengths.append(
            Lengths(
                quantiles_m=result.quantiles(name, QUANTILES),
                prior_m=prior_m,
                share=share,
                rhat=rhat[own],
                ess=np.minimum(bulk, tail)[own],
            )
        )
    return Layers(np.r_[top, bottom[-1]], result.values("constant_data", "data_depth"), *lengths)
