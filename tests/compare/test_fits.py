"""Seasons that were fitted, from counts to verdict: twenty pairs, which takes some minutes."""

import dataclasses
import functools
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from iceopt.compare.comparison import compare
from iceopt.compare.profile import Profile, read_profile
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.outcome import fit
from iceopt.ice.layers import Ice
from iceopt.result.write import write_result
from tests.fitting import EDGES_M, TRUE_ABSORPTION_M, TRUE_SCATTERING_M, small_config, small_problem

RATE = 0.05
PAIRS = 20


def fitted_season(folder: Path, seed: int, ice: Ice | None = None) -> Profile:
    """Fit other counts of the same modules and flashes."""
    problem, _ = small_problem(small_config(draws=300), ice, seed)
    store = Checkpoint(folder / f"checkpoint{seed}", {}, resume=False)
    path = folder / f"season{seed}.h5"
    write_result(
        path, fit(problem, store, lambda words, part: None), ["iceopt"], datetime.now(UTC), ["small"]
    )
    return read_profile(path, 1)


@pytest.fixture(scope="module")
def pair_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], tuple[Profile, Profile]]:
    """Give two fitted seasons by the number of the pair, each fitted once: no test has to fit them all."""
    folder = tmp_path_factory.mktemp("seasons")
    return functools.cache(lambda k: (fitted_season(folder, 2 * k), fitted_season(folder, 2 * k + 1)))


@pytest.mark.slow
@pytest.mark.parametrize("number", range(PAIRS))
def test_two_fits_of_the_same_ice_do_not_differ_grossly(pair_of, number):
    """By chance in one of five hundred runs of all pairs."""
    assert compare(*pair_of(number), RATE, 1).joint > 1e-4


@pytest.mark.slow
@pytest.mark.timeout(6000)
def test_nothing_is_found_between_fits_of_the_same_ice(pair_of):
    found, alone, pulls = [], [], []
    for old, new in map(pair_of, range(PAIRS)):
        c = compare(old, new, RATE, 1)
        found.append(c.anything)
        alone.append(compare(dataclasses.replace(old, log_efficiency=None), new, RATE, 1).anything)
        pulls.append(c.change.mean(axis=0) / c.change.std(axis=0))
    print("found", np.mean(found), "without shared modules", np.mean(alone), "rms", np.std(pulls))
    limit = 2 * RATE + 3 * np.sqrt(2 * RATE * (1 - 2 * RATE) / PAIRS)
    assert np.mean(found) <= limit
    assert np.mean(alone) <= limit


@pytest.mark.slow
def test_a_layer_that_changed_by_a_fifth_is_found(pair_of, tmp_path):
    scattering = np.array(TRUE_SCATTERING_M) * [1.0, 0.8, 1.0]
    changed = fitted_season(tmp_path, 100, Ice(EDGES_M, scattering, TRUE_ABSORPTION_M))
    c = compare(pair_of(0)[0], changed, RATE, 1)
    assert c.changed[0, 1]
    low, high = np.quantile(c.change[:, 0, 1], [0.025, 0.975])
    assert low < np.log(0.8) < high
    assert c.joint < 1e-3
