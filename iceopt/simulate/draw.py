"""From a scenario to a campaign: tracked light, nuisances, faults, and Poisson counts."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign
from iceopt.campaign.settings import bins_of
from iceopt.light.model import Scene
from iceopt.light.scene import scene_of
from iceopt.light.tracking.fluence import fluence
from iceopt.light.tracking.receivers import Receivers
from iceopt.simulate.scenario import Scenario

Floats = NDArray[np.float64]
FINE = 5
"""Parts of a time bin in which light is tracked, so that clocks can be late by less than a bin."""

_PLACE_M = 0.01
_BEARING_DEG = 0.1
"""Pairs of emitters and receivers closer than these share their light."""


@dataclass(frozen=True)
class Truth:
    """What the counts were drawn from; with one entry a run, a module or a pair."""

    brightness: Floats
    efficiency: Floats
    time_offset_ns: Floats
    dark_rate_hz: Floats
    signal_error: Floats
    """Shape (pair,): relative statistical error of the tracked charge; 1 where nothing arrived."""
    expected: Floats
    """Shape (pair, bin)."""
    photons: int
    collisions: int


def draw_campaign(
    scenario: Scenario, progress: Callable[[float], None] | None = None
) -> tuple[Campaign, Truth]:
    """Draw a campaign.

    Every random choice has its own stream, so that a fault added to the scenario changes nothing else.
    """
    empty = _without_counts(scenario)
    scene = scene_of(empty, scenario.attitude)
    light, error, photons, collisions = _tracked_light(scenario, scene, progress)
    brightness, efficiency, offset = _nuisances(scenario)
    dark = np.full(len(scenario.modules.name), scenario.settings.dark_rate_hz)
    for name, rate in scenario.noisy_hz.items():
        dark[scenario.modules.name.index(name)] = rate
    run, module = empty.pair_run, empty.pair_module
    pulses = scenario.flashes.pulses[run][:, None]
    late = _late(light, offset[module] / (scenario.settings.bin_ns / FINE))
    expected = (brightness[run] * efficiency[module])[:, None] * late
    expected += pulses * (dark[module] * scenario.settings.bin_ns * 1e-9)[:, None]
    per_bin = scenario.settings.linear_up_to_per_pulse_ns * scenario.settings.bin_ns
    linear = np.asarray(pulses * per_bin, dtype=np.float64)
    expected = _compressed(expected, linear)
    expected[np.isin(module, [scenario.modules.name.index(name) for name in scenario.silent])] = 0.0
    counts = np.random.default_rng([scenario.seed, 4]).poisson(expected).astype(np.int32)
    truth = Truth(brightness, efficiency, offset, dark, error, expected, photons, collisions)
    return replace(empty, counts=counts), truth


def _without_counts(scenario: Scenario) -> Campaign:
    """The campaign with its pairs, all counts zero."""
    modules, flashes = scenario.modules, scenario.flashes
    depth = modules.position_m[:, 2]
    read = (
        modules.alive
        & (depth >= flashes.readout_top_m[:, None])
        & (depth <= flashes.readout_bottom_m[:, None])
    )
    read[np.arange(len(flashes.run)), flashes.emitter] = False
    run, module = np.nonzero(read)
    counts = np.zeros((run.size, bins_of(scenario.settings)), dtype=np.int32)
    return Campaign(scenario.settings, modules, flashes, run, module, counts)


def _tracked_light(
    scenario: Scenario, scene: Scene, progress: Callable[[float], None] | None
) -> tuple[Floats, Floats, int, int]:
    """Expected counts [pair, fine bin] at brightness and efficiency 1, and the charges' relative errors.

    Flat layers, or seen as such: the light depends on the depths, the distance and, for a single LED, the
    bearing alone.
    """
    fine_edges = np.linspace(
        scene.bin_edges_ns[0], scene.bin_edges_ns[-1], FINE * (scene.bin_edges_ns.size - 1) + 1
    )
    bearing = np.abs(np.remainder(scene.bearing_deg - scene.azimuth_deg + 180, 360) - 180)
    keys = np.column_stack(
        [
            np.rint(scene.emitter_depth_m / _PLACE_M),
            np.rint(scene.receiver_depth_m / _PLACE_M),
            np.rint(scene.distance_m / _PLACE_M),
            np.nan_to_num(np.rint(bearing / _BEARING_DEG), nan=-1.0),
        ]
    )
    classes, of_pair = np.unique(keys, axis=0, return_inverse=True)
    emitter_depth, emitter = np.unique(classes[:, 0], return_inverse=True)
    f = fluence(
        scenario.ice,
        emitter_depth * _PLACE_M,
        Receivers(
            emitter=emitter.astype(np.int64),
            distance_m=classes[:, 2] * _PLACE_M,
            depth_m=classes[:, 1] * _PLACE_M,
            bearing_deg=np.where(classes[:, 3] < 0, np.nan, classes[:, 3] * _BEARING_DEG),
        ),
        fine_edges,
        group_index=scene.group_index,
        emission=scene.emission,
        phase=scenario.phase,
        photons=scenario.photons,
        seed=scenario.seed,
        batches=16,
        device=scenario.device,
        progress=progress,
    )
    signal = f.h0 - scene.acceptance_slope * f.h1
    error = np.divide(f.charge_error, f.charge, out=np.ones_like(f.charge), where=f.charge > 0)
    of_pair = of_pair.ravel()
    light = (scene.photons * scene.effective_area_m2)[:, None] * signal[of_pair]
    return light, error[of_pair], f.photons, f.collisions


def _nuisances(scenario: Scenario) -> tuple[Floats, Floats, Floats]:
    """Brightness of the runs, efficiency and clock offset (ns) of the modules."""
    settings, modules, flashes = scenario.settings, scenario.modules, scenario.flashes
    runs, number = len(flashes.run), len(modules.name)
    brightness = np.exp(np.random.default_rng([scenario.seed, 1]).normal(0, settings.brightness_spread, runs))
    efficiency = modules.relative_efficiency * np.exp(
        np.random.default_rng([scenario.seed, 2]).normal(0, settings.efficiency_spread, number)
    )
    offset = np.random.default_rng([scenario.seed, 3]).normal(0, settings.timing_spread_ns, number)
    for name, value in scenario.brightness.items():
        brightness[flashes.run.index(name)] = value
    for name, value in scenario.mistimed_ns.items():
        offset[modules.name.index(name)] += value
    return brightness, efficiency, offset


def _late(fine: Floats, steps: Floats) -> Floats:
    """Light [pair, fine bin] in whole bins, read off clocks that are late by a number of fine bins [pair]."""
    pairs, parts = fine.shape
    out = np.empty((pairs, parts // FINE))
    place = np.arange(0, parts + 1, FINE)
    for p in range(pairs):
        cumulative = np.concatenate(([0.0], np.cumsum(fine[p])))
        out[p] = np.diff(np.interp(place - steps[p], np.arange(parts + 1), cumulative))
    return out


def _compressed(expected: Floats, linear: Floats) -> Floats:
    """Counts of a response that grows as 1 + ln(x) above its linear range (an invented form)."""
    ratio = np.maximum(expected / linear, 1.0)
    return np.minimum(expected, linear) * (1 + np.log(ratio))
