"""The counts that a fit uses: usable pairs and bins, grouped in time."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign, Verdicts
from iceopt.errors import InputError
from iceopt.ice.attitude import LEVEL, Attitude
from iceopt.light.model import Scene, windows
from iceopt.light.scene import scene_of

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Observations:
    """Usable pairs of one campaign, their counts summed over groups of bins.

    Bins of a group are neighbours and all usable. Padding groups (beyond `groups`) are zero.
    """

    scene: Scene
    """Of the used pairs only."""
    pair: Index
    """Shape (pair,): index of each used pair in the campaign."""
    run: Index
    """Shape (pair,): index into `runs`."""
    module: Index
    """Shape (pair,): index into `modules`."""
    runs: Index
    """Shape (run,): used runs of the campaign."""
    modules: Index
    """Shape (module,): used modules of the campaign."""
    groups: Index
    """Shape (pair,): number of groups."""
    first: Index
    """Shape (pair, group): first bin."""
    stop: Index
    """Shape (pair, group): bin after the last."""
    counts: Array
    """Shape (pair, group)."""
    time_ns: Array
    """Shape (pair, group): middle of the group after the flash."""
    dark_per_bin: Array
    """Shape (pair,): dark counts a bin at the rate of `iceopt.fit.dark`."""
    used: NDArray[np.bool_]
    """Shape (pair, bin): bins that lie in a group."""
    range_m: Array
    """Shape (pair,): straight distance from emitter to receiver."""

    @property
    def bin_ns(self) -> float:
        """Width of a bin."""
        return float(self.scene.bin_edges_ns[1] - self.scene.bin_edges_ns[0])

    @property
    def dark(self) -> Array:
        """Expected dark counts of each group, shape (pair, group)."""
        return self.dark_per_bin[:, None] * (self.stop - self.first)


def observe(
    campaign: Campaign,
    verdicts: Verdicts,
    dark_per_ns: Array,
    earliest: float,
    group_growth: float,
    least_counts: float,
    attitude: Attitude = LEVEL,
) -> Observations:
    """Select what a fit uses of a campaign and group it in time.

    Parameters
    ----------
    campaign : Campaign
    verdicts : Verdicts
    dark_per_ns : ndarray, shape (module,)
        Dark rate of each module of the campaign.
    earliest : float
        Bins that begin before this many straight-line times of flight are left out.
    group_growth : float
        Bins are joined while the group stays narrower than this part of its time.
    least_counts : float
        Pairs with fewer counts in their usable bins are left out.
    attitude : Attitude, optional
        Of the ice. Which bins are used does not depend on it.

    Returns
    -------
    Observations

    Raises
    ------
    InputError
        If nothing is left to fit.
    """
    scene = scene_of(campaign)
    used = verdicts.usable & late_bins(scene, earliest)
    enough = np.sum(campaign.counts * used, axis=1) >= least_counts
    pair = np.flatnonzero(enough & used.any(axis=1))
    if pair.size == 0:
        raise InputError(
            f"{campaign.settings.site} {campaign.settings.season}: no pair of emitter and receiver has "
            f"{least_counts:g} counts in usable bins; there is nothing to fit (see `iceopt check`)"
        )
    pulses = campaign.flashes.pulses[campaign.pair_run[pair]]
    dark_per_bin = pulses * dark_per_ns[campaign.pair_module[pair]] * campaign.settings.bin_ns
    return group_pairs(
        campaign, pair, used[pair], campaign.counts[pair], dark_per_bin, group_growth, attitude
    )


def late_bins(scene: Scene, earliest: float) -> NDArray[np.bool_]:
    """Bins after the flash that begin at least `earliest` straight flights after it, (pair, bin)."""
    begin = scene.bin_edges_ns[:-1]
    return (begin >= earliest * scene.range_m[:, None] / scene.speed_m_per_ns) & (begin >= 0)


def group_pairs(
    campaign: Campaign,
    pair: Index,
    used: NDArray[np.bool_],
    counts: NDArray[Any],
    dark_per_bin: Array,
    group_growth: float,
    attitude: Attitude = LEVEL,
) -> Observations:
    """Group counts of some pairs of a campaign in time.

    Parameters
    ----------
    campaign : Campaign
        Its own counts play no part: they may be expected ones instead.
    pair : ndarray of int, shape (pair,)
        Which of the campaign's pairs.
    used, counts : ndarray, shape (pair, bin)
        Usable bins and counts of these.
    dark_per_bin : ndarray, shape (pair,)
    group_growth, attitude
        As for `observe`.
    """
    scene = scene_of(campaign, attitude).of_pairs(pair)
    edges = scene.bin_edges_ns
    first, stop, groups = _runs_of_bins(used, time_groups(edges, group_growth))
    runs, run = np.unique(campaign.pair_run[pair], return_inverse=True)
    modules, module = np.unique(campaign.pair_module[pair], return_inverse=True)
    return Observations(
        scene=scene,
        pair=pair,
        run=run,
        module=module,
        runs=runs,
        modules=modules,
        groups=groups,
        first=first,
        stop=stop,
        counts=windows(counts, first, stop),
        time_ns=0.5 * (edges[first] + edges[stop]),
        dark_per_bin=dark_per_bin,
        used=used,
        range_m=scene_of(campaign).of_pairs(pair).range_m,
    )


def time_groups(bin_edges_ns: Array, growth: float) -> Index:
    """Bins at which groups begin, and the number of bins: groups widen as a fixed part of their time."""
    starts, bins = [0], bin_edges_ns.size - 1
    for b in range(1, bins):
        if bin_edges_ns[b + 1] - bin_edges_ns[starts[-1]] > growth * max(bin_edges_ns[b], 0.0):
            starts.append(b)
    return np.array([*starts, bins], dtype=np.int64)


def _runs_of_bins(used: NDArray[np.bool_], group_edges: Index) -> tuple[Index, Index, Index]:
    """First and end bins of the stretches of used bins, cut at the group edges, per pair."""
    bins = used.shape[1]
    cut = np.zeros(bins + 1, dtype=bool)
    cut[group_edges] = True
    before = np.pad(used, ((0, 0), (1, 0)))[:, :bins]
    after = np.pad(used, ((0, 0), (0, 1)))[:, 1:]
    begins = used & (~before | cut[:bins])
    ends = used & (~after | cut[1:])
    groups = begins.sum(axis=1)
    first = np.zeros((used.shape[0], int(groups.max())), dtype=np.int64)
    stop = np.zeros_like(first)
    filled = np.arange(first.shape[1]) < groups[:, None]
    first[filled] = np.nonzero(begins)[1]
    stop[filled] = np.nonzero(ends)[1] + 1
    return first, stop, groups
