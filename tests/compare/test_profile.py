"""What is read of results and tables for a comparison."""

import numpy as np
import pytest

from iceopt.compare.profile import read_profile
from iceopt.errors import InputError
from iceopt.ice.attitude import Attitude
from tests.results import Drawn, write_drawn

EDGES_M = np.array([1400.0, 1410.0, 1430.0])


def drawn(**attributes):
    rng = np.random.default_rng(1)
    scattering, absorption = rng.lognormal(3.0, 0.1, (2, 4, 50, 2))
    efficiency = rng.lognormal(0.0, 0.1, (4, 50, 3))
    return Drawn(
        EDGES_M, scattering, absorption, efficiency, ("a", "b", "c"), np.array([1.0, 2.0, 3.0]),
        attributes=attributes,
    )  # fmt: skip


def test_a_result_is_read_as_it_is(tmp_path):
    content = drawn(
        least_ess=120.0,
        attitude=np.array([0.04, 0.0, 0.01, -0.02]),
        attitude_sd=np.array([0.001, 0.001, 0.0, 0.0]),
    )
    profile = read_profile(write_drawn(tmp_path / "r.h5", content), 1)
    np.testing.assert_array_equal(profile.log_coefficient[0], -np.log(content.scattering_m))
    np.testing.assert_array_equal(profile.log_coefficient[1], -np.log(content.absorption_m))
    np.testing.assert_array_equal(profile.edges_m, EDGES_M)
    assert (profile.modules, profile.effective_draws, profile.doubt) == (("a", "b", "c"), 120.0, "")
    assert profile.inputs == {"2040"}
    assert profile.attitude == Attitude(0.04, 0.0, 0.01, -0.02)
    np.testing.assert_array_equal(profile.attitude_sd, [0.001, 0.001, 0.0, 0.0])
    np.testing.assert_array_equal(profile.log_efficiency, np.log(content.efficiency))


def test_what_cannot_stand_says_why(tmp_path):
    content = drawn(light_model_error=0.5)
    assert "light model is too poor" in read_profile(write_drawn(tmp_path / "r.h5", content), 1).doubt
    content = drawn(light_model_error=0.005, fitted_pair_error=0.05)
    assert "does not explain" in read_profile(write_drawn(tmp_path / "r.h5", content), 1).doubt
    content.converged = False
    assert "NOT converged" in read_profile(write_drawn(tmp_path / "r.h5", content), 1).doubt


@pytest.mark.parametrize(("least", "taken"), [(np.nan, 4.0), (1.0, 4.0), (1e9, 200.0)])
def test_effective_draws_are_never_more_than_is_known(tmp_path, least, taken):
    profile = read_profile(write_drawn(tmp_path / "r.h5", drawn(least_ess=least)), 1)
    assert profile.effective_draws == taken


def test_a_table_with_symmetric_errors_is_drawn(tmp_path):
    path = tmp_path / "prior.csv"
    path.write_text(
        "# a prior season\n"
        "depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m,scattering_length_sd_m,"
        "absorption_length_sd_m\n1400,1410,20,100,1,10\n1410,1430,25,120,2,6\n"
    )
    profile = read_profile(path, 1)
    draws = -profile.log_coefficient.reshape(2, -1, 2)
    np.testing.assert_allclose(draws.mean(axis=1), np.log([[20, 25], [100, 120]]), atol=0.005)
    np.testing.assert_allclose(draws.std(axis=1), [[1 / 20, 2 / 25], [10 / 100, 6 / 120]], rtol=0.05)
    assert (profile.correlated, profile.wavelength_nm, profile.log_efficiency) == (False, None, None)
    assert not np.array_equal(read_profile(path, 2).log_coefficient, profile.log_coefficient)


def test_quantiles_of_an_exported_table_give_its_errors(tmp_path):
    path = tmp_path / "exported.csv"
    header = "wavelength_nm,depth_top_m,depth_bottom_m"
    for name in ("scattering_length_m", "absorption_length_m"):
        header += f",{name},{name}_p16,{name}_p84"
    path.write_text(f"{header}\n405,1400,1410,20,18,22.5,100,95,105\n")
    profile = read_profile(path, 1)
    spread = profile.log_coefficient.reshape(2, -1).std(axis=1)
    np.testing.assert_allclose(spread, [np.log(22.5 / 18) / 2, np.log(105 / 95) / 2], rtol=0.05)
    assert profile.wavelength_nm == 405.0


def test_a_table_of_two_wavelengths_is_refused(tmp_path):
    path = tmp_path / "two.csv"
    header = "depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m,scattering_length_sd_m"
    rows = "405,1400,1410,20,100,1,5\n505,1410,1420,20,100,1,5\n"
    path.write_text(f"wavelength_nm,{header},absorption_length_sd_m\n{rows}")
    with pytest.raises(InputError, match="column wavelength_nm holds 2 values; expected one"):
        read_profile(path, 1)
