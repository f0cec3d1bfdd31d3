"""Flashes left out and predicted, on counts drawn from the light model of the fit."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from iceopt.errors import InputError
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.crossvalidation import folds_of, leave_out
from tests.fitting import all_far, exact, small_campaign, small_config

RUNS = ("R03", "R05", "R09")


def held_out(tmp_path, campaign, runs=RUNS):
    store = Checkpoint(tmp_path / "fold", {}, resume=False)
    config = small_config(kind="laplace", draws=100)
    return leave_out(campaign, all_far(campaign), runs, config, store, lambda words, part: None, exact)


@pytest.fixture(scope="module")
def campaign():
    return small_campaign()


def test_pulls_of_left_out_runs_are_standard_normal(campaign, tmp_path):
    fold = held_out(tmp_path, campaign[0])
    assert tuple(run.run for run in fold.runs) == RUNS
    pulls = np.concatenate([run.pulls for run in fold.runs])
    assert pulls.size > 30
    # About 50 pulls: their mean square scatters by 0.2, and Kolmogorov and Smirnov's test by its own law.
    assert 0.5 < np.mean(pulls**2) < 1.7
    assert scipy.stats.kstest(pulls, "norm").pvalue > 0.01
    true = np.log(campaign[1].brightness)
    for run in fold.runs:
        i = campaign[0].flashes.run.index(run.run)
        others = [k for k, name in enumerate(campaign[0].flashes.run) if name not in RUNS]
        assert run.log_brightness == pytest.approx(true[i] - true[others].mean(), abs=0.1)


def test_a_run_that_the_fit_does_not_describe_is_found_out(campaign, tmp_path):
    """Its light comes of other ice: twice as much to the receivers above the emitter as to those below."""
    counts = campaign[0].counts.copy()
    names, depth = np.array(campaign[0].flashes.run), campaign[0].modules.position_m[:, 2]
    emitter = campaign[0].flashes.emitter[campaign[0].pair_run]
    above = depth[campaign[0].pair_module] < depth[emitter]
    counts[(names[campaign[0].pair_run] == "R05") & above] *= 2
    fold = held_out(tmp_path, replace(campaign[0], counts=counts), ("R05",))
    assert fold.runs[0].probability < 1e-4


def test_folds_hold_every_run_once(campaign):
    folds = folds_of(campaign[0], all_far(campaign[0]), 4)
    assert sorted(run for fold in folds for run in fold) == sorted(campaign[0].flashes.run)
    assert max(map(len, folds)) - min(map(len, folds)) <= 1
    with pytest.raises(InputError, match="12 folds of 11 usable runs"):
        folds_of(campaign[0], all_far(campaign[0]), 12)


def test_a_run_that_is_not_there_is_named(campaign, tmp_path):
    with pytest.raises(InputError, match="no run 'R99'"):
        held_out(tmp_path, campaign[0], ("R99",))
