"""A planned campaign, read from TOML and checked key by key (docs/plan.md)."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from iceopt.campaign.model import Modules, Settings
from iceopt.campaign.read import modules_of
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
from iceopt.campaign.tables import read_bytes, table_from_file
from iceopt.errors import InputError
from iceopt.fit.config import FitConfig, read_config
from iceopt.ice.attitude import Attitude
from iceopt.ice.layers import Ice
from iceopt.ice.table import read_layer_table
from iceopt.plan.cautions import Deck, Phototube
from iceopt.plan.choose import Criterion
from iceopt.plan.ice import TYPICAL, profile_ice, result_ice
from iceopt.plan.site import Candidates, Site, candidates_of, expected_errors, light_model, onto_layers
from iceopt.simulate.layers import ice_from_rows


class _Ice(Section):
    """One of these."""

    result: Name | None = None
    layers_file: Name | None = None
    layers: list[Annotated[list[Number], Field(min_length=4, max_length=4)]] | None = None
    profile: list[Annotated[list[Number], Field(min_length=3, max_length=3)]] | None = None
    typical: Literal[True] | None = None


class _Flashes(Flashing):
    """What could be flashed."""

    photons_per_pulse: Annotated[list[Positive], Field(min_length=1)]
    pulses: Annotated[list[Annotated[int, Field(ge=1)]], Field(min_length=1)]
    longest_range_m: Positive = 350.0
    linear_margin: Annotated[Number, Field(ge=1)] = 1.5


class _Budget(Section):
    """What a flash costs, how much there is, and what for."""

    pulse_rate_hz: Positive
    setup_s: Annotated[Number, Field(ge=0)]
    flasher_hours: Positive | None = None
    criterion: Literal["mean", "worst"] = "mean"
    depth_range_m: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = None
    lengths: Literal["both", "scattering", "absorption"] = "both"


class _Detection(Section):
    earlier: Name | None = None
    error_rate: Annotated[Number, Field(gt=0, lt=1)] = 0.05
    power: Annotated[Number, Field(gt=0, lt=1)] = 0.9


class _Deck(Section):
    distance_m: Positive
    exposure_s: Positive
    source_diameter_m: Positive
    steady_power_w: Positive | None = None


class _Phototube(Section):
    high_voltage_v: Positive
    gain: Positive
    largest_mean_current_a: Positive


class _File(Section):
    ice: _Ice
    fit_config: Name | None = None
    lines: list[Line] = []
    modules_file: Name | None = None
    dead: list[Name] = []
    flashes: _Flashes
    budget: _Budget
    detection: _Detection = _Detection()
    deck: _Deck | None = None
    phototube: _Phototube | None = None


@dataclass(frozen=True)
class PlanScenario:
    """All that a plan is made from."""

    site: Site
    candidates: Candidates
    criterion: Criterion
    pulse_rate_hz: float
    flasher_hours: float | None
    """Budget; none: everything is flashed."""
    earlier: Path | None
    """Result to compare with; none: an earlier season like the planned one."""
    error_rate: float
    power: float
    deck: Deck | None
    phototube: Phototube | None


def read_plan_scenario(path: str | Path) -> PlanScenario:
    """Read and check a scenario.

    Raises
    ------
    InputError
        If it, or a file it names, cannot be read or anything in it is not as expected; names the key.
    """
    path = Path(path)
    file, sections = read_scenario_file(path, _File)
    settings = settings_from_sections(sections, str(path))
    config = read_config(None if file.fit_config is None else path.parent / file.fit_config)
    modules = _modules(file, path)
    ice, errors, attitude = _ice(file.ice, config, path)
    planned = onto_layers(ice, config, modules)
    site = Site(
        settings,
        modules,
        planned,
        config,
        errors,
        light_model(config),
        file.flashes.longest_range_m,
        file.flashes.linear_margin,
        attitude,
    )
    budget = file.budget
    return PlanScenario(
        site=site,
        candidates=_candidates(file, settings, modules, path),
        criterion=Criterion(_wanted(budget, planned, path), budget.criterion == "worst"),
        pulse_rate_hz=budget.pulse_rate_hz,
        flasher_hours=budget.flasher_hours,
        earlier=None if file.detection.earlier is None else path.parent / file.detection.earlier,
        error_rate=file.detection.error_rate,
        power=file.detection.power,
        deck=None if file.deck is None else Deck(**file.deck.model_dump()),
        phototube=None if file.phototube is None else Phototube(**file.phototube.model_dump()),
    )


def _modules(file: _File, path: Path) -> Modules:
    if bool(file.lines) == (file.modules_file is not None):
        found = "both" if file.lines else "neither"
        raise InputError(f"{path}: expected either [[lines]] or modules_file; found {found}")
    if file.modules_file is None:
        names = [name for line in file.lines for name in line.module_names]
        refuse_unknown("dead", file.dead, names, str(path))
        return modules_on(file.lines, file.dead, str(path))
    if file.dead:
        raise InputError(f"{path}: dead goes with [[lines]]; {file.modules_file} has its own column 'state'")
    table_path = path.parent / file.modules_file
    content, _ = read_bytes(table_path)
    return modules_of(table_from_file(table_path, content))


def _ice(given: _Ice, config: FitConfig, path: Path) -> tuple[Ice, NDArray[np.float64], Attitude]:
    """Expected ice, the sizes of the light model's errors, and how the ice lies.

    It lies as the configuration gives it; what that leaves to be found, as a result has it.
    """
    named = [key for key in _Ice.model_fields if getattr(given, key) is not None]
    if len(named) != 1:
        found = " and ".join(named) or "none"
        raise InputError(f"{path}: [ice] needs one of {', '.join(_Ice.model_fields)}; found {found}")
    lies = config.attitude.given
    if given.result is not None:
        ice, errors, found_to_lie = result_ice(path.parent / given.result)
        values = np.where(config.attitude.free, found_to_lie.values, lies.values)
        return ice, errors, Attitude(*values.tolist())
    errors = expected_errors(config)
    if given.layers_file is not None:
        return read_layer_table(path.parent / given.layers_file), errors, lies
    if given.layers is not None:
        return ice_from_rows(given.layers, f"{path}, [ice]"), errors, lies
    return profile_ice(given.profile or TYPICAL, f"{path}, [ice]"), errors, lies


def _candidates(file: _File, settings: Settings, modules: Modules, path: Path) -> Candidates:
    flashes, budget = file.flashes, file.budget
    emitters = list(dict.fromkeys(emitters_of(flashes, settings, modules, str(path))))
    options = [(photons, pulses) for photons in flashes.photons_per_pulse for pulses in flashes.pulses]
    if budget.flasher_hours is None and len(options) > 1:
        raise InputError(
            f"{path}: without [budget] flasher_hours everything is flashed, so [flashes] photons_per_pulse "
            f"and pulses must be one number each; found {len(options)} combinations"
        )

    def hours_of(pulses: int) -> float:
        return (pulses / budget.pulse_rate_hz + budget.setup_s) / 3600.0

    azimuths = tuple(dict.fromkeys(flashes.azimuths_deg)) or (np.nan,)
    found = candidates_of(
        modules, list(dict.fromkeys(emitters)), options, flashes.half_window_m, hours_of, azimuths
    )
    if budget.flasher_hours is not None and found.hours.min() > budget.flasher_hours:
        raise InputError(
            f"{path}: [budget] flasher_hours is {budget.flasher_hours:g}; the shortest flash takes "
            f"{found.hours.min():.3g} hours"
        )
    return found


def _wanted(budget: _Budget, ice: Ice, path: Path) -> NDArray[np.bool_]:
    top, bottom = budget.depth_range_m or (-np.inf, np.inf)
    layers = (ice.edges_m[1:] > top) & (ice.edges_m[:-1] < bottom)
    if not layers.any():
        raise InputError(
            f"{path}: [budget] depth_range_m {top:g} to {bottom:g} m holds none of the layers from "
            f"{ice.edges_m[0]:g} to {ice.edges_m[-1]:g} m"
        )
    return np.concatenate(
        [layers & (budget.lengths != "absorption"), layers & (budget.lengths != "scattering")]
    )
