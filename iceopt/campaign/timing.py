"""Modules whose clock is off by more than any healthy one's, from arrival time against distance."""

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from iceopt.campaign.brightness import LightPattern
from iceopt.campaign.model import Campaign, Finding
from iceopt.campaign.outliers import critical_deviation, neighbours, tail_sd, usual
from iceopt.campaign.pattern import delay_terms, fit_pattern
from iceopt.campaign.seen import Seen

ARRIVAL_SHARE = 0.05
"""The light has arrived when this share of it is counted: early enough to depend little on the ice."""

BRIGHT = 100.0
"""Photoelectrons from which a pair's arrival is timed."""

_DELAY_SD = 0.05
"""Scatter of a delay about the pattern as a share of it, up to a common factor that is fitted."""

_BIN_SD = 0.1
"""Error of a time interpolated in a bin, in bins."""

LEAST_BINS = 2.0
"""Offsets of fewer bins are for the fit, which has a clock offset for each module."""

_PRIOR_SD = 1.0
"""Standard deviation of the modules' offsets that is assumed, in typical delays: hardly any pull."""

_KNOWN_SD = 0.2
"""Standard error, in typical delays, below which an offset is told by the counts and not by the prior."""

_LEAST_PAIRS = 2
_ENOUGH_TO_SCALE = 30
_FEWEST_TO_LEARN_FROM = 10


def arrival_ns(campaign: Campaign, seen: Seen) -> NDArray[np.float64]:
    """Time at which `ARRIVAL_SHARE` of each pair's light has been counted, shape (pair,)."""
    edges_ns = campaign.bin_edges_ns
    bins = edges_ns.size - 1
    light = np.cumsum(campaign.counts - (seen.background / bins)[:, None], axis=1)
    target = ARRIVAL_SHARE * seen.light
    after = (light >= target[:, None]).argmax(axis=1)
    pair = np.arange(after.size)
    before = np.where(after > 0, light[pair, after - 1], 0.0)
    rise = np.maximum(light[pair, after] - before, 1e-9)
    return edges_ns[after] + np.diff(edges_ns)[after] * np.clip((target - before) / rise, 0, 1)


def mistimed_modules(
    campaign: Campaign, seen: Seen, learnt: LightPattern, faint_runs: NDArray[np.bool_]
) -> dict[int, Finding]:
    """Modules that see the light earlier or later than the modules around them, by index.

    An offset counts as a fault if it is beyond the false-alarm rate and above `LEAST_BINS` bins.
    """
    settings, modules = campaign.settings, len(campaign.modules.name)
    use = learnt.learnt & (seen.light > BRIGHT) & ~faint_runs[seen.run]
    if use.sum() < _FEWEST_TO_LEARN_FROM:
        return {}
    delay_ns = arrival_ns(campaign, seen) - seen.flight_ns
    terms = delay_terms(campaign, seen)
    # in units of a typical delay, so that the priors of the terms fit any ice and any spacing
    unit_ns = max(float(np.median(delay_ns[use])), settings.bin_ns)
    typical = delay_ns / unit_ns
    fixed_sd = np.hypot(_BIN_SD * settings.bin_ns, settings.timing_spread_ns) / unit_ns
    relative_sd = np.hypot(_DELAY_SD, 1 / np.sqrt(ARRIVAL_SHARE * np.maximum(seen.light, BRIGHT)) / 3)
    for _ in range(3):  # the scatter grows with the delay, which is best known from the pattern itself
        sd = np.hypot(fixed_sd, relative_sd * np.maximum(typical, 0))
        pattern = fit_pattern(delay_ns / unit_ns, sd, use, terms, _PRIOR_SD)
        typical = pattern.common
    known = np.bincount(seen.module[use], minlength=modules) >= _LEAST_PAIRS
    known &= np.sqrt(pattern.module_variance) < _KNOWN_SD
    offset_ns = unit_ns * pattern.module
    around = neighbours(campaign.modules.position_m[:, 2], known)
    reference_ns = usual(offset_ns, around)
    judged = known & ~np.isnan(reference_ns)

    open_ns = unit_ns * pattern.module_sd(sp.eye_array(modules) - around)
    deviation = (offset_ns - reference_ns) / np.hypot(open_ns, settings.timing_spread_ns)
    # what the pattern leaves open rests on its priors; how much of it the ice really takes is measured
    scale = tail_sd(deviation[judged])
    scale = scale if judged.sum() >= _ENOUGH_TO_SCALE else max(scale, 1.0)
    sd_ns = np.hypot(scale * open_ns, max(scale, 1.0) * settings.timing_spread_ns)
    allowed_ns = np.maximum(critical_deviation(2 * modules) * sd_ns, LEAST_BINS * settings.bin_ns)

    common_ns = unit_ns * pattern.common
    change_ns = _agreed_offset(
        delay_ns - common_ns - reference_ns[seen.module],
        seen.flight_ns + common_ns,
        seen.module,
        use & judged[seen.module],
    )
    wrong = {i: change for i, change in change_ns.items() if abs(change) > allowed_ns[i]}
    return {
        i: Finding(
            "module",
            campaign.modules.name[i],
            "mistimed",
            f"sees light {abs(change):.0f} ns {'later' if change > 0 else 'earlier'} than the modules "
            f"around it; healthy ones stay within {allowed_ns[i]:.0f} ns",
        )
        for i, change in wrong.items()
    }


def _agreed_offset(
    offset_ns: NDArray[np.float64],
    time_ns: NDArray[np.float64],
    module: NDArray[np.int64],
    use: NDArray[np.bool_],
) -> dict[int, float]:
    """Offset on which the earlier and the later half of each module's pairs agree: the smaller one, or 0.

    A clock shifts all pairs alike, while the ice shifts those more whose light comes later.
    """
    agreed = {}
    for i in np.unique(module[use]):
        own = np.flatnonzero(use & (module == i))
        own = own[np.argsort(time_ns[own], kind="stable")]
        half = (own.size + 1) // 2
        early, late = np.median(offset_ns[own[:half]]), np.median(offset_ns[own[-half:]])
        agreed[int(i)] = float(min(early, late, key=abs)) if early * late > 0 else 0.0
    return agreed
