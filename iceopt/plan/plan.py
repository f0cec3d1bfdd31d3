"""A whole plan: the flashes, what they would tell, and what they are compared with."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.plan.blocks import Block, blocks, blocks_together
from iceopt.plan.cautions import cautions
from iceopt.plan.choose import Choice, Chooser, at_random, evenly_spaced
from iceopt.plan.detect import change_precision, smallest_changes
from iceopt.plan.ice import result_information
from iceopt.plan.precision import Forecast, forecast
from iceopt.plan.prior import layer_prior, nuisance_prior
from iceopt.plan.scenario import PlanScenario
from iceopt.plan.site import some

Array = NDArray[np.float64]

_LEARNING = 0.7
"""Part of the work that goes into the information of every flash."""
_RANDOM_DRAWS = 10
_POINTS = 8
_CENTRES = 60
_THICKNESSES_M = np.geomspace(5.0, 200.0, 25)


@dataclass(frozen=True)
class Comparison:
    """Other choices of as many flashes with the same settings."""

    flashes: NDArray[np.int64]
    """Shape (point,): numbers of flashes."""
    evenly: Array
    """Shape (point,): criterion of evenly spaced emitters."""
    random: Array
    """Shape (point, draw): criterion of emitters drawn at random."""


@dataclass(frozen=True)
class Detection:
    """Smallest changes that a comparison with an earlier season would find."""

    centre_m: Array
    thickness_m: Array
    change: Array
    """Shape (2, centre, thickness): of ln le and of ln la."""


@dataclass(frozen=True)
class Plan:
    """What is handed on."""

    scenario: PlanScenario
    choice: Choice
    blocks: tuple[Block, ...]
    """Of the chosen flashes, in order."""
    forecast: Forecast
    prior_sd: Array
    """Shape (2, layer): of ln le and ln la before any flash."""
    comparison: Comparison | None
    """None where everything is flashed: there is nothing to choose."""
    detection: Detection
    cautions: tuple[str, ...]

    @property
    def shared_errors(self) -> float:
        """Standard deviation of the layers that matter over that of the ranking."""
        together = self.scenario.criterion(self.forecast.covariance)
        return float(np.exp(0.5 * (together - self.choice.value[-1])))

    @property
    def share(self) -> Array:
        """Share of each flash in the information on each layer, nuisances held: shape (2, flash, layer)."""
        own = np.array([np.diag(block.layers) for block in self.blocks]).reshape(len(self.blocks), 2, -1)
        total = own.sum(axis=0)
        return np.asarray(np.divide(own, total, out=np.zeros_like(own), where=total > 0).transpose(1, 0, 2))


def make_plan(scenario: PlanScenario, done: Callable[[float], None] = lambda part: None) -> Plan:
    """Choose flashes, forecast what they tell, and find what changes they would show.

    Parameters
    ----------
    scenario : PlanScenario
    done : callable, optional
        Told the part that is done.

    Raises
    ------
    InputError
        If an earlier result does not fit the plan.
    """
    site, candidates = scenario.site, scenario.candidates
    prior, nuisances = layer_prior(site.config, site.ice), nuisance_prior(site)
    edges = site.ice.edges_m
    earlier = None if scenario.earlier is None else result_information(scenario.earlier, edges)
    found = blocks(site, candidates.flashes, lambda part: done(_LEARNING * part))
    chooser = Chooser(prior, nuisances, found, candidates, scenario.criterion)
    hours = scenario.flasher_hours
    choice = (
        chooser.everything()
        if hours is None
        else chooser.choose(hours, lambda part: done(_LEARNING + (1.0 - _LEARNING) * part))
    )
    alone = [found[i] for i in choice.which]
    chosen = tuple(blocks_together(site, some(candidates.flashes, choice.which), alone))
    told = forecast(prior, nuisances, chosen)
    return Plan(
        scenario=scenario,
        choice=choice,
        blocks=chosen,
        forecast=told,
        prior_sd=np.sqrt(np.diag(np.linalg.inv(prior))).reshape(2, -1),
        comparison=None if hours is None else _compare(scenario, chooser, choice),
        detection=_detect(scenario, told.information, earlier, prior),
        cautions=tuple(
            cautions(
                site.settings,
                candidates.flashes.photons_per_pulse[choice.which],
                scenario.pulse_rate_hz,
                max(block.brightest_per_pulse for block in chosen),
                scenario.deck,
                scenario.phototube,
            )
        ),
    )


def _compare(scenario: PlanScenario, chooser: Chooser, choice: Choice) -> Comparison:
    depth = scenario.site.modules.position_m[:, 2]
    points = np.unique(np.round(np.linspace(1, choice.which.size, _POINTS)).astype(np.int64))
    rng = np.random.default_rng(scenario.site.config.seed)
    evenly, random = [], []
    for count in points:
        first = choice.which[:count]
        evenly.append(chooser.value(evenly_spaced(scenario.candidates, first, depth)))
        draws = [at_random(scenario.candidates, first, rng) for _ in range(_RANDOM_DRAWS)]
        random.append([chooser.value(draw) for draw in draws])
    return Comparison(points, np.array(evenly), np.array(random))


def _detect(scenario: PlanScenario, later: Array, earlier: Array | None, prior: Array) -> Detection:
    edges = scenario.site.ice.edges_m
    centre = np.linspace(edges[0], edges[-1], _CENTRES)
    information = change_precision(later if earlier is None else earlier, later, prior)
    change = smallest_changes(information, edges, centre, _THICKNESSES_M, scenario.error_rate, scenario.power)
    return Detection(centre, _THICKNESSES_M, change)
