"""What every flash would tell of the layers and the nuisances: blocks of Fisher information.

The likelihood is the fit's own (`iceopt.fit.likelihood`) at expected counts, where its Poisson weights are
those of the Fisher information; errors of the light model are marginalised pair by pair. What is left are
the sums over a run's pairs in (layers, ln brightness of the run, ln efficiency, clock offset and ln dark
rate of each module), which `iceopt.plan.precision` puts together.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.cuts import NEAR_BINS
from iceopt.campaign.model import Campaign, Flashes
from iceopt.campaign.settings import bins_of
from iceopt.fit.config import FitConfig
from iceopt.fit.curvature import weigh
from iceopt.fit.likelihood import ALIKE_WITHIN_M, Likelihood
from iceopt.fit.observations import group_pairs, late_bins
from iceopt.fit.pairs import information_of_pairs
from iceopt.fit.problem import error_model_of
from iceopt.light.model import Scene
from iceopt.light.scene import scene_of
from iceopt.plan.site import Site, some

Array = NDArray[np.float64]
Index = NDArray[np.int64]

Watch = Callable[[float], None]

_PAIRS_AT_ONCE = 15_000
"""Twice as many hardly save time, and take half a GiB more for layers of 10 m over 1 km."""


@dataclass(frozen=True)
class Block:
    """Information of one run. Layers are ln le of each, then ln la of each."""

    modules: Index
    """Shape (module,): the receivers that see enough light."""
    layers: Array
    """Shape (parameter, parameter)."""
    amplitude: Array
    """Shape (module, parameter): between ln(brightness x efficiency) and the layers."""
    offset: Array
    """Shape (module, parameter): between clock offset (1/ns) and the layers."""
    noise: Array
    """Shape (module, parameter): between ln dark rate and the layers."""
    nuisance: Array
    """Shape (module, 3, 3): in amplitude, offset and ln dark rate."""
    dark: Array
    """Shape (module,): on ln dark rate from bins without light, those before the flash above all."""
    cells: Index
    """Shape (module,): pairs of one number, in whatever run, lie alike and share errors."""
    alike: Array
    """Shape (module,): number of pairs that share the errors of each in this information."""
    told: Array
    """Shape (module,): trace of the pair's information on the layers."""
    counting: Array
    """Shape (module,): the same, were the light model exact."""
    photoelectrons: float
    """In usable bins, dark counts apart."""
    saturated: int
    """Receivers of which bins are lost above the linear range."""
    lost: int
    """Receivers so bright that nothing is left of them."""
    brightest_per_pulse: float
    """Photoelectrons a pulse in the receiver that sees most, were it linear."""


def blocks(site: Site, flashes: Flashes, done: Watch = lambda part: None) -> list[Block]:
    """Information of every flash by itself, in order.

    The light model errs together in receivers that lie alike from the emitter (`alike_pairs`); that the same
    holds from flash to flash is for `blocks_together`.

    Parameters
    ----------
    site : Site
    flashes : Flashes
    done : callable, optional
        Told the part that is done.
    """
    return _blocks(site, flashes, None, done)


def blocks_together(site: Site, flashes: Flashes, alone: Sequence[Block]) -> list[Block]:
    """Information of flashes that all happen, errors that pairs of different flashes share counted once.

    Parameters
    ----------
    site : Site
    flashes : Flashes
    alone : sequence of Block
        What `blocks` gave for them.
    """
    run = np.repeat(np.arange(len(alone)), [block.modules.size for block in alone])
    module = np.concatenate([block.modules for block in alone])
    if module.size == 0:
        return list(alone)
    scene = scene_of(_without_counts(site, flashes, run, module), site.attitude)
    alike = np.ones((len(alone), len(site.modules.name)))
    alike[run, module] = alike_pairs(scene, np.zeros_like(run))
    return _blocks(site, flashes, alike, lambda part: None)


def alike_pairs(scene: Scene, among: Index) -> Array:
    """Number of pairs that lie like each pair in depths and distance, itself counted, shape (pair,).

    Parameters
    ----------
    scene : Scene
    among : ndarray of int, shape (pair,)
        Only pairs of the same number are counted.
    """
    cells = np.column_stack([cells_of(scene), among])
    _, cell, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    return np.asarray(count[cell.ravel()], dtype=np.float64)


def cells_of(scene: Scene) -> Index:
    """A number for the cell of depths and distance that each pair lies in, shape (pair,)."""
    places = (scene.emitter_depth_m, scene.receiver_depth_m, scene.distance_m)
    emitter, receiver, distance = (np.round(x / ALIKE_WITHIN_M).astype(np.int64) for x in places)
    return np.asarray((emitter << 40) + (receiver << 20) + distance, dtype=np.int64)


def _blocks(site: Site, flashes: Flashes, alike: Array | None, done: Watch) -> list[Block]:
    depth = site.modules.position_m[flashes.emitter, 2]
    # runs of one depth share most of the light model's work, so they go together
    order = np.lexsort((flashes.emitter, depth))
    found: dict[int, Block] = {}
    for chunk in _chunks(site, flashes, order):
        counted = None if alike is None else alike[chunk]
        for run, block in zip(chunk, _of_runs(site, some(flashes, chunk), counted), strict=True):
            found[int(run)] = block
        done(len(found) / order.size)
    return [found[i] for i in range(order.size)]


def _chunks(site: Site, flashes: Flashes, order: Index) -> Iterator[Index]:
    begin, pairs = 0, 0
    for i in range(order.size):
        seen = int(read_out(site, some(flashes, order[i : i + 1])).sum())
        if begin < i and pairs + seen > _PAIRS_AT_ONCE:
            yield order[begin:i]
            begin, pairs = i, 0
        pairs += seen
    yield order[begin:]


def read_out(site: Site, flashes: Flashes) -> NDArray[np.bool_]:
    """Whether a module is read out in a run and within reach, shape (run, module)."""
    modules = site.modules
    depth = modules.position_m[:, 2]
    inside = (depth >= flashes.readout_top_m[:, None]) & (depth <= flashes.readout_bottom_m[:, None])
    apart = np.linalg.norm(modules.position_m[flashes.emitter][:, None] - modules.position_m, axis=2)
    return np.asarray(inside & modules.alive & (apart <= site.longest_range_m) & (apart > 0.0))


def _counted_on(site: Site, flashes: Flashes) -> tuple[Campaign, Scene]:
    """Pairs that are read out, but for those behind a single LED: of their light the model knows little."""
    run, module = np.nonzero(read_out(site, flashes))
    campaign = _without_counts(site, flashes, run, module)
    scene = scene_of(campaign, site.attitude)
    ahead = ~scene.behind
    return _without_counts(site, flashes, run[ahead], module[ahead]), scene.of_pairs(ahead)


def _without_counts(site: Site, flashes: Flashes, run: Index, module: Index) -> Campaign:
    """Campaign of pairs, each given by a run and a module, shape (pair,)."""
    no_counts = np.broadcast_to(np.int32(0), (run.size, bins_of(site.settings)))
    return Campaign(site.settings, site.modules, flashes, run, module, no_counts)


def _of_runs(site: Site, flashes: Flashes, alike: Array | None) -> list[Block]:
    """Blocks of a few runs; `alike`, shape (run, module), by default counted run by run."""
    settings, config = site.settings, site.config
    campaign, scene = _counted_on(site, flashes)
    run, module, size = campaign.pair_run, campaign.pair_module, 2 * site.ice.layers
    if run.size == 0:
        return [_nothing(size)] * len(flashes.run)
    signal = site.light(scene).expected(site.ice)
    pulses = flashes.pulses[run].astype(np.float64)
    dark = pulses * settings.dark_rate_hz * 1e-9 * settings.bin_ns
    limit = pulses * settings.bin_ns * settings.linear_up_to_per_pulse_ns / site.margin
    linear, lost = linear_bins(signal, dark, limit)
    used = linear & late_bins(scene, config.data.earliest)
    light = np.sum(signal * used, axis=1)
    counted = (light + dark * used.sum(axis=1) >= config.data.least_counts) & (
        signal.sum(axis=1) >= detection_limit(dark * signal.shape[1])
    )
    counted &= light > 0.0
    bright = ~linear.all(axis=1)
    per_pulse = signal.sum(axis=1) / pulses
    sums = np.zeros((3, len(flashes.run)))
    for row, values in enumerate((light * counted, bright.astype(float), lost.astype(float))):
        sums[row] = np.bincount(run, values, len(flashes.run))
    brightest = np.zeros(len(flashes.run))
    np.maximum.at(brightest, run, per_pulse)
    pair = np.flatnonzero(counted)
    if pair.size == 0:
        return [_nothing(size)] * len(flashes.run)
    seen = group_pairs(
        campaign,
        pair,
        used[pair],
        signal[pair] + dark[pair, None],
        dark[pair],
        config.data.group_growth,
        site.attitude,
    )
    model = site.light(seen.scene)
    own_error = model.model_error(site.ice, signal[pair])
    shared = alike_pairs(seen.scene, run[pair]) if alike is None else alike[run[pair], module[pair]]
    likelihood = Likelihood(
        seen,
        error_model_of(config),
        signal[pair],
        own_error,
        sharing=shared,
    )
    shape_size, pair_size = likelihood.sizes(site.errors)
    pair_size /= np.sqrt(charge_information(config))
    slopes = model.log_slopes(site.ice, signal[pair], seen.first, seen.stop)
    change = slopes.written_out()
    weighted = weigh(likelihood, site.errors, pair_size**-2.0, change)
    nuisance = information_of_pairs(
        likelihood.slopes, seen.groups, likelihood.weight, shape_size, likelihood.correlation, pair_size, 1.0
    )[1]
    unlit = likelihood.of_dark + dark[pair] * np.sum(seen.scene.bin_edges_ns[1:] <= 0)
    amplitude, offset, noise = np.einsum("pgk,pgi->kpi", likelihood.slopes, weighted, optimize=True)
    cells, told = cells_of(seen.scene), np.einsum("pgi,pgi->p", change, weighted)
    counting = np.einsum("pgi,pg->p", change**2, likelihood.weight)
    result = []
    for i in range(len(flashes.run)):
        at = np.flatnonzero(run[pair] == i)
        result.append(
            Block(
                modules=module[pair[at]],
                layers=change[at].reshape(-1, size).T @ weighted[at].reshape(-1, size),
                amplitude=amplitude[at],
                offset=offset[at],
                noise=noise[at],
                nuisance=nuisance[at],
                dark=unlit[at],
                cells=cells[at],
                alike=shared[at],
                told=told[at],
                counting=counting[at],
                photoelectrons=float(sums[0, i]),
                saturated=int(sums[1, i]),
                lost=int(sums[2, i]),
                brightest_per_pulse=float(brightest[i]),
            )
        )
    return result


def charge_information(config: FitConfig) -> float:
    """Fisher information of one pair's charge error over that of a normal error of the same size.

    The fit's density exp(-d sqrt(d^2 + x^2)), x in sizes, is normal in its middle and exponential beyond d
    (`iceopt.fit.pairs`); the information on its place is the mean of its curvature (1 + x^2/d^2)^(-3/2).
    """
    begins = config.error.tail_begins
    if begins == "never":
        return 1.0
    x = np.linspace(0.0, 40.0 / begins + 40.0, 200_001)
    density = np.exp(begins**2 - begins * np.sqrt(begins**2 + x**2))
    return float(np.sum(density * (1.0 + (x / begins) ** 2) ** -1.5) / np.sum(density))


def detection_limit(dark: Array) -> Array:
    """Least light (photoelectrons) that is told from a background: Currie, Anal. Chem. 40, 586 (1968)."""
    return np.asarray(2.71 + 3.29 * np.sqrt(dark))


def linear_bins(signal: Array, dark: Array, limit: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Bins before any saturation, (pair, bin), and the pairs that have too few of them with light, (pair,).

    As the faults' finder does with counts: `iceopt.campaign.cuts`.
    """
    total = signal + dark[:, None]
    bins = signal.shape[1]
    above = total > limit[:, None]
    saturated_from = np.where(above.any(axis=1), above.argmax(axis=1), bins)
    lit = signal > 5.0 * np.sqrt(dark + 1.0)[:, None]
    first = np.where(lit.any(axis=1), lit.argmax(axis=1), bins)
    lost = (saturated_from < bins) & (saturated_from - first < NEAR_BINS)
    linear = np.arange(bins) < saturated_from[:, None]
    return linear & ~lost[:, None], lost


def _nothing(size: int) -> Block:
    none, no_pairs = np.zeros((0, size)), np.zeros(0)
    no_index = np.zeros(0, dtype=np.int64)
    return Block(
        modules=no_index,
        layers=np.zeros((size, size)),
        amplitude=none,
        offset=none,
        noise=none,
        nuisance=np.zeros((0, 3, 3)),
        dark=no_pairs,
        cells=no_index,
        alike=no_pairs,
        told=no_pairs,
        counting=no_pairs,
        photoelectrons=0.0,
        saturated=0,
        lost=0,
        brightest_per_pulse=0.0,
    )
