"""Tables for others: columns, units, quantiles, other wavelengths, draws and covariance."""

import subprocess
import sys
from datetime import UTC, datetime

import h5py
import numpy as np
import polars as pl
import pytest

from iceopt.errors import InputError
from iceopt.ice.wavelength import PUBLISHED_SD, absorption_length_at, scattering_length_at
from iceopt.result.export import LAYERS, NUISANCES, export_csv
from iceopt.result.read import Result
from iceopt.result.write import write_result
from tests.fitting import EDGES_M, fitted


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("export") / "small.h5"
    write_result(path, fitted()[0], ["iceopt"], datetime.now(UTC), ["small"])
    return path


@pytest.fixture
def result(path):
    with Result(path) as content:
        yield content


def read(path):
    return pl.read_csv(path, comment_prefix="#")


COLUMNS = {
    "layers": "wavelength_nm,depth_top_m,depth_bottom_m,"
    "scattering_length_m,scattering_length_m_p2.5,scattering_length_m_p16,scattering_length_m_p84,"
    "scattering_length_m_p97.5,absorption_length_m,absorption_length_m_p2.5,absorption_length_m_p16,"
    "absorption_length_m_p84,absorption_length_m_p97.5",
    "modules": "module,relative_efficiency,relative_efficiency_sd,time_offset_ns,time_offset_sd_ns,state",
    "runs": "run,brightness,brightness_sd,state",
}


@pytest.mark.parametrize("what", list(COLUMNS))
def test_export_has_its_columns_under_a_commented_header(result, tmp_path, what):
    path = tmp_path / f"{what}.csv"
    export_csv(result, what, path)
    table = pl.read_csv(path, comment_prefix="#")
    assert ",".join(table.columns) == COLUMNS[what]
    comments = [line for line in path.read_text().splitlines() if line.startswith("#")]
    assert f"# {result.verdict}" in comments


def test_exported_layers_are_the_quantiles(result, tmp_path):
    path = tmp_path / "layers.csv"
    export_csv(result, "layers", path)
    table = pl.read_csv(path, comment_prefix="#")
    np.testing.assert_array_equal(table["depth_bottom_m"], EDGES_M[1:])
    low, high = (table[f"absorption_length_m_p{q}"] for q in ("2.5", "97.5"))
    expected = np.quantile(result.draws("absorption_length"), [0.025, 0.975], axis=0)
    np.testing.assert_allclose([low, high], expected, rtol=1e-5)


def test_every_table_has_a_test_of_its_columns():
    assert {*COLUMNS, "draws", "covariance"} == {*LAYERS, *NUISANCES}


def test_layers_at_another_wavelength_carry_the_laws_and_their_errors(result, tmp_path):
    path = tmp_path / "layers505.csv"
    export_csv(result, "layers", path, wavelength_nm=505.0)
    table = read(path)
    measured = result.attribute("wavelength_nm")
    np.testing.assert_array_equal(table["wavelength_nm"], 505.0)
    comments = [line for line in path.read_text().splitlines() if line.startswith("#")]
    assert any("Ackermann" in line and f"from {measured:g} to 505 nm" in line for line in comments)
    draws = result.draws("scattering_length")
    medians = [np.median(result.draws(n), axis=0) for n in ("scattering_length", "absorption_length")]
    expected = [
        law(505.0, m, measured)
        for law, m in zip((scattering_length_at, absorption_length_at), medians, strict=True)
    ]
    np.testing.assert_allclose(table["scattering_length_m"], expected[0], rtol=0.01)
    np.testing.assert_allclose(table["absorption_length_m"], expected[1], rtol=0.05)
    # Propagation of errors: the law's power and the fit are independent.
    spread = np.log(table["scattering_length_m_p84"] / table["scattering_length_m_p16"]) / 2
    law = PUBLISHED_SD.scattering_power * np.log(505.0 / measured)
    np.testing.assert_allclose(spread, np.hypot(np.log(draws).std(axis=0), law), rtol=0.1)


def test_a_wavelength_outside_the_laws_or_of_no_lengths_is_refused(result, tmp_path):
    with pytest.raises(InputError, match="900 nm lies outside"):
        export_csv(result, "layers", tmp_path / "x.csv", wavelength_nm=900.0)
    with pytest.raises(InputError, match="leave --wavelength out"):
        export_csv(result, "modules", tmp_path / "x.csv", wavelength_nm=450.0)
    assert list(tmp_path.iterdir()) == []


def test_draws_and_covariance_are_the_results(result, tmp_path):
    for what in ("draws", "covariance"):
        export_csv(result, what, tmp_path / f"{what}.csv")
    draws, covariance = read(tmp_path / "draws.csv"), read(tmp_path / "covariance.csv")
    lengths = np.hstack([result.draws("scattering_length"), result.draws("absorption_length")])
    assert draws.columns[1] == "scattering_length_m[1490-1530]"
    np.testing.assert_allclose(draws.select(draws.columns[1:]).to_numpy(), lengths, rtol=1e-5)
    assert covariance["quantity"].to_list() == draws.columns[1:] == covariance.columns[2:]
    matrix = covariance.select(covariance.columns[2:]).to_numpy()
    np.testing.assert_allclose(matrix, np.cov(np.log(lengths).T), rtol=1e-4, atol=1e-12)
    np.testing.assert_allclose(covariance["mean_ln"], np.log(lengths).mean(axis=0), rtol=1e-5)


def test_the_command_writes_arrival_times(path, tmp_path):
    out = tmp_path / "times.h5"
    command = [sys.executable, "-m", "iceopt", "export", str(path), "-o", str(out), "--what", "arrival-times"]
    few = ["--step", "40", "--reach", "120", "--order", "2"]
    done = subprocess.run([*command, *few], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    with h5py.File(out) as file:
        assert file["arrival_density"].shape[0] == 3
        assert file.attrs["light_model"].startswith("layered moments of order 2 at the posterior median")
        assert file.attrs["verdict"]
    done = subprocess.run([*command, "--wavelength", "500"], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "leave --wavelength out" in done.stderr
