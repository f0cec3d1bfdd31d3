"""`iceopt predict` from tables to a file."""

import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from iceopt.campaign.read import read_campaign
from iceopt.cli import app
from iceopt.errors import InputError
from iceopt.ice.attitude import Attitude
from iceopt.ice.layers import Ice
from iceopt.light.moments.model import LayeredMoments
from iceopt.light.scene import scene_of

TABLE = (
    "depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m\n1400,1550,20,100\n1550,1700,12,60\n"
)


@pytest.fixture
def layers(tmp_path):
    path = tmp_path / "layers.csv"
    path.write_text(TABLE)
    return path


def test_the_file_holds_the_models_counts(small_campaign, layers, tmp_path):
    output = tmp_path / "predicted.h5"
    result = CliRunner().invoke(
        app, ["predict", str(layers), str(small_campaign), "-o", str(output), "--order", "1"]
    )
    assert result.exit_code == 0, result.output
    campaign = read_campaign(small_campaign)
    expected = LayeredMoments(scene_of(campaign), 1).expected(Ice([1400, 1550, 1700], [20, 12], [100, 60]))
    with h5py.File(output) as file:
        np.testing.assert_allclose(file["expected"][:], expected)
        assert list(file["run"].asstr()) == [campaign.flashes.run[i] for i in campaign.pair_run]
        assert list(file["module"].asstr()) == [campaign.modules.name[i] for i in campaign.pair_module]
        np.testing.assert_array_equal(file["t_start_ns"][:], campaign.bin_edges_ns[:-1])


def test_ice_that_slopes_is_predicted_as_it_lies(small_campaign, layers, tmp_path):
    output = tmp_path / "predicted.h5"
    result = CliRunner().invoke(
        app,
        [
            "predict", str(layers), str(small_campaign), "-o", str(output), "--order", "1",
            "--slope", "0.04", "-0.02", "--stretch", "-0.01", "0.02",
        ],
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    scene = scene_of(read_campaign(small_campaign), Attitude(0.04, -0.02, -0.01, 0.02))
    expected = LayeredMoments(scene, 1).expected(Ice([1400, 1550, 1700], [20, 12], [100, 60]))
    with h5py.File(output) as file:
        np.testing.assert_allclose(file["expected"][:], expected)
        assert file.attrs["attitude"].tolist() == [0.04, -0.02, -0.01, 0.02]


def test_bad_input_leaves_nothing_behind(small_campaign, tmp_path):
    output = tmp_path / "predicted.h5"
    result = CliRunner().invoke(
        app, ["predict", str(tmp_path / "no.csv"), str(small_campaign), "-o", str(output)]
    )
    assert isinstance(result.exception, InputError)
    assert not output.exists()
    assert not list(tmp_path.glob("*.partial"))
