"""Small invented campaigns drawn from closed-form diffusion: no file of the project's own is copied.

The light is only as good as its purpose needs: the reader and the fault finder are tested on it, and they
know nothing of the physics. Photon density of a pulsed point source in an infinite scattering medium:
Patterson, Chance, Wilson, Appl. Opt. 28, 2331 (1989), with the two lengths averaged over the depths between
emitter and receiver and nothing before the straight flight.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign, Flashes, Modules, Settings
from iceopt.campaign.write import write_campaign_folder

LIGHT_M_PER_NS = 0.299792458


@dataclass(frozen=True)
class Scenario:
    """What to draw. Modules are named L1-01..., runs R01...; a fault is given by such a name."""

    lines: int = 3
    line_spacing_m: float = 60.0
    modules_per_line: int = 8
    module_spacing_m: float = 16.0
    top_m: float = 1500.0
    flash_every: int = 2
    """Every so many modules of a line flash once."""
    half_window_m: float = 240.0
    photons_per_pulse: float = 2e8
    pulses: int = 200
    scattering_length_m: float = 25.0
    absorption_length_m: float = 100.0
    dust: tuple[float, float, float] = (0.0, 0.0, 1.0)
    """Top and bottom of a band (m), and the factor by which it shortens both lengths."""
    pattern: str = "isotropic"
    brightness_spread: float = 0.2
    efficiency_spread: float = 0.1
    timing_spread_ns: float = 3.0
    dark_rate_hz: float = 500.0
    linear_up_to_per_pulse_ns: float = 1.0
    bin_ns: float = 25.0
    start_ns: float = -500.0
    stop_ns: float = 3000.0
    wavelength_nm: float = 405.0
    dead: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    dark_only: tuple[str, ...] = ()
    """Silent to light, though they count their dark noise."""
    noisy: Mapping[str, float] = field(default_factory=dict)
    """Dark rate (Hz) of the module."""
    mistimed: Mapping[str, float] = field(default_factory=dict)
    """Clock offset (ns) on top of the usual one."""
    brightness: Mapping[str, float] = field(default_factory=dict)
    """Brightness of the run in place of a drawn one: 0 did not fire, far below 1 is weak."""
    seed: int = 1


@dataclass(frozen=True)
class Truth:
    """What the counts were drawn from."""

    scenario: Scenario
    brightness: NDArray[np.float64]
    efficiency: NDArray[np.float64]
    time_offset_ns: NDArray[np.float64]
    expected: NDArray[np.float64]
    """Shape (pair, bin)."""


def make_campaign(folder: str | Path, **changes: object) -> Truth:
    """Draw a campaign with these changes to the scenario and write its folder."""
    campaign, truth = draw_campaign(**changes)
    write_campaign_folder(campaign, folder)
    return truth


def draw_campaign(**changes: object) -> tuple[Campaign, Truth]:
    """Draw a campaign with these changes to the scenario."""
    scenario = replace(Scenario(), **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng(scenario.seed)
    modules, flashes = _modules(scenario), _flashes(scenario, _modules(scenario), rng)
    depth_m = modules.position_m[:, 2]
    window = (depth_m >= flashes.readout_top_m[:, None]) & (depth_m <= flashes.readout_bottom_m[:, None])
    read_out = window & modules.alive
    read_out[np.arange(len(flashes.run)), flashes.emitter] = False
    run, module = np.nonzero(read_out)

    brightness = np.exp(scenario.brightness_spread * rng.standard_normal(len(flashes.run)))
    efficiency = np.exp(scenario.efficiency_spread * rng.standard_normal(len(modules.name)))
    offset_ns = scenario.timing_spread_ns * rng.standard_normal(len(modules.name))
    dark_hz = np.full(len(modules.name), scenario.dark_rate_hz)
    for name, value in scenario.brightness.items():
        brightness[flashes.run.index(name)] = value
    for name, value in scenario.mistimed.items():
        offset_ns[modules.name.index(name)] += value
    for name, value in scenario.noisy.items():
        dark_hz[modules.name.index(name)] = value
    for name in (*scenario.silent, *scenario.dark_only):
        efficiency[modules.name.index(name)] = 0
    for name in scenario.silent:
        dark_hz[modules.name.index(name)] = 0

    light = _light(scenario, modules, flashes, run, module, offset_ns)
    light *= (brightness[run] * efficiency[module])[:, None]
    pulses = flashes.pulses[run, None]
    expected = pulses * (light + dark_hz[module, None] * 1e-9 * scenario.bin_ns)
    counts = _saturated(rng.poisson(expected), pulses * scenario.bin_ns * scenario.linear_up_to_per_pulse_ns)
    campaign = Campaign(_settings(scenario), modules, flashes, run, module, counts)
    return campaign, Truth(scenario, brightness, efficiency, offset_ns, expected)


def _modules(s: Scenario) -> Modules:
    """Lines on rings about the first, all modules of a line at one place but for their depth."""
    xy = [(0.0, 0.0)]
    ring = 1
    while len(xy) < s.lines:
        corners = [60 * k * np.pi / 180 for k in range(6)]
        for k in range(6):
            a, b = np.exp(1j * corners[k]), np.exp(1j * corners[(k + 1) % 6])
            for step in range(ring):
                place = s.line_spacing_m * (a * (ring - step) + b * step)
                xy.append((round(place.real, 3), round(place.imag, 3)))
        ring += 1
    slots = np.arange(s.modules_per_line)
    depth_m = s.top_m + s.module_spacing_m * slots
    names = tuple(f"L{line + 1}-{slot + 1:02d}" for line in range(s.lines) for slot in slots)
    return Modules(
        name=names,
        line=tuple(name.partition("-")[0] for name in names),
        slot=np.tile(slots + 1, s.lines),
        position_m=np.array([(*xy[line], depth) for line in range(s.lines) for depth in depth_m]),
        relative_efficiency=np.ones(len(names)),
        alive=np.array([name not in s.dead for name in names]),
    )


def _flashes(s: Scenario, modules: Modules, rng: np.random.Generator) -> Flashes:
    slot = modules.slot - 1
    line = np.repeat(np.arange(s.lines), s.modules_per_line)
    emitter = np.flatnonzero((slot + line) % s.flash_every == 0)
    depth_m = modules.position_m[emitter, 2]
    single = s.pattern == "single"
    return Flashes(
        run=tuple(f"R{k + 1:02d}" for k in range(emitter.size)),
        emitter=emitter,
        photons_per_pulse=np.full(emitter.size, s.photons_per_pulse),
        pulses=np.full(emitter.size, s.pulses),
        readout_top_m=depth_m - s.half_window_m,
        readout_bottom_m=depth_m + s.half_window_m,
        azimuth_deg=rng.integers(0, 3, emitter.size) * 120.0 if single else np.full(emitter.size, np.nan),
    )


def _light(
    s: Scenario,
    modules: Modules,
    flashes: Flashes,
    run: NDArray[np.int64],
    module: NDArray[np.int64],
    offset_ns: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Photoelectrons per pulse, shape (pair, bin), at brightness and efficiency 1."""
    start, stop = modules.position_m[flashes.emitter[run]], modules.position_m[module]
    distance_m = np.linalg.norm(stop - start, axis=1)
    along = start[:, 2, None] + (stop - start)[:, 2, None] * (np.arange(64) + 0.5) / 64
    dusty = np.where((along >= s.dust[0]) & (along < s.dust[1]), s.dust[2], 1.0).mean(axis=1)
    le, la = s.scattering_length_m / dusty, s.absorption_length_m / dusty

    fine = 5
    steps = round((s.stop_ns - s.start_ns) / s.bin_ns) * fine
    t = s.start_ns + (np.arange(steps) + 0.5) * s.bin_ns / fine - offset_ns[module, None]
    speed = LIGHT_M_PER_NS / 1.337
    spread = np.asarray(4 * speed * le / 3)[:, None]
    late = t > distance_m[:, None] / speed
    t = np.where(late, t, 1.0)
    density = np.exp(-(distance_m[:, None] ** 2) / (spread * t) - speed * t / la[:, None])
    fluence_rate = speed * density / (np.pi * spread * t) ** 1.5
    fluence = np.where(late, fluence_rate, 0.0).reshape(len(run), -1, fine).mean(axis=2) * s.bin_ns
    return 0.003 * flashes.photons_per_pulse[run, None] * fluence


def _saturated(counts: NDArray[np.int64], linear: NDArray[np.float64]) -> NDArray[np.int32]:
    """Above the linear range the response bends; it recovers only slowly."""
    bent = np.minimum(counts, linear) + 5 * linear * (1 - np.exp(-np.maximum(counts / linear - 1, 0) / 5))
    tired = np.cumsum(counts > linear, axis=1) > 0
    return np.where(tired, 0.9 * bent, counts).astype(np.int32)


def _settings(s: Scenario) -> Settings:
    return Settings(
        site="Skarv Dome",
        season="2040",
        note="Invented scenario drawn from closed-form diffusion.",
        wavelength_nm=s.wavelength_nm,
        group_index=1.337,
        scattering_anisotropy=0.9,
        emitter_pattern=s.pattern,
        elevation_deg=0.0,
        elevation_spread_deg=0.0 if s.pattern == "isotropic" else 12.0,
        brightness_spread=s.brightness_spread,
        effective_area_m2=0.003,
        acceptance_slope=0.6,
        efficiency_spread=s.efficiency_spread,
        dark_rate_hz=s.dark_rate_hz,
        linear_up_to_per_pulse_ns=s.linear_up_to_per_pulse_ns,
        timing_spread_ns=s.timing_spread_ns,
        bin_ns=s.bin_ns,
        start_ns=s.start_ns,
        stop_ns=s.stop_ns,
    )


def two_layers_toml(**sampler: object) -> str:
    """Settings of a quick closed-form fit of two layers, with these of its sampler."""
    lines = [f"{name} = {value!r}".replace("'", '"') for name, value in sampler.items()]
    return "\n".join(
        [
            "[layers]",
            "edges_m = [1490, 1560, 1620]",
            "[model]",
            'name = "closed-form"',
            "[sampler]",
            *lines,
            "",
        ]
    )
