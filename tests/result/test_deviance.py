"""Deviances against scipy's chi-squared and counts that are drawn with known errors."""

from datetime import UTC, datetime

import numpy as np
import pytest
import scipy.stats

from iceopt.result.deviance import Deviances, poisson_deviance
from iceopt.result.read import Result
from iceopt.result.write import write_result
from tests.fitting import fitted


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    path = tmp_path_factory.mktemp("deviance") / "small.h5"
    write_result(path, fitted()[0], ["iceopt"], datetime.now(UTC), ["small"])
    with Result(path) as result:
        yield Deviances(result), result


def test_deviance_is_twice_the_drop_of_the_log_probability():
    # Baker, Cousins, Nucl. Instrum. Meth. 221, 437 (1984): -2 ln of the likelihood ratio to a perfect model.
    counts, expected = np.array([0.0, 1.0, 7.0, 300.0]), np.array([0.3, 2.5, 7.0, 250.0])
    drop = scipy.stats.poisson.logpmf(counts, np.maximum(counts, 1e-300)) - scipy.stats.poisson.logpmf(
        counts, expected
    )
    np.testing.assert_allclose(poisson_deviance(counts, expected), 2 * drop, rtol=1e-9, atol=1e-9)


def test_deviance_of_a_right_model_averages_one():
    counts = np.random.default_rng(1).poisson(200.0, 20_000)
    assert poisson_deviance(counts, 200.0).mean() == pytest.approx(1.0, abs=0.05)


def test_cells_hold_all_bins_of_a_fit_that_describes_its_counts(found):
    deviances, result = found
    used = result.values("observed_data", "used") > 0
    names, by_module = deviances.by_module()
    assert names == list(result.values("posterior", "module"))
    for misfit in (deviances.by_distance(), deviances.by_time(), by_module):
        # Counts are drawn from the light model itself: only counting scatters. Dim bins deviate less than 1.
        assert np.median(misfit.seen) < 1.3
        assert (misfit.expected >= 1.0).all()
    many = used.sum(axis=0)
    by_time = deviances.by_time()
    total = np.sum(by_time.seen * many[many > 0])
    whole = poisson_deviance(
        result.values("observed_data", "counts")[used].astype(float),
        result.values("posterior_predictive", "counts_mean")[used].astype(float),
    ).sum()
    assert total == pytest.approx(whole, rel=1e-6)


def test_a_spoiled_pair_is_the_worst(found, tmp_path):
    import h5py

    _, result = found
    path = tmp_path / "spoiled.h5"
    path.write_bytes(result.path.read_bytes())
    brightest = int(result.values("observed_data", "counts").sum(axis=1).argmax())
    with h5py.File(path, "a") as file:
        file["observed_data/counts"][brightest] = 2 * file["observed_data/counts"][brightest]
    with Result(path) as spoiled:
        worst = Deviances(spoiled).worst(3)
        runs, modules = (spoiled.values("constant_data", n) for n in ("campaign_run", "site_module"))
        pair = [spoiled.values("constant_data", f"pair_{n}", brightest) for n in ("run", "module")]
    assert (worst[0].run, worst[0].module) == (runs[pair[0]], modules[pair[1]])
    assert worst[0].pull > 5
    assert worst[0].deviance > worst[1].deviance
