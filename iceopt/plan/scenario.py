"""A planned campaign, read from TOML and checked key by key (docs/plan.md)."""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from iceopt.campaign.model import Modules
from iceopt.campaign.read import modules_of
from iceopt.campaign.settings import SECTIONS, settings_from_sections
from iceopt.campaign.tables import read_bytes, table_from_file
from iceopt.errors import InputError
from iceopt.fit.config import FitConfig, read_config
from iceopt.ice.attitude import Attitude
from iceopt.ice.layers import Ice
from iceopt.ice.table import read_layer_table
from iceopt.plan.cautions import Deck, Phototube
from iceopt.plan.choose import Criterion
from iceopt.plan.ice import TYPICAL, profile_ice, result_attitude, result_ice
from iceopt.plan.site import Candidates, Site, candidates_of, expected_errors, light_model, onto_layers
from iceopt.simulate.layers import ice_from_rows
from iceopt.simulate.scenario import Line, modules_on, sentence_of

Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[Number, Field(gt=0)]
Name = Annotated[str, Field(min_length=1)]
Row = Annotated[list[Number], Field(min_length=3, max_length=4)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Ice(_Section):
    """One of these."""

    result: Name | None = None
    layers_file: Name | None = None
    layers: list[Annotated[list[Number], Field(min_length=4, max_length=4)]] | None = None
    profile: list[Annotated[list[Number], Field(min_length=3, max_length=3)]] | None = None
    typical: Literal[True] | None = None


class _Flashes(_Section):
    """What could be flashed."""

    every: Annotated[int, Field(ge=1)] | None = None
    emitters: list[Name] = []
    azimuths_deg: list[Annotated[Number, Field(ge=-360, le=360)]] = []
    photons_per_pulse: Annotated[list[Positive], Field(min_length=1)]
    pulses: Annotated[list[Annotated[int, Field(ge=1)]], Field(min_length=1)]
    half_window_m: Positive
    longest_range_m: Positive = 350.0
    linear_margin: Annotated[Number, Field(ge=1)] = 1.5


class _Budget(_Section):
    """What a flash costs, how much there is, and what for."""

    pulse_rate_hz: Positive
    setup_s: Annotated[Number, Field(ge=0)]
    flasher_hours: Positive | None = None
    criterion: Literal["mean", "worst"] = "mean"
    depth_range_m: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = None
    lengths: Literal["both", "scattering", "absorption"] = "both"


class _Detection(_Section):
    earlier: Name | None = None
    error_rate: Annotated[Number, Field(gt=0, lt=1)] = 0.05
    power: Annotated[Number, Field(gt=0, lt=1)] = 0.9


class _Deck(_Section):
    distance_m: Positive
    exposure_s: Positive
    source_diameter_m: Positive
    steady_power_w: Positive | None = None


class _Phototube(_Section):
    high_voltage_v: Positive
    gain: Positive
    largest_mean_current_a: Positive


class _File(_Section):
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
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML: {error}") from error
    try:
        file = _File.model_validate({key: value for key, value in content.items() if key not in SECTIONS})
    except ValidationError as error:
        raise InputError(f"{path}: {sentence_of(error)}") from error
    settings = settings_from_sections({k: v for k, v in content.items() if k in SECTIONS}, str(path))
    config = read_config(None if file.fit_config is None else path.parent / file.fit_config)
    if settings.single_leds != bool(file.flashes.azimuths_deg):
        raise InputError(
            f"{path}: [flashes] azimuths_deg, where the LEDs of an emitter point, goes with the emitter "
            f"pattern 'single', and only with it; the pattern is {settings.emitter_pattern!r}"
        )
    modules = _modules(file, path)
    ice, errors = _ice(file.ice, config, path)
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
        _attitude(file.ice, config, path),
    )
    budget = file.budget
    return PlanScenario(
        site=site,
        candidates=_candidates(file, modules, path),
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
        _refuse_unknown("dead", file.dead, [_name for line in file.lines for _name in _names(line)], path)
        return modules_on(file.lines, file.dead, str(path))
    if file.dead:
        raise InputError(f"{path}: dead goes with [[lines]]; {file.modules_file} has its own column 'state'")
    table_path = path.parent / file.modules_file
    content, _ = read_bytes(table_path)
    return modules_of(table_from_file(table_path, content))


def _names(line: Line) -> list[str]:
    return [f"{line.name}-{i + 1:02d}" for i in range(line.modules)]


def _ice(given: _Ice, config: FitConfig, path: Path) -> tuple[Ice, NDArray[np.float64]]:
    """Expected ice, and the sizes of the light model's errors."""
    named = [key for key in _Ice.model_fields if getattr(given, key) is not None]
    if len(named) != 1:
        found = " and ".join(named) or "none"
        raise InputError(f"{path}: [ice] needs one of {', '.join(_Ice.model_fields)}; found {found}")
    if given.result is not None:
        return result_ice(path.parent / given.result)
    errors = expected_errors(config)
    if given.layers_file is not None:
        return read_layer_table(path.parent / given.layers_file), errors
    if given.layers is not None:
        return ice_from_rows(given.layers, f"{path}, [ice]"), errors
    return profile_ice(given.profile or TYPICAL, f"{path}, [ice]"), errors


def _attitude(given: _Ice, config: FitConfig, path: Path) -> Attitude:
    """How the ice lies: as the configuration gives it; what that leaves to be found, as a result has it."""
    lies = config.attitude.given
    if given.result is None:
        return lies
    found = result_attitude(path.parent / given.result)
    return Attitude(*np.where(config.attitude.free, found.values, lies.values).tolist())


def _candidates(file: _File, modules: Modules, path: Path) -> Candidates:
    flashes, budget = file.flashes, file.budget
    if (flashes.every is None) == (not flashes.emitters):
        raise InputError(f"{path}: [flashes] needs either every or emitters")
    options = [(photons, pulses) for photons in flashes.photons_per_pulse for pulses in flashes.pulses]
    if budget.flasher_hours is None and len(options) > 1:
        raise InputError(
            f"{path}: without [budget] flasher_hours everything is flashed, so [flashes] photons_per_pulse "
            f"and pulses must be one number each; found {len(options)} combinations"
        )
    if flashes.every is None:
        _refuse_unknown("[flashes] emitters", flashes.emitters, modules.name, path)
        emitters = [modules.name.index(name) for name in dict.fromkeys(flashes.emitters)]
    else:
        emitters = np.flatnonzero((modules.slot - 1) % flashes.every == 0).tolist()

    def hours_of(pulses: int) -> float:
        return (pulses / budget.pulse_rate_hz + budget.setup_s) / 3600.0

    azimuths = tuple(dict.fromkeys(flashes.azimuths_deg)) or (np.nan,)
    found = candidates_of(modules, emitters, options, flashes.half_window_m, hours_of, azimuths)
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


def _refuse_unknown(key: str, names: list[str], known: Any, path: Path) -> None:
    unknown = [name for name in names if name not in known]
    if unknown:
        raise InputError(f"{path}: {key} names {unknown[0]!r}, which is no module")
