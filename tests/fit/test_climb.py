"""The climb by light models that are made anew: rough ones far from the best ice, the best ones near it."""

from dataclasses import replace

import numpy as np
import pytest

from iceopt.errors import Stopped
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import climb
from iceopt.fit.problem import Light, Problem
from tests.fitting import ExactClosedForm, all_far, small_campaign, small_config, small_problem


def climbed(tmp_path, rough_index):
    """Climb with a closed form of another speed of light as the rough model; says which models were made."""
    made = []

    def build(config, scene):
        exact = ExactClosedForm(scene)
        rough = ExactClosedForm(replace(scene, group_index=rough_index))

        def give(name, model):
            made.append(name)
            return model

        return Light(lambda ice: give("best", exact), exact, True, lambda ice: give("rough", rough))

    campaign, _ = small_campaign()
    problem = Problem([(campaign, all_far(campaign))], small_config(), build)
    store = Checkpoint(tmp_path, {}, False)
    return climb(problem, store, lambda words, part: None, lambda: np.inf)[0], made


def test_it_begins_with_rough_light_and_ends_at_the_best_ones_maximum(tmp_path):
    found, made = climbed(tmp_path / "rough", 1.36)
    changes = made.index("best")
    assert changes > 0
    assert "rough" not in made[changes:]
    exact, _ = climbed(tmp_path / "exact", 1.337)
    sd = np.sqrt(np.diag(exact.covariance))
    layers = slice(0, 2 * exact.posterior.layers)
    # A tenth of an error is what a climb promises.
    assert (np.abs(found.vector - exact.vector)[layers] < 0.1 * sd[layers]).all()
    assert isinstance(found.posterior.terms[0].model, ExactClosedForm)
    assert found.posterior.terms[0].model.scene.group_index == 1.337


def test_a_climb_stopped_on_its_approach_goes_on_with_it(tmp_path):
    problem, _ = small_problem()
    layers = problem.edges_m.size - 1
    afar = np.r_[np.linspace(-1.0, 1.0, layers), np.linspace(1.0, -1.0, layers)]

    def climbed(folder, resume, stop=bool):
        store = Checkpoint(tmp_path / folder, {}, resume, stop)
        return climb(problem, store, lambda words, part: None, lambda: np.inf, afar)[0]

    whole = climbed("whole", False)
    with pytest.raises(Stopped):
        climbed("stopped", False, lambda: True)
    found = climbed("stopped", True)
    first, second = Checkpoint(tmp_path / "stopped", {}, True).read("maximum")[:2]
    assert first["approaching"] and second["approaching"]
    sd = np.sqrt(np.diag(whole.covariance))[: 2 * layers]
    assert np.abs((found.vector - whole.vector)[: 2 * layers] / sd).max() < 0.1
