"""Dark rates from the bins before the flash, where there is no light: what is known before a fit.

The rates of a campaign's modules lie around a common level, that around the rate which the campaign states.
Both steps are conjugate: a Gamma distribution of relative spread s is worth 1/s^2 counts, and counts that
are seen add to it (Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.6 (2013)). The level is held at
its mean, as it comes of the bins of all modules.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign, Verdicts

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DarkRates:
    """Gamma distributions of the modules' dark rates."""

    per_ns: Array
    """Shape (module,): mean; zero where the campaign states that there is no dark noise."""
    worth: Array
    """Shape (module,): counts that it is worth, 1 / (relative spread)^2."""


def dark_rates(
    campaign: Campaign, verdicts: Verdicts, level_spread: float, module_spread: float
) -> DarkRates:
    """Dark rates of all modules of a campaign.

    Parameters
    ----------
    campaign : Campaign
    verdicts : Verdicts
        Only modules in good state tell of the level.
    level_spread : float
        Relative spread of the modules' common level around the stated rate.
    module_spread : float
        Relative spread of the modules around their level.
    """
    settings, size = campaign.settings, len(campaign.modules.name)
    stated = settings.dark_rate_hz * 1e-9
    worth = module_spread**-2.0
    if stated == 0:
        return DarkRates(np.zeros(size), np.full(size, worth))
    before = campaign.bin_edges_ns[1:] <= 0
    pulses = campaign.flashes.pulses[campaign.pair_run]
    seen = np.bincount(campaign.pair_module, campaign.counts[:, before].sum(axis=1), size)
    exposure_ns = np.bincount(campaign.pair_module, pulses * before.sum() * settings.bin_ns, size)
    good = np.array([state == "ok" for state in verdicts.module_state])
    of_level = level_spread**-2.0
    level = (of_level + seen[good].sum()) / (of_level / stated + exposure_ns[good].sum())
    return DarkRates((worth + seen) / (worth / level + exposure_ns), worth + seen)
