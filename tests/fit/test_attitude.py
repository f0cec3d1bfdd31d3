"""The attitude of the ice is found from counts drawn in ice that lies so, and not in level ice."""

import numpy as np
import pytest

from iceopt.errors import InputError
from iceopt.fit.attitude import attitude_step
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.climb import climb
from iceopt.fit.config import FitConfig, read_config
from iceopt.fit.problem import Problem
from iceopt.ice.attitude import LEVEL, Attitude
from iceopt.ice.layers import Ice
from iceopt.light.moments.model import LayeredMoments
from tests.fitting import EDGES_M, TRUE_ABSORPTION_M, TRUE_SCATTERING_M, all_far, redrawn, small_campaign

ICE = Ice(EDGES_M, TRUE_SCATTERING_M, TRUE_ABSORPTION_M)
TRUE = Attitude(0.04, -0.02, 0.01, 0.02)
EXACT = {"name": "layered-moments", "order": 3, "lifted_to": "none", "moments_order": 3}


def problem_in(lying, order=3, **sections):
    campaign, truth = small_campaign(line_spacing_m=90.0, modules_per_line=9)
    drawn = redrawn(campaign, truth, ICE, 3, lambda scene: LayeredMoments(scene, order), lying)
    content = {"layers": {"edges_m": EDGES_M}, "model": EXACT} | sections
    return Problem([(drawn, all_far(drawn))], FitConfig.model_validate(content))


def stepped(problem, steps):
    """Steps in attitude and layers from the true layers."""
    vector = None
    for _ in range(steps):
        if vector is None:
            vector = problem.posterior(ICE).vector(ICE, ln_pair_error=np.log(0.01))
        posterior = problem.posterior_at(vector, vector)
        found = attitude_step(problem, posterior, vector)
        problem = problem.lying(problem.attitude.moved(found.change))
        vector[: found.layers.size] += found.layers
    return problem.attitude, found


def test_steps_lead_to_the_attitude_that_the_counts_were_drawn_in():
    first = stepped(problem_in(TRUE), 1)[1]
    assert first.worth > 100.0
    attitude, last = stepped(problem_in(TRUE), 4)
    sd = np.sqrt(np.diag(last.covariance))
    assert (sd < 0.005).all()
    assert (np.abs(attitude.values - TRUE.values) < 4.0 * sd).all()


def test_level_ice_is_not_called_sloping():
    found = stepped(problem_in(LEVEL), 1)[1]
    assert found.worth < 18.5  # chi-square of 4: 1 in 1,000 by chance


def test_what_is_given_is_not_moved():
    problem = problem_in(TRUE, attitude={"slope": (0.04, -0.02)})
    assert problem.attitude == Attitude(0.04, -0.02)
    attitude, last = stepped(problem, 3)
    assert attitude.values[:2].tolist() == [0.04, -0.02]
    assert not last.covariance[:2].any()
    assert (np.abs(attitude.values - TRUE.values)[2:] < 4.0 * np.sqrt(np.diag(last.covariance))[2:]).all()


def test_layers_do_not_go_with_the_attitude():
    problem = problem_in(LEVEL)
    default = FitConfig.model_validate({"model": EXACT})
    assert (problem.lying(TRUE).edges_m == problem.edges_m).all()
    grid = Problem(problem._made_of[0], default)
    np.testing.assert_array_equal(grid.lying(Attitude(0.05, 0.05)).edges_m, grid.edges_m)


def test_a_wrong_attitude_is_refused_in_one_sentence(tmp_path):
    file = tmp_path / "FIT.toml"
    file.write_text('[attitude]\nslope = "steep"\n')
    with pytest.raises(InputError, match=r"attitude\.slope"):
        read_config(file)


@pytest.mark.slow
def test_a_climb_finds_how_the_ice_lies_and_its_layers(tmp_path):
    """Counts by order 7, which fits do not use; a climb that is resumed knows the attitude."""
    problem = problem_in(TRUE, 7, model={})
    found = climb(problem, Checkpoint(tmp_path / "a", {}, False), lambda *_: None, lambda: np.inf)
    sd = np.sqrt(np.diag(found.attitude_covariance))
    assert (np.abs(found.problem.attitude.values - TRUE.values) < 4.0 * sd).all()
    truth = np.log(np.r_[TRUE_SCATTERING_M, TRUE_ABSORPTION_M])
    error = np.sqrt(np.diag(found.maximum.covariance))[: truth.size]
    assert (np.abs(found.maximum.vector[: truth.size] - truth) < 3.5 * error).all()
    again = climb(problem, Checkpoint(tmp_path / "a", {}, True), lambda *_: None, lambda: np.inf)
    assert again.problem.attitude == found.problem.attitude
    np.testing.assert_array_equal(again.attitude_covariance, found.attitude_covariance)
