"""The choice of flashes against every choice there is, and against careless ones."""

from itertools import combinations

import numpy as np
import pytest

from iceopt.plan.blocks import blocks
from iceopt.plan.choose import Chooser, Criterion, at_random, evenly_spaced
from iceopt.plan.prior import layer_prior, nuisance_prior
from tests.plan.sites import flashes, site

BOTTOM = np.array([False, False, True] * 2)


@pytest.fixture(scope="module")
def where():
    return site()


def chooser(where, candidates, criterion) -> Chooser:
    prior, nuisances = layer_prior(where.config, where.ice), nuisance_prior(where)
    return Chooser(prior, nuisances, blocks(where, candidates.flashes), candidates, criterion)


@pytest.mark.parametrize("criterion", [Criterion(np.ones(6, bool)), Criterion(np.ones(6, bool), worst=True)])
def test_near_the_best_of_all_choices(where, criterion):
    candidates = flashes(where, emitters=[0, 3, 6, 9, 12, 15, 18, 21])
    found = chooser(where, candidates, criterion)
    choice = found.choose(budget_hours=6.0)
    assert choice.which.size == 3
    values = np.array([found.value(trio) for trio in combinations(range(8), 3)])
    # no exchange of one flash helps further; of the 56 choices hardly any is better
    assert np.mean(values < choice.value[-1] - 1e-9) < 0.05


def test_beats_random_and_evenly_spaced(where):
    candidates = flashes(where)
    found = chooser(where, candidates, Criterion(BOTTOM))
    choice = found.choose(budget_hours=8.0)
    rng = np.random.default_rng(1)
    even = evenly_spaced(candidates, choice.which, where.modules.position_m[:, 2])
    assert np.unique(candidates.flashes.emitter[even]).size == 4
    assert choice.value[-1] < found.value(even)
    assert choice.value[-1] < min(found.value(at_random(candidates, choice.which, rng)) for _ in range(20))


def test_keeps_to_the_budget_and_to_one_flash_an_emitter(where):
    candidates = flashes(where, ((2e9, 100), (2e9, 300), (8e9, 100)))
    choice = chooser(where, candidates, Criterion(np.ones(6, bool))).choose(budget_hours=7.5)
    emitters = candidates.flashes.emitter[choice.which]
    assert choice.hours[-1] <= 7.5
    assert choice.hours[-1] > 6.5
    assert np.unique(emitters).size == emitters.size
    assert np.all(choice.gain > 0)


def test_does_not_take_a_brightness_that_blinds_the_receivers(where):
    candidates = flashes(where, ((2e9, 100), (4e12, 100)))
    choice = chooser(where, candidates, Criterion(np.ones(6, bool))).choose(budget_hours=3.0)
    assert np.all(candidates.flashes.photons_per_pulse[choice.which] == 2e9)


def test_everything_ranks_all(where):
    candidates = flashes(where, emitters=[0, 5, 10])
    choice = chooser(where, candidates, Criterion(np.ones(6, bool))).everything()
    assert sorted(choice.which) == [0, 1, 2]
