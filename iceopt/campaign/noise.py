"""Dark noise, and modules that have too much of it, from the bins before the flash."""

import numpy as np
from numpy.typing import NDArray
from scipy.stats import poisson

from iceopt.campaign.model import Campaign, Finding
from iceopt.campaign.outliers import FALSE_ALARMS

HEALTHY_FACTOR = 2.0
"""Healthy modules may be this much noisier than the campaign (common practice, no source)."""

_ENOUGH = 100
"""Dark counts from which the campaign's own rate is taken in place of the stated one."""


def before_flash(campaign: Campaign) -> NDArray[np.bool_]:
    """Bins that end before the flash, shape (bin,)."""
    return campaign.bin_edges_ns[1:] <= 0


def dark_noise(campaign: Campaign) -> tuple[NDArray[np.float64], dict[int, Finding]]:
    """Measure the dark noise of each module.

    Only the earlier half of the bins before the flash counts: a clock that is slow by a few bins brings
    light into the later half.

    Returns
    -------
    ndarray, shape (module,)
        Dark counts per pulse and bin: the campaign's rate, or a noisy module's own.
    dict
        Findings of the noisy modules by index.
    """
    settings, names = campaign.settings, campaign.modules.name
    early = campaign.bin_edges_ns[1:] <= campaign.bin_edges_ns[0] / 2
    early &= before_flash(campaign)
    pulses = campaign.flashes.pulses[campaign.pair_run]
    exposure = np.bincount(campaign.pair_module, weights=pulses * early.sum(), minlength=len(names))
    counted = np.bincount(
        campaign.pair_module, weights=campaign.counts[:, early].sum(axis=1), minlength=len(names)
    )
    stated = settings.dark_rate_hz * 1e-9 * settings.bin_ns
    read_out = exposure > 0
    # the median module is healthy: what it counted bounds the rate even if nothing else is known
    typical = max(stated, float(np.median(counted[read_out] / exposure[read_out])) if read_out.any() else 0.0)
    tail = poisson.sf(counted - 1, HEALTHY_FACTOR * typical * exposure)
    noisy = read_out & (tail < FALSE_ALARMS / len(names))

    quiet = read_out & ~noisy
    measured = counted[quiet].sum() / exposure[quiet].sum() if counted[quiet].sum() >= _ENOUGH else stated
    rate = np.full(len(names), measured)
    rate[noisy] = counted[noisy] / exposure[noisy]
    to_hz = 1e9 / settings.bin_ns
    findings = {
        int(i): Finding(
            "module",
            names[i],
            "noisy",
            f"counts {counted[i]:.0f} before the flashes where the campaign's dark rate of "
            f"{measured * to_hz:.3g} Hz gives {measured * exposure[i]:.3g}: {rate[i] * to_hz:.3g} Hz",
        )
        for i in np.flatnonzero(noisy)
    }
    return rate, findings
