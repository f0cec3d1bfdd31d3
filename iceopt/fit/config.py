"""What a fit can be told: every setting with its default, read from a TOML file."""

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from iceopt.errors import InputError
from iceopt.ice.attitude import Attitude

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class LayersConfig(_Section):
    """Layer grid: explicit edges, or a thickness between two depths (default: around the modules)."""

    thickness_m: Positive = 10.0
    margin_m: NotNegative = 50.0
    """How far the grid goes on above and below the modules, where light still goes and comes back."""
    top_m: Finite | None = None
    bottom_m: Finite | None = None
    edges_m: tuple[Finite, ...] | None = None

    @model_validator(mode="after")
    def _increasing(self) -> "LayersConfig":
        if self.edges_m is not None:
            if len(self.edges_m) < 2 or any(
                b <= a for a, b in zip(self.edges_m, self.edges_m[1:], strict=False)
            ):
                raise ValueError("edges_m must be two depths or more that increase")
        elif self.top_m is not None and self.bottom_m is not None and self.bottom_m <= self.top_m:
            raise ValueError("bottom_m must be deeper than top_m")
        return self


class AttitudeConfig(_Section):
    """How the ice lies (`iceopt.ice.attitude`): given, or found where the counts speak up for it."""

    slope: tuple[Finite, Finite] | Literal["found"] = "found"
    """How much deeper every layer lies with each metre along x and along y."""
    stretch: tuple[Finite, Finite] | Literal["found"] = "found"
    """Of distances as light sees them: cos and sin parts in twice the bearing."""

    @property
    def given(self) -> Attitude:
        """The attitude as far as it is given; zero for what is to be found."""
        slope, stretch = ((0.0, 0.0) if part == "found" else part for part in (self.slope, self.stretch))
        return Attitude(*slope, *stretch)

    @property
    def free(self) -> tuple[bool, bool, bool, bool]:
        """Which of the four numbers are to be found."""
        slope, stretch = self.slope == "found", self.stretch == "found"
        return slope, slope, stretch, stretch


class ModelConfig(_Section):
    """Which light model."""

    name: Literal["layered-moments", "closed-form"] = "layered-moments"
    """Layered P_N transport; or closed-form diffusion, for first looks only."""
    order: Annotated[int, Field(ge=1, le=9)] = 5
    """Order of the layered model, evaluated at the best ice found so far."""
    lifted_to: Annotated[int, Field(ge=1, le=9)] | Literal["auto", "none"] = "auto"
    """Order whose Laplace moments it is given there; auto: 9 from order 5 on, none below."""
    moments_order: Annotated[int, Field(ge=1, le=9)] | Literal["none"] = 5
    """Order of the Laplace moments that carry it to the ice around; none: the layered model everywhere."""
    steered: bool = True
    """Whether draws are judged by moments of order 3 with the values and slopes of those at the maximum."""
    most_renewals: Annotated[int, Field(ge=0)] = 20
    """How often it is made anew at most, until the ice moves by less than a tenth of its error."""

    @model_validator(mode="after")
    def _lifts_upwards(self) -> "ModelConfig":
        if isinstance(self.lifted_to, int) and not 3 <= self.order < self.lifted_to:
            raise ValueError("lifted_to must be above order, and order 3 at least")
        return self


class DataConfig(_Section):
    """Which counts enter."""

    earliest: NotNegative = 1.1
    """Bins that begin before this many straight-line times of flight are left out."""
    group_growth: NotNegative = 0.15
    """Neighbouring bins are joined while the group is narrower than this part of its time."""
    least_counts: NotNegative = 20.0
    """Pairs with fewer counts are left out."""


class NormalConfig(_Section):
    """A normal prior of one number."""

    mean: Finite
    sd: Positive


class SizeConfig(_Section):
    """A log-normal prior of one positive number: its median, and the spread of its logarithm."""

    median: Positive
    spread: Positive


class ErrorConfig(_Section):
    """The light model's errors, fitted with the ice."""

    pair: SizeConfig = SizeConfig(median=0.05, spread=1.0)
    """Relative error of a pair's charge at 100 m."""
    least_pair: NotNegative = 0.005
    """Added to it in squares: what the light model leaves against tracked photons."""
    own_line: NotNegative = 0.02
    """Added in squares to both, of pair and profile, where light goes along a line: its drill hole, its cable
    and other modules stand in the way, and light models know nothing of them."""
    growth: NormalConfig = NormalConfig(mean=0.0, sd=0.5)
    """Power of the distance with which the pair error grows."""
    profile: SizeConfig = SizeConfig(median=0.05, spread=1.0)
    """Relative error of the time profile."""
    profile_memory: Positive = 0.5
    """Correlation length of the profile's error in ln(time)."""
    tail_begins: Positive | Literal["never"] = 2.0
    """Pair errors beyond this many sizes count as odd: their density falls only exponentially."""
    dispersion: bool = True
    """Whether counts may scatter more than Poisson's law says; how much is found at the best ice."""


class NuisanceConfig(_Section):
    """Spreads of the nuisances; those left out are the campaign's own."""

    brightness_spread: Positive | None = None
    efficiency_spread: Positive | None = None
    timing_spread_ns: Positive | None = None
    scale_spread: NotNegative = 0.1
    """Of the log of the absolute scale that all runs share."""
    dark_level_spread: Positive = 0.5
    """Of the level of a campaign's dark rates around the rate that it states, as a part of that."""
    dark_spread: Positive = 0.5
    """Of the modules' dark rates around their level; bins before the flash then tell more."""


class SmoothnessConfig(_Section):
    """Neighbouring layers are alike: a Gaussian process over depth (Matern 3/2), but for a part of each."""

    on: bool = True
    length_m: SizeConfig = SizeConfig(median=30.0, spread=0.5)
    scattering_size: SizeConfig = SizeConfig(median=0.4, spread=0.5)
    """Standard deviation of ln le over depth."""
    absorption_size: SizeConfig = SizeConfig(median=0.4, spread=0.5)
    """Of ln la; without the dust link only."""
    own_part: SizeConfig | Literal["none"] = SizeConfig(median=0.2, spread=1.0)
    """What each layer has of its own, over the standard deviation of what it shares with its neighbours."""


class DustConfig(_Section):
    """Dust that scatters also absorbs: ln la = ln reference + slope (ln le - ln 25 m) + scatter."""

    on: bool = True
    slope: NormalConfig = NormalConfig(mean=0.9, sd=0.3)
    absorption_at_25_m: SizeConfig = SizeConfig(median=100.0, spread=0.7)
    scatter: SizeConfig = SizeConfig(median=0.1, spread=0.5)
    """Standard deviation of ln la around the line."""


class LevelConfig(_Section):
    """Level of the lengths over all depths."""

    scattering_length_m: SizeConfig = SizeConfig(median=25.0, spread=1.0)
    absorption_length_m: SizeConfig = SizeConfig(median=100.0, spread=1.0)


class PriorConfig(_Section):
    """What is known before the counts."""

    level: LevelConfig = LevelConfig()
    smoothness: SmoothnessConfig = SmoothnessConfig()
    dust: DustConfig = DustConfig()


class SamplerConfig(_Section):
    """How the posterior is sampled, and when to stop."""

    kind: Literal["auto", "ensemble", "gradient", "laplace"] = "auto"
    """Ensemble: walkers (emcee); gradient: no-U-turn chains (mici); laplace: draws of the normal
    approximation; auto: the ensemble up to 40 parameters, beyond by gradient."""
    target: Literal["stand-in", "posterior"] = "stand-in"
    """What the sampler walks on: a quadratic expansion of the likelihood, corrected afterwards by the full
    light model; or the full light model at every step."""
    ensembles: Annotated[int, Field(ge=2)] = 4
    """Independent ensembles, or chains by gradient; each is a chain of the result."""
    walkers: Annotated[int, Field(ge=4)] | None = None
    """Per ensemble; default twice the number of parameters, and two."""
    most_steps: Annotated[int, Field(ge=10)] = 200_000
    taus: Positive = 50.0
    """Converged ensembles are longer than this many autocorrelation times."""
    draws: Annotated[int, Field(ge=20)] = 2000
    """Draws of each chain that the full light model corrects at most; fewer if they are enough."""
    time_limit_s: Positive = 3600.0


class FitConfig(_Section):
    """All settings of a fit."""

    seed: Annotated[int, Field(ge=0)] = 1
    layers: LayersConfig = LayersConfig()
    attitude: AttitudeConfig = AttitudeConfig()
    model: ModelConfig = ModelConfig()
    data: DataConfig = DataConfig()
    error: ErrorConfig = ErrorConfig()
    nuisances: NuisanceConfig = NuisanceConfig()
    prior: PriorConfig = PriorConfig()
    sampler: SamplerConfig = SamplerConfig()

    def with_options(self, seed: int | None = None, **sampler: object) -> "FitConfig":
        """Return these settings with the command line's in their place; None leaves a setting alone.

        Raises
        ------
        InputError
            If a value is not fit.
        """
        content = self.model_dump()
        content["sampler"] |= {key: value for key, value in sampler.items() if value is not None}
        if seed is not None:
            content["seed"] = seed
        try:
            return FitConfig.model_validate(content)
        except ValidationError as error:
            raise InputError(_sentence(error)) from error


def read_config(path: str | Path | None) -> FitConfig:
    """Read a fit's configuration; without a file, the defaults.

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, or holds an unknown or unfit setting.
    """
    if path is None:
        return FitConfig()
    try:
        given = tomllib.loads(Path(path).read_text(encoding="utf-8"))
        return FitConfig.model_validate(_laid_over(FitConfig().model_dump(), given))
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: is not TOML: {error}") from error
    except ValidationError as error:
        raise InputError(f"{path}: {_sentence(error)}") from error


def _laid_over(defaults: dict[str, Any], given: dict[str, Any]) -> dict[str, Any]:
    """Lay settings over the defaults section by section: one number of a prior can be given alone."""
    both = defaults | given
    for key, value in given.items():
        if isinstance(value, dict) and isinstance(defaults.get(key), dict):
            both[key] = _laid_over(defaults[key], value)
    return both


def _sentence(error: ValidationError) -> str:
    """First complaint of a validation as one sentence."""
    first = error.errors()[0]
    place = ".".join(str(part) for part in first["loc"]) or "the file"
    if first["type"] == "extra_forbidden":
        known = ", ".join(_known_keys(first["loc"][:-1]))
        return f"{place} is not a setting; expected one of: {known}"
    reason = first["msg"].removeprefix("Value error, ")
    shown = first["input"]
    found = f"; found {shown!r}" if isinstance(shown, str | int | float | bool) else ""
    return f"{place}: {reason[0].lower()}{reason[1:]}{found}"


def _known_keys(path: tuple[str | int, ...]) -> list[str]:
    section: type[BaseModel] = FitConfig
    for part in path:
        kind = section.model_fields[str(part)].annotation if str(part) in section.model_fields else None
        if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
            return []
        section = kind
    return sorted(section.model_fields)
