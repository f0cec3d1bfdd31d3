"""The climb by light models that are made anew: rough ones far from the best ice, the best ones near it."""

from dataclasses import replace

import numpy as np

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import climb
from iceopt.fit.problem import Light, Problem
from tests.fitting import ExactClosedForm, all_far, small_campaign, small_config


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
