"""A scenario: what a simulated campaign is made of, read from TOML and checked key by key."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from iceopt.campaign.model import Flashes, Modules, Settings
from iceopt.campaign.scenario import (
    Flashing,
    Line,
    Name,
    Positive,
    emitters_of,
    modules_on,
    read_scenario_file,
    refuse_unknown,
)
from iceopt.campaign.settings import Number, Section, settings_from_sections
from iceopt.errors import InputError
from iceopt.ice.attitude import Attitude
from iceopt.ice.layers import Ice
from iceopt.light.tracking.tables import PhaseFunction, henyey_greenstein
from iceopt.simulate.layers import ice_from_csv, ice_from_rows


class _Flashes(Flashing):
    """What each flash is."""

    photons_per_pulse: Positive
    pulses: Annotated[int, Field(ge=1)]


class _Attitude(Section):
    """How the ice lies (`iceopt.ice.attitude`), as in a fit's configuration."""

    slope: Annotated[list[Number], Field(min_length=2, max_length=2)] = [0.0, 0.0]
    stretch: Annotated[list[Number], Field(min_length=2, max_length=2)] = [0.0, 0.0]


class _Dust(Section):
    """Grains whose Mie phase function takes the place of Henyey and Greenstein's."""

    median_radius_um: Positive
    geometric_sd: Annotated[Number, Field(gt=1)]
    refractive_index: Annotated[Number, Field(gt=1)]
    absorption_index: Annotated[Number, Field(ge=0)] = 0.0
    ice_index: Annotated[Number, Field(ge=1)] = 1.32


class _Tracking(Section):
    photons: Annotated[int, Field(ge=1)]
    device: Literal["cpu", "gpu"] = "cpu"


class _Faults(Section):
    """Faults by module or run; runs are R001, R002... in the order of the flashes."""

    dead: list[Name] = []
    silent: list[Name] = []
    noisy_hz: dict[str, Annotated[Number, Field(ge=0)]] = {}
    mistimed_ns: dict[str, Number] = {}
    brightness: dict[str, Annotated[Number, Field(ge=0)]] = {}
    """By run, in place of a drawn one: 0 did not fire, far below 1 is weak."""


class _File(Section):
    seed: Annotated[int, Field(ge=0, lt=2**63)]
    layers: list[Annotated[list[Number], Field(min_length=4, max_length=4)]] = []
    """Rows of top, bottom, scattering length and absorption length (m)."""
    layers_file: Name | None = None
    attitude: _Attitude = _Attitude()
    lines: Annotated[list[Line], Field(min_length=1)]
    flashes: _Flashes
    tracking: _Tracking
    dust: _Dust | None = None
    faults: _Faults = _Faults()


@dataclass(frozen=True)
class Scenario:
    """All that a simulated campaign is drawn from."""

    seed: int
    settings: Settings
    ice: Ice
    """At x = y = 0, if it does not lie level."""
    attitude: Attitude
    phase: PhaseFunction
    modules: Modules
    flashes: Flashes
    photons: int
    """Tracked for each depth of emitters."""
    device: str
    silent: tuple[str, ...]
    noisy_hz: dict[str, float]
    mistimed_ns: dict[str, float]
    brightness: dict[str, float]


def read_scenario(path: str | Path) -> Scenario:
    """Read and check a scenario (layout: docs/tracking.md).

    Raises
    ------
    InputError
        If it cannot be read or anything in it is not as expected; names the key.
    """
    path = Path(path)
    file, sections = read_scenario_file(path, _File)
    phase = _phase(file, sections, str(path))
    settings = settings_from_sections(sections, str(path))
    ice = _ice(file, path)
    modules = modules_on(file.lines, file.faults.dead, str(path))
    flashes = _flashes(file, settings, modules, str(path))
    attitude = Attitude(*file.attitude.slope, *file.attitude.stretch)
    _refuse_outside(ice, attitude, modules, flashes, str(path))
    _refuse_unknown(file.faults, modules, flashes, str(path))
    return Scenario(
        seed=file.seed,
        settings=settings,
        ice=ice,
        attitude=attitude,
        phase=phase or henyey_greenstein(settings.scattering_anisotropy),
        modules=modules,
        flashes=flashes,
        photons=file.tracking.photons,
        device=file.tracking.device,
        silent=tuple(file.faults.silent),
        noisy_hz=file.faults.noisy_hz,
        mistimed_ns=file.faults.mistimed_ns,
        brightness=file.faults.brightness,
    )


def _phase(file: _File, sections: dict[str, Any], where: str) -> PhaseFunction | None:
    """The phase function of dust, whose mean cosine the campaign's settings then tell."""
    if file.dust is None:
        return None
    optics = sections.get("optics", {})
    if "scattering_anisotropy" in optics:
        raise InputError(
            f"{where}: [optics] scattering_anisotropy and [dust] both say how ice scatters; keep one"
        )
    wavelength = optics.get("wavelength_nm")
    if not isinstance(wavelength, int | float) or not wavelength > 0:
        return None  # for the settings to refuse
    from iceopt.light.tracking.dust import dust_phase_function

    dust = file.dust
    index = complex(dust.refractive_index, dust.absorption_index)
    phase = dust_phase_function(wavelength, dust.median_radius_um, dust.geometric_sd, index, dust.ice_index)
    sections["optics"] = optics | {"scattering_anisotropy": round(phase.anisotropy, 6)}
    return phase


def _ice(file: _File, path: Path) -> Ice:
    if bool(file.layers) == (file.layers_file is not None):
        found = "both" if file.layers else "neither"
        raise InputError(f"{path}: expected either layers or layers_file; found {found}")
    if file.layers_file is not None:
        return ice_from_csv(path.parent / file.layers_file)
    return ice_from_rows(file.layers, str(path))


def _flashes(file: _File, settings: Settings, modules: Modules, where: str) -> Flashes:
    flashes = file.flashes
    emitters = emitters_of(flashes, settings, modules, where)
    emitters = [i for i in emitters if modules.alive[i]]
    if not emitters:
        raise InputError(f"{where}: [flashes] leaves no emitter that is not dead")
    emitter = np.repeat(emitters, max(1, len(flashes.azimuths_deg)))
    depth = modules.position_m[emitter, 2]
    azimuth = np.tile(flashes.azimuths_deg or [np.nan], len(emitters))
    return Flashes(
        run=tuple(f"R{n:03d}" for n in range(1, emitter.size + 1)),
        emitter=emitter.astype(np.int64),
        photons_per_pulse=np.full(emitter.size, flashes.photons_per_pulse),
        pulses=np.full(emitter.size, flashes.pulses),
        readout_top_m=np.maximum(0.0, depth - flashes.half_window_m),
        readout_bottom_m=depth + flashes.half_window_m,
        azimuth_deg=azimuth,
    )


def _refuse_outside(ice: Ice, attitude: Attitude, modules: Modules, flashes: Flashes, where: str) -> None:
    top, bottom = ice.edges_m[0], ice.edges_m[-1]
    for i in flashes.emitter:
        depth = float(attitude.depth_m(modules.position_m[[i]])[0])
        if not top <= depth <= bottom:
            raise InputError(
                f"{where}: the emitter {modules.name[i]} lies at {depth:g} m, outside every layer "
                f"({top:g} to {bottom:g} m); add layers or move the line"
            )


def _refuse_unknown(faults: _Faults, modules: Modules, flashes: Flashes, where: str) -> None:
    for key in _Faults.model_fields:
        known, what = (flashes.run, "run") if key == "brightness" else (modules.name, "module")
        refuse_unknown(f"[faults] {key}", getattr(faults, key), known, where, what)
