"""The result file: whole, open to others, refused when it is not one."""

import json
import platform
import subprocess
import sys
from datetime import UTC, datetime

import h5py
import numpy as np
import pytest

from iceopt.errors import InputError
from iceopt.result.read import Result
from iceopt.result.write import write_result
from tests.fitting import EDGES_M, fitted
from tests.results import Drawn, write_drawn


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
    np.testing.assert_array_equal(result.values("posterior", "time_offset"), drawn.nuisances[0].offset_ns)
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
    own = fitted()[0].corrected.nuisances[0]
    efficiency = result.values("posterior", "efficiency")
    np.testing.assert_allclose(efficiency.mean(axis=2), 1.0, rtol=1e-12)
    product = result.values("posterior", "brightness")[:, :, :1] * efficiency[:, :, :1]
    np.testing.assert_allclose(
        np.log(product), own.log_brightness[:, :, :1] + own.log_efficiency[:, :, :1], atol=1e-12
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
        for group in file:
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


def test_provenance_is_complete_and_names_no_host(path, result):
    """What is needed to make the file again, and nothing of the machine it was made on."""
    with h5py.File(path) as file:
        attributes = dict(file.attrs)
    assert set(attributes) >= {
        "schema", "schema_version", "created_at", "started_at", "duration_s", "command_line", "configuration",
        "versions", "seed", "input_sha256", "light_model", "light_model_error", "site", "season",
        "wavelength_nm", "group_index", "scattering_anisotropy", "converged", "verdict", "worst_rhat",
        "least_ess", "pareto_k",
    }  # fmt: skip
    assert platform.node() not in str(attributes)
    assert result.attribute("input_sha256") == {"small": fitted()[0].problem.parts[0].campaign.sha256}
    assert result.attribute("duration_s") > 0
    assert set(result.attribute("versions")) >= {"iceopt", "python", "numpy", "numba", "emcee", "h5py"}


def test_quantiles_do_not_depend_on_how_many_columns_are_read_at_once(result, monkeypatch):
    whole = np.quantile(result.draws("scattering_length"), [0.1, 0.9], axis=0)
    np.testing.assert_array_equal(result.quantiles("scattering_length", [0.1, 0.9]), whole)
    monkeypatch.setattr("iceopt.result.read._BLOCK_BYTES", 1)
    np.testing.assert_array_equal(result.quantiles("scattering_length", [0.1, 0.9]), whole)


MEMORY = """
import resource, sys
from iceopt.result.read import Result
with Result(sys.argv[1]) as result:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    result.values("observed_data", "counts", 7)
    result.verdict, result.shape("posterior", "scattering_length")
    row = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    result.quantiles("scattering_length", [0.16, 0.5, 0.84])
    quantiles = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(row - before, quantiles - before)
"""


def test_a_large_result_needs_memory_only_for_what_is_asked(tmp_path):
    """500 MB of draws and counts: a pair costs a few MB, quantiles of all layers some tens."""
    path = tmp_path / "large.h5"
    edges = np.arange(1400.0, 1501.0)
    one = np.full((4, 10, 100), 20.0)
    write_drawn(path, Drawn(edges, one, one))
    rng = np.random.default_rng(1)
    with h5py.File(path, "a") as file:
        del file["posterior/scattering_length"]
        shape = (4, 80_000, 100)
        draws = file.create_dataset("posterior/scattering_length", shape, "f8", chunks=(1, 20_000, 10))
        for i in range(4):
            draws[i] = rng.standard_normal(shape[1:])
        counts = file.create_dataset("observed_data/counts", (500_000, 120), "i4", chunks=(1000, 120))
        for i in range(0, 500_000, 100_000):
            counts[i : i + 100_000] = i
    assert path.stat().st_size > 490e6
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, str(path)], capture_output=True, text=True, check=True
    )
    row_kb, quantiles_kb = map(int, done.stdout.split())
    assert row_kb < 20_000
    assert quantiles_kb < 160_000


def test_reader_keeps_the_old_result_while_a_new_one_takes_its_place(path, tmp_path):
    shared = tmp_path / "shared.h5"
    shared.write_bytes(path.read_bytes())
    with Result(shared) as reader:
        before = reader.draws("scattering_length")
        write_result(shared, fitted()[0], ["iceopt"], datetime.now(UTC), ["another"])
        np.testing.assert_array_equal(reader.draws("scattering_length"), before)
        assert list(reader.attribute("input_sha256")) == ["small"]
    with Result(shared) as reader:
        assert list(reader.attribute("input_sha256")) == ["another"]


WRITER = """
import sys, h5netcdf
with h5netcdf.File(sys.argv[1], "w") as file:
    file.attrs["schema"] = "iceopt result"
    print("open", flush=True)
    sys.stdin.read()
"""


def test_a_file_still_being_written_is_refused_clearly(tmp_path):
    path = tmp_path / "result.h5.part"
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout.readline() == "open\n"
        with pytest.raises(InputError, match="is being written by another program"):
            Result(path)
        writer.stdin.close()


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(path, tmp_path, monkeypatch):
    target = tmp_path / "kept.h5"
    target.write_bytes(path.read_bytes())
    monkeypatch.setattr("iceopt.result.write._diagnostics", lambda outcome: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_result(target, fitted()[0], ["iceopt"], datetime.now(UTC), ["small"])
    assert [p.name for p in tmp_path.iterdir()] == ["kept.h5"]
    assert target.read_bytes() == path.read_bytes()


@pytest.mark.parametrize("missing", ["posterior/scattering_length", "seed"])
def test_what_a_damaged_file_lacks_is_named(path, tmp_path, missing):
    damaged = tmp_path / "damaged.h5"
    damaged.write_bytes(path.read_bytes())
    with h5py.File(damaged, "a") as file:
        if "/" in missing:
            del file[missing]
        else:
            del file.attrs[missing]
    with (
        Result(damaged) as result,
        pytest.raises(InputError, match=f"has no (variable|attribute) '?{missing}"),
    ):
        result.values(*missing.split("/")) if "/" in missing else result.attribute(missing)


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
