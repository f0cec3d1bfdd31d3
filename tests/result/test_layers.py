"""What a result says of its layers: priors and shares against closed forms, marks where they belong."""

import h5py
import numpy as np
import pytest
import scipy.stats

from iceopt.fit.config import FitConfig
from iceopt.fit.priors import LayerPrior
from iceopt.result.layers import LEAST_SHARE, QUANTILES, read_layers
from iceopt.result.prior import data_share, prior_quantiles
from iceopt.result.read import Result
from iceopt.result.summary import lie_of_the_ice, mean_and_sd
from tests.fake_results import Fake, write_fake
from tests.fitting import fitted

FAKE = Fake(layers=20, unseen=4, stuck=(7,), draws=300, relative_error=0.02)
CONFIG = FitConfig().prior


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("layers") / "fake.h5"
    write_fake(path, FAKE)
    return path


@pytest.fixture
def result(path):
    with Result(path) as content:
        yield content


def hermite(*means_and_sds):
    """Nodes and weights of a product Gauss-Hermite rule over independent normals."""
    x, w = np.polynomial.hermite_e.hermegauss(24)
    grids = np.meshgrid(*([x] * len(means_and_sds)), indexing="ij")
    weights = np.prod(np.meshgrid(*([w / w.sum()] * len(means_and_sds)), indexing="ij"), axis=0)
    return [m + s * g for (m, s), g in zip(means_and_sds, grids, strict=True)], weights


def test_prior_of_the_scattering_length_is_the_mixture_of_normals_that_it_should_be(result):
    """Given its size, ln le of one layer is normal; sizes are integrated by Gauss-Hermite quadrature."""
    smooth, level = CONFIG.smoothness.scattering_size, CONFIG.level.scattering_length_m
    part = CONFIG.smoothness.own_part
    (ln_size, ln_part), weights = hermite(
        (np.log(smooth.median), smooth.spread), (np.log(part.median), part.spread)
    )
    found = np.log(prior_quantiles(result, QUANTILES)[0])
    spread = np.hypot(level.spread, np.exp(ln_size) * np.hypot(1.0, np.exp(ln_part)))
    below = [np.sum(weights * scipy.stats.norm.cdf(q, np.log(level.median), spread)) for q in found]
    # 20 000 draws: four standard errors of a fraction are at most 0.014.
    np.testing.assert_allclose(below, QUANTILES, atol=0.014)


def test_prior_of_the_absorption_length_follows_the_dust_line(result):
    """Given slope, size and scatter, ln la is normal around the line's level."""
    dust, smooth = CONFIG.dust, CONFIG.smoothness.scattering_size
    level = CONFIG.level.scattering_length_m
    assert level.median == 25.0  # the line's own reference, so that its level is the mean
    part = CONFIG.smoothness.own_part
    (slope, ln_size, ln_scatter, ln_part), weights = hermite(
        (dust.slope.mean, dust.slope.sd),
        (np.log(smooth.median), smooth.spread),
        (np.log(dust.scatter.median), dust.scatter.spread),
        (np.log(part.median), part.spread),
    )
    whole = 1.0 + np.exp(2 * ln_part)
    variance = dust.absorption_at_25_m.spread**2 + np.exp(2 * ln_scatter) * whole
    variance += slope**2 * (level.spread**2 + np.exp(2 * ln_size) * whole)
    found = np.log(prior_quantiles(result, QUANTILES)[1])
    mean = np.log(dust.absorption_at_25_m.median)
    below = [np.sum(weights * scipy.stats.norm.cdf(q, mean, np.sqrt(variance))) for q in found]
    np.testing.assert_allclose(below, QUANTILES, atol=0.014)


def test_those_normals_are_the_density_that_fits_use():
    prior = LayerPrior(CONFIG, np.zeros(1))
    hyper = {p.name: p.mean + 0.3 for p in prior.hyperparameters}
    x, y = np.array([[2.0], [4.0]]), np.array([[4.0], [5.5]])
    found = np.diff(prior.values(x, y, np.tile(list(hyper.values()), (2, 1))))[0]
    level = CONFIG.level.scattering_length_m
    line = hyper["ln_dust_absorption"] + hyper["dust_slope"] * (x[:, 0] - np.log(25.0))
    whole = np.hypot(1.0, np.exp(hyper["ln_own_part"]))
    of_x = scipy.stats.norm.logpdf(
        x[:, 0], np.log(level.median), np.hypot(level.spread, whole * np.exp(hyper["ln_scattering_size"]))
    )
    of_y = scipy.stats.norm.logpdf(y[:, 0], line, whole * np.exp(hyper["ln_dust_scatter"]))
    assert found == pytest.approx(np.diff(of_x + of_y)[0], rel=1e-4)  # the nugget is 1e-6 of the variance


def switched(path, tmp_path, change):
    """The result with its priors' configuration changed."""
    other = tmp_path / "other.h5"
    other.write_bytes(path.read_bytes())
    prior = CONFIG.model_copy(update=change(CONFIG))
    with h5py.File(other, "a") as file:
        file.attrs["configuration"] = FitConfig(prior=prior).model_dump_json()
    return other


def test_without_smoothness_and_dust_the_prior_is_the_level_alone(path, tmp_path):
    off = {"on": False}
    other = switched(
        path,
        tmp_path,
        lambda c: {"smoothness": c.smoothness.model_copy(update=off), "dust": c.dust.model_copy(update=off)},
    )
    with Result(other) as result:
        found = np.log(prior_quantiles(result, QUANTILES))
    for quantiles, level in zip(
        found, (CONFIG.level.scattering_length_m, CONFIG.level.absorption_length_m), strict=True
    ):
        below = scipy.stats.norm.cdf(quantiles, np.log(level.median), level.spread)
        np.testing.assert_allclose(below, QUANTILES, atol=0.014)


def test_share_of_the_counts_is_that_of_their_precision(result):
    """The prior's precision from its covariance written out: Matern 3/2, each layer's own, a common level."""
    depth = FAKE.top_m + FAKE.thickness_m * (np.arange(FAKE.layers) + 0.5)
    r = np.sqrt(3.0) * np.abs(depth[:, None] - depth) / CONFIG.smoothness.length_m.median
    own = CONFIG.smoothness.own_part.median**2 + 1e-6
    matern = (1 + r) * np.exp(-r) + own * np.eye(depth.size)
    level = CONFIG.level.scattering_length_m.spread
    of_scattering = np.linalg.inv(CONFIG.smoothness.scattering_size.median**2 * matern + level**2)
    of_line = np.linalg.inv(CONFIG.dust.scatter.median**2 * matern)
    counts = np.where(np.arange(depth.size) < depth.size - FAKE.unseen, FAKE.relative_error**-2, 0.0)
    precision = np.array([of_scattering + CONFIG.dust.slope.mean**2 * of_line, of_line])
    expected = counts / (counts + np.diagonal(precision, axis1=1, axis2=2))
    np.testing.assert_allclose(data_share(result), expected, atol=1e-5)


def test_real_fit_is_told_by_its_counts(tmp_path):
    from datetime import UTC, datetime

    from iceopt.result.write import write_result

    write_result(tmp_path / "real.h5", fitted()[0], ["iceopt"], datetime.now(UTC), ["small"])
    write_fake(tmp_path / "fake.h5", Fake())
    with Result(tmp_path / "real.h5") as real, Result(tmp_path / "fake.h5") as fake:
        assert data_share(real).min() > 0.99
        assert real.final == real.converged  # its light model claims no error of its own
        for group in ("posterior", "observed_data", "posterior_predictive", "diagnostics", "constant_data"):
            ours = set(fake.names(group))
            written = {n for n in real.names(group) if not _is_bare_dimension(real, group, n)}
            assert ours == written, "tests/fake_results.py no longer writes what fits write"


def _is_bare_dimension(result, group, name):
    """A netCDF dimension without values, which h5py lists among the variables."""
    with h5py.File(result.path) as file:
        note = file[group][name].attrs.get("NAME", b"")
    return note.startswith(b"This is a netCDF dimension")


def test_mean_and_sd_are_those_of_all_draws(result):
    mean, sd = mean_and_sd(result, "efficiency")
    np.testing.assert_allclose(mean, result.draws("efficiency").mean(axis=0), rtol=1e-12)
    np.testing.assert_allclose(sd, result.draws("efficiency").std(axis=0, ddof=1), rtol=1e-12)


def test_marks_stand_where_they_belong(result):
    layers = read_layers(result)
    assert np.flatnonzero(~layers.scattering.converged).tolist() == [7]
    assert layers.absorption.converged.all()
    for lengths in (layers.scattering, layers.absorption):
        assert np.flatnonzero(lengths.by_prior).tolist() == [16, 17, 18, 19]
        assert (lengths.share[:16] > LEAST_SHARE).all()


def test_layer_without_diagnostics_has_not_converged(path, tmp_path):
    other = tmp_path / "nan.h5"
    other.write_bytes(path.read_bytes())
    with h5py.File(other, "a") as file:
        file["diagnostics/rhat"][2] = np.nan
        file["diagnostics/ess_tail"][3] = np.nan
    with Result(other) as result:
        assert not read_layers(result).scattering.converged[[2, 3]].any()


@pytest.mark.parametrize(
    ("converged", "light_model_error", "fitted_pair_error", "expected"),
    [
        (1, 0.02, 0.015, True),
        (1, 0.5, 0.015, False),
        (1, np.nan, 0.015, False),
        (0, 0.02, 0.015, False),
        (1, 0.01, 0.05, False),
        (1, 0.06, 0.05, True),
    ],
)
def test_final_is_what_converged_with_a_good_light_model(
    path, tmp_path, converged, light_model_error, fitted_pair_error, expected
):
    other = tmp_path / "other.h5"
    other.write_bytes(path.read_bytes())
    with h5py.File(other, "a") as file:
        file.attrs["converged"], file.attrs["light_model_error"] = converged, light_model_error
        file.attrs["fitted_pair_error"] = fitted_pair_error
    with Result(other) as result:
        assert result.final is expected


def test_slope_and_stretch_stand_with_their_errors(path, tmp_path):
    with Result(path) as result:
        assert "level" in lie_of_the_ice(result)
    other = tmp_path / "sloping.h5"
    other.write_bytes(path.read_bytes())
    with h5py.File(other, "a") as file:
        file.attrs["attitude"] = np.array([0.0, 0.045, -0.03, 0.0])
        file.attrs["attitude_sd"] = np.array([0.001, 0.002, 0.0004, 0.0003])
    with Result(other) as result:
        words = lie_of_the_ice(result)
    assert "45.0 (2.0) m a km towards 90 degrees" in words
    assert "3.00 (0.04) % shorter along 90 degrees" in words
