"""The result file: whole, open to others, refused when it is not one."""

import json
from datetime import UTC, datetime

import h5py
import numpy as np
import polars as pl
import pytest

from iceopt.errors import InputError
from iceopt.result.export import TABLES, export_csv
from iceopt.result.read import Result
from iceopt.result.write import write_result
from tests.fitting import EDGES_M, fitted


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("result") / "small.h5"
    started = datetime(2040, 1, 2, 3, 4, 5, tzinfo=UTC)
    write_result(path, fitted()[0], ["iceopt", "fit", "small"], started, ["small"])
    return path


@pytest.fixture
def result(path):
    with Result(path) as content:
        yield content


def test_round_trip_is_exact(result):
    outcome, _ = fitted()
    drawn = outcome.corrected
    np.testing.assert_array_equal(
        result.values("posterior", "scattering_length"), np.exp(drawn.draws[:, :, :3])
    )
    np.testing.assert_array_equal(result.values("posterior", "time_offset"), drawn.offset_ns[0])
    np.testing.assert_array_equal(result.values("sample_stats", "lp"), drawn.log_density)
    np.testing.assert_array_equal(result.values("constant_data", "layer_top"), EDGES_M[:-1])
    part = outcome.problem.parts[0]
    np.testing.assert_array_equal(
        result.values("observed_data", "counts"), part.campaign.counts[part.observations.pair]
    )
    np.testing.assert_array_equal(
        result.values("diagnostics", "laplace_covariance"), outcome.maximum.covariance
    )


def test_efficiencies_average_one_and_the_product_is_kept(result):
    drawn = fitted()[0].corrected
    efficiency = result.values("posterior", "efficiency")
    np.testing.assert_allclose(efficiency.mean(axis=2), 1.0, rtol=1e-12)
    product = result.values("posterior", "brightness")[:, :, :1] * efficiency[:, :, :1]
    np.testing.assert_allclose(
        np.log(product), drawn.log_brightness[0][:, :, :1] + drawn.log_efficiency[0][:, :, :1], atol=1e-12
    )


def test_verdict_and_provenance_are_there(result):
    outcome, _ = fitted()
    assert result.converged == outcome.converged
    assert result.verdict == outcome.verdict
    assert result.attribute("configuration") == json.loads(outcome.problem.config.model_dump_json())
    assert result.attribute("command_line") == "iceopt fit small"
    assert result.attribute("started_at").startswith("2040-01-02T03:04:05")
    assert "numpy" in result.attribute("versions")
    assert result.attribute("seed") == outcome.problem.config.seed


def test_every_variable_has_units(path):
    with h5py.File(path) as file:
        for group in ("posterior", "sample_stats", "observed_data", "posterior_predictive", "constant_data"):
            for name, variable in file[group].items():
                if name in file[group].attrs.get("unlabelled", ()) or "units" not in variable.attrs:
                    # netCDF's own scales for dimensions without coordinates carry no data.
                    assert b"This is a netCDF dimension" in variable.attrs["NAME"], (group, name)
        assert file["posterior/scattering_length"].attrs["units"] == "m"
        assert file["posterior/time_offset"].attrs["units"] == "ns"


def test_xarray_opens_it_as_it_is(path):
    xarray = pytest.importorskip("xarray")
    with xarray.open_datatree(path, engine="h5netcdf") as tree:
        length = tree["posterior"]["scattering_length"]
        assert length.dims == ("chain", "draw", "layer")
        np.testing.assert_allclose(length["layer"], [1510.0, 1550.0, 1595.0])
        assert length.attrs["units"] == "m"
        assert list(tree["posterior"]["module"].values[:2]) == ["L1-01", "L1-02"]


def test_arviz_opens_it_as_it_is(path):
    arviz = pytest.importorskip("arviz")
    data = arviz.from_netcdf(str(path))
    summary = arviz.summary(data, var_names=["scattering_length"])
    assert len(summary) == 3
    with Result(path) as result:
        mean = result.draws("scattering_length").mean(axis=0)
    np.testing.assert_allclose(summary["mean"], mean, atol=1e-2)


def test_rows_are_read_alone(result):
    whole = result.values("observed_data", "counts")
    np.testing.assert_array_equal(result.values("observed_data", "counts", 3), whole[3])
    assert result.shape("observed_data", "counts") == whole.shape


def test_unknown_schema_is_refused(path, tmp_path):
    other = tmp_path / "later.h5"
    other.write_bytes(path.read_bytes())
    with h5py.File(other, "a") as file:
        file.attrs["schema_version"] = 99
    with pytest.raises(InputError, match="version 99 of the result schema"):
        Result(other)


@pytest.mark.parametrize("content", [b"", b"not HDF5 at all"])
def test_what_is_no_hdf5_file_is_refused(tmp_path, content):
    path = tmp_path / "x.h5"
    path.write_bytes(content)
    with pytest.raises(InputError, match="not a whole HDF5 file"):
        Result(path)


def test_truncated_file_is_refused(path, tmp_path):
    half = tmp_path / "half.h5"
    half.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(InputError, match="not a whole HDF5 file"):
        Result(half)


def test_other_hdf5_and_missing_files_are_refused(tmp_path):
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1
    with pytest.raises(InputError, match="not a result"):
        Result(tmp_path / "other.h5")
    with pytest.raises(InputError, match="no such file"):
        Result(tmp_path / "none.h5")


COLUMNS = {
    "layers": "wavelength_nm,depth_top_m,depth_bottom_m,"
    "scattering_length_m,scattering_length_m_p2.5,scattering_length_m_p16,scattering_length_m_p84,"
    "scattering_length_m_p97.5,absorption_length_m,absorption_length_m_p2.5,absorption_length_m_p16,"
    "absorption_length_m_p84,absorption_length_m_p97.5",
    "modules": "module,relative_efficiency,relative_efficiency_sd,time_offset_ns,time_offset_sd_ns,state",
    "runs": "run,brightness,brightness_sd,state",
}


@pytest.mark.parametrize("what", list(TABLES))
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
