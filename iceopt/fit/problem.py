"""A fit's data, light models and settings, from which posteriors around a reference ice are made."""

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign, Settings, Verdicts
from iceopt.errors import InputError
from iceopt.fit.config import FitConfig, LayersConfig, ModelConfig
from iceopt.fit.dark import dark_rates
from iceopt.fit.likelihood import ERROR_NAMES, ErrorModel, Likelihood, alike
from iceopt.fit.marginal import Marginal
from iceopt.fit.nuisances import NuisancePrior, NuisanceSystem, Ties
from iceopt.fit.observations import Observations, observe
from iceopt.fit.posterior import Posterior
from iceopt.fit.site import shared_modules
from iceopt.ice.attitude import LEVEL, Attitude
from iceopt.ice.layers import Ice
from iceopt.light.closed_form import ClosedForm
from iceopt.light.model import LightModel, Scene
from iceopt.light.moments.carried import bins_with_light, carry
from iceopt.light.moments.filled import FilledModel
from iceopt.light.moments.laplace import CHEAPER_ORDER
from iceopt.light.moments.lifted import LiftedMoments, best_lift
from iceopt.light.moments.model import LayeredMoments

Array = NDArray[np.float64]

_FIRST_SCATTERING_M = (5.0, 8.0, 12.0, 18.0, 27.0, 40.0, 60.0)
_FIRST_ABSORPTION_M = (16.0, 30.0, 55.0, 100.0, 180.0, 320.0)
_MOST_ROUNDS = 3
_FIRST_ERROR = 0.3


@dataclass(frozen=True)
class Light:
    """The light models of one campaign's scene."""

    at: Callable[[Ice], LightModel]
    """Gives the model that is good around an ice."""
    first: LightModel
    """What finds the uniform ice to begin with."""
    moves: bool
    """Whether the model depends on the ice that it is made for."""
    roughly: Callable[[Ice], LightModel] | None = None
    """Gives a cheaper one that will do far from the best ice, and stays good farther from its own."""


def light_models(config: FitConfig, scene: Scene) -> Light:
    """Build the light models that the configuration names."""
    closed = ClosedForm(scene)
    chosen = config.model
    if chosen.name == "closed-form":
        return Light(lambda ice: closed, closed, False)
    high = LayeredMoments(scene, chosen.order)
    if chosen.moments_order == "none":
        filled = FilledModel(high, bins_with_light(scene))
        return Light(lambda ice: filled, closed, False)
    moments = high.laplace.of_order(chosen.moments_order)
    top = lifted_order(chosen)
    carried = high if top is None else LiftedMoments(high, top)

    def at(ice: Ice) -> LightModel:
        return carry(moments, carried, ice)

    if high.order <= CHEAPER_ORDER or scene.emission.single_led:
        # Behind a single LED moments of order 3 all but vanish in some ice, and a climb by them goes astray.
        return Light(at, closed, True)
    cheap = high.of_order(CHEAPER_ORDER)
    rough = LiftedMoments(cheap, high.order)
    return Light(at, closed, True, lambda ice: carry(cheap.laplace, rough, ice))


def lifted_order(config: ModelConfig) -> int | None:
    """Order that the layered model is lifted to, if it is."""
    if config.lifted_to == "auto":
        return best_lift(config.order)
    return None if config.lifted_to == "none" else config.lifted_to


def layer_edges(config: LayersConfig, depths_m: Array) -> Array:
    """Edges of the layer grid; by default whole layers that cover the used modules and the margin (m)."""
    if config.edges_m is not None:
        return np.array(config.edges_m)
    thickness, margin = config.thickness_m, config.margin_m
    top = config.top_m
    if top is None:
        top = np.floor((depths_m.min() - margin) / thickness) * thickness
    bottom = depths_m.max() + margin if config.bottom_m is None else config.bottom_m
    if bottom <= top:
        raise InputError(f"the layers would run from {top:g} m to {bottom:g} m; bottom_m must be deeper")
    count = max(int(np.ceil((bottom - top) / thickness - 1e-9)), 1)
    return np.asarray(top + thickness * np.arange(count + 1), dtype=np.float64)


@dataclass(frozen=True)
class Part:
    """One campaign of a fit."""

    campaign: Campaign
    verdicts: Verdicts
    observations: Observations
    light: Light
    ties: Ties
    dark_per_ns: Array
    """Shape (module,): dark rate of each of the campaign's modules, before the flash's own counts."""


class Problem:
    """All that is fixed in a fit.

    Parameters
    ----------
    campaigns : sequence of (Campaign, Verdicts)
    config : FitConfig
    build : callable
        Makes the light models of a scene.
    attitude : Attitude, optional
        Of the ice; by default as far as the configuration gives it.

    Raises
    ------
    InputError
        If a campaign holds nothing to fit, or campaigns disagree on what they should share.
    """

    def __init__(
        self,
        campaigns: Sequence[tuple[Campaign, Verdicts]],
        config: FitConfig,
        build: Callable[[FitConfig, Scene], Light] = light_models,
        attitude: Attitude | None = None,
    ) -> None:
        self.config = config
        self.attitude = config.attitude.given if attitude is None else attitude
        self._made_of = tuple(campaigns), build
        self.modules, places = shared_modules([campaign for campaign, _ in campaigns])
        _require_one_spread([campaign for campaign, _ in campaigns], config)
        self.parts = tuple(
            part_of(campaign, verdicts, place, config, build, self.attitude)
            for (campaign, verdicts), place in zip(campaigns, places, strict=True)
        )
        self.system = NuisanceSystem([part.ties for part in self.parts])
        self._sharing = alike([part.observations for part in self.parts])
        self.edges_m = layer_edges(config.layers, np.concatenate([used_depths_m(p) for p in self.parts]))

    def lying(self, attitude: Attitude) -> "Problem":
        """Return the same problem in ice of another attitude; its layers are the same."""
        campaigns, build = self._made_of
        return Problem(campaigns, self.config, build, attitude)

    def posterior(
        self,
        reference: Ice,
        errors: Array | None = None,
        models: Sequence[LightModel] | None = None,
        dispersions: Sequence[Array] | None = None,
    ) -> Posterior:
        """Posterior whose searches start at a reference ice.

        Parameters
        ----------
        reference : Ice
        errors : ndarray, shape (3,), optional
            Sizes of the errors there (`ERROR_NAMES`); with them the searches start from the solution at
            the reference, without them from the nuisances' prior.
        models : sequence of LightModel, optional
            One a campaign; by default those that are good around the reference.
        dispersions : sequence of ndarray, shape (pair,), optional
            Variance of each campaign's counts over Poisson's; 1 by default.
        """
        model_errors = error_model_of(self.config)
        likelihoods, signals = [], []
        lights = models or [part.light.at(reference) for part in self.parts]
        scatter = self.no_dispersion() if dispersions is None else dispersions
        for part, model, sharing, dispersion in zip(self.parts, lights, self._sharing, scatter, strict=True):
            signal = model.expected(reference)
            own_error = model.model_error(reference, signal)
            likelihoods.append(
                Likelihood(part.observations, model_errors, signal, own_error, sharing, dispersion)
            )
            signals.append(signal)
        marginal = Marginal(likelihoods, self.system, signals, errors)
        return Posterior(lights, marginal, self.edges_m, self.config)

    def renewed(
        self, posterior: Posterior, vector: Array, models: Sequence[LightModel] | None = None
    ) -> Posterior:
        """Posterior with its reference at another vector; dispersions stay, and models unless given."""
        lights = models or [term.model for term in posterior.terms]
        scatter = [term.likelihood.dispersion for term in posterior.terms]
        return self.posterior(posterior.ice(vector), vector[-len(ERROR_NAMES) :], lights, scatter)

    def steered(self, posterior: Posterior, vector: Array) -> Posterior:
        """Posterior for draws around a vector, by cheaper light models if the configuration says so."""
        if not self.config.model.steered:
            return posterior
        ice = posterior.ice(vector)
        return self.renewed(posterior, vector, [term.model.steered_at(ice) for term in posterior.terms])

    def with_normal_errors(self) -> "Problem":
        """Return the same problem but for the pair error's density, which has no tails."""
        other = copy(self)
        error = self.config.error.model_copy(update={"tail_begins": "never"})
        other.config = self.config.model_copy(update={"error": error})
        return other

    def no_dispersion(self) -> list[Array]:
        """Dispersion 1 of every pair, shape (pair,) a campaign."""
        return [np.ones(len(part.observations.pair)) for part in self.parts]

    def split_pairs(self, values: Array) -> list[Array]:
        """Split what is given for the pairs of one campaign after another."""
        return np.split(values, np.cumsum([len(part.observations.pair) for part in self.parts])[:-1])

    @property
    def light_moves(self) -> bool:
        """Whether the light models must be renewed as the ice moves."""
        return any(part.light.moves for part in self.parts)

    @property
    def most_renewals(self) -> int:
        """How often the light models are made at most, the first time counted."""
        return 1 + self.config.model.most_renewals

    @property
    def rough_lights(self) -> bool:
        """Whether every campaign has cheaper light models that will do far from the best ice."""
        return all(part.light.roughly is not None for part in self.parts)

    def posterior_at(
        self,
        vector: Array,
        made_at: Array,
        dispersions: Sequence[Array] | None = None,
        roughly: bool = False,
    ) -> Posterior:
        """Posterior with its reference at a vector and light models, rough or not, made at another's ice."""
        ice = self._ice(made_at)
        models = [
            part.light.roughly(ice) if roughly and part.light.roughly else part.light.at(ice)
            for part in self.parts
        ]
        return self.posterior(self._ice(vector), vector[-len(ERROR_NAMES) :], models, dispersions)

    def _ice(self, vector: Array) -> Ice:
        layers = self.edges_m.size - 1
        lengths = np.exp(vector[: 2 * layers])
        return Ice(self.edges_m, lengths[:layers], lengths[layers:])

    def first_guess(self, profile: Array | None = None) -> Array:
        """Vector of an ice of a given profile, whose levels of le and la are the best of a few.

        Parameters
        ----------
        profile : ndarray, shape (2 x layers,), optional
            ln le, then ln la, up to a constant each; uniform by default.

        Returns
        -------
        ndarray, shape (parameter,)
        """
        layers = self.edges_m.size - 1
        shape = np.zeros((2, layers)) if profile is None else profile.reshape(2, layers)
        shape = np.exp(shape - shape.mean(axis=1, keepdims=True))
        models = [part.light.first for part in self.parts]
        first = float(np.log(_FIRST_ERROR))

        @cache
        def judged(scattering: float, absorption: float) -> tuple[float, Array]:
            ice = Ice(self.edges_m, scattering * shape[0], absorption * shape[1])
            posterior = self.posterior(ice, models=models)
            vector = posterior.vector(ice, ln_pair_error=first, ln_profile_error=first)
            return posterior.evaluate(vector).log_likelihood, vector

        def value(levels: tuple[float, float]) -> float:
            return judged(*levels)[0]

        best = (0.0, _FIRST_ABSORPTION_M[len(_FIRST_ABSORPTION_M) // 2])
        for _ in range(_MOST_ROUNDS):
            before = best
            best = max(((le, best[1]) for le in _FIRST_SCATTERING_M), key=value)
            best = max(((best[0], la) for la in _FIRST_ABSORPTION_M), key=value)
            if best == before:
                break
        return judged(*best)[1]


def part_of(
    campaign: Campaign,
    verdicts: Verdicts,
    place: NDArray[np.int64],
    config: FitConfig,
    build: Callable[[FitConfig, Scene], Light],
    attitude: Attitude = LEVEL,
) -> Part:
    """What one campaign gives to a fit; `place`, shape (module,), is of its modules among those of all."""
    data, nuisances = config.data, config.nuisances
    dark = dark_rates(campaign, verdicts, nuisances.dark_level_spread, nuisances.dark_spread)
    seen = observe(
        campaign, verdicts, dark.per_ns, data.earliest, data.group_growth, data.least_counts, attitude
    )
    efficiency = campaign.modules.relative_efficiency[seen.modules]
    prior = nuisance_prior_of(config, campaign.settings, efficiency, dark.worth[seen.modules])
    ties = Ties(seen.run, seen.module, place[seen.modules], prior)
    return Part(campaign, verdicts, seen, build(config, seen.scene), ties, dark.per_ns)


def used_depths_m(part: Part) -> Array:
    """Depths of the emitters and receivers of the pairs in use, in whichever order."""
    campaign, pair = part.campaign, part.observations.pair
    emitter = campaign.flashes.emitter[campaign.pair_run[pair]]
    return np.asarray(campaign.modules.position_m[np.r_[emitter, campaign.pair_module[pair]], 2])


def _require_one_spread(campaigns: Sequence[Campaign], config: FitConfig) -> None:
    spreads = {campaign.settings.efficiency_spread for campaign in campaigns}
    if config.nuisances.efficiency_spread is None and len(spreads) > 1:
        raise InputError(
            f"the campaigns state efficiency_spread = {' and '.join(f'{s:g}' for s in sorted(spreads))}, but "
            "share their modules' efficiencies; set nuisances.efficiency_spread in the configuration"
        )


def error_model_of(config: FitConfig) -> ErrorModel:
    """What the configuration fixes about the light model's errors."""
    error = config.error
    tail = None if error.tail_begins == "never" else error.tail_begins
    return ErrorModel(error.profile_memory, tail, error.least_pair, error.own_line)


def nuisance_prior_of(
    config: FitConfig, settings: Settings, relative_efficiency: Array, dark_worth: Array
) -> NuisancePrior:
    """Prior of the nuisances of modules with these efficiencies and dark rates, shape (module,)."""
    nuisances = config.nuisances
    return NuisancePrior(
        brightness_sd=nuisances.brightness_spread or settings.brightness_spread or _TINY_SPREAD,
        scale_sd=nuisances.scale_spread,
        log_efficiency=np.log(relative_efficiency),
        efficiency_sd=nuisances.efficiency_spread or settings.efficiency_spread or _TINY_SPREAD,
        offset_sd_ns=nuisances.timing_spread_ns or settings.timing_spread_ns or _TINY_SPREAD,
        dark_worth=dark_worth,
    )


_TINY_SPREAD = 1e-3
"""Stands for a spread of zero, which a campaign without nuisances states."""
