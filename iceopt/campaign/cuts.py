"""Pairs and bins that say nothing: too near, too far, behind a single LED, saturated, before the flash."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.brightness import LightPattern
from iceopt.campaign.model import Campaign, Finding
from iceopt.campaign.noise import before_flash
from iceopt.campaign.seen import Seen

NEAR_BINS = 2
"""With fewer bins than this between the first light and saturation, all that is left is an edge that the
clock and the bin smear."""
BEHIND_DEG = 125.0
"""Farther than this from where a single LED points, light has been turned round, and the light model does not
know well enough how much (docs/light.md)."""


@dataclass(frozen=True)
class Cuts:
    """Masks over pairs, each of shape (pair,)."""

    near: NDArray[np.bool_]
    far: NDArray[np.bool_]
    behind: NDArray[np.bool_]
    saturated: NDArray[np.bool_]


def pair_name(campaign: Campaign, pair: int) -> str:
    """`RUN/MODULE`."""
    run, module = campaign.pair_run[pair], campaign.pair_module[pair]
    return f"{campaign.flashes.run[run]}/{campaign.modules.name[module]}"


def far_pairs(seen: Seen, learnt: LightPattern) -> NDArray[np.bool_]:
    """Pairs whose expected light is below the detection limit of their dark noise.

    Judged by the light that is expected, not by the counts: dropping low counts would keep the upward
    fluctuations. The limit is 2.71 + 3.29 sqrt(background): Currie, Anal. Chem. 40, 586 (1968).
    """
    limit = 2.71 + 3.29 * np.sqrt(np.maximum(seen.background, 0))
    return learnt.expected(seen) < limit


def near_pairs(campaign: Campaign, seen: Seen) -> NDArray[np.bool_]:
    """Pairs that saturate within `NEAR_BINS` bins of their first light."""
    bins = campaign.counts.shape[1]
    dark = seen.background[:, None] / bins
    lit = campaign.counts > dark + 5 * np.sqrt(dark + 1)
    lit &= ~before_flash(campaign)
    first = np.where(lit.any(axis=1), lit.argmax(axis=1), bins)
    return ~seen.linear & (seen.saturated_from - first < NEAR_BINS)


def off_axis_deg(seen: Seen) -> NDArray[np.float64]:
    """Angle of each pair from where its single LED points; 0 for patterns that shine in all azimuths."""
    if seen.cosines.shape[1] == 1:
        return np.zeros(seen.run.size)
    return np.degrees(np.arccos(np.clip(seen.cosines[:, 1], -1.0, 1.0)))


def cut_findings(campaign: Campaign, seen: Seen, cuts: Cuts, expected: NDArray[np.float64]) -> list[Finding]:
    """One finding for each pair that is near, far, behind an LED, or saturated from some bin on."""
    edges_ns, off_axis = campaign.bin_edges_ns, off_axis_deg(seen)
    findings = []
    for i in np.flatnonzero(cuts.near | cuts.far | cuts.behind | cuts.saturated):
        name, place = pair_name(campaign, int(i)), f"{seen.distance_m[i]:.0f} m apart"
        since = f"{edges_ns[seen.saturated_from[i]]:g} ns"
        if cuts.near[i]:
            reason = f"{place}; above the linear range from its first light on, at {since}"
            findings.append(Finding("pair", name, "near", reason))
        elif cuts.far[i]:
            reason = (
                f"{place}; {expected[i]:.2g} photoelectrons of light expected, {seen.background[i]:.2g} dark"
            )
            findings.append(Finding("pair", name, "far", reason))
        elif cuts.behind[i]:
            reason = f"{place}; {off_axis[i]:.0f} degrees from where the LED points"
            findings.append(Finding("pair", name, "behind", reason))
        else:
            reason = f"{place}; above the linear range from {since} on"
            findings.append(Finding("bin", name, "saturated", reason))
    return findings


def usable_bins(campaign: Campaign, seen: Seen) -> NDArray[np.bool_]:
    """Bins after the flash and before any saturation, shape (pair, bin)."""
    index = np.arange(campaign.counts.shape[1])
    return ~before_flash(campaign) & (index < seen.saturated_from[:, None])
