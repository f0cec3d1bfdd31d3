"""The table of arrival times against tracked photons, and what interpolation in it costs."""

import json
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy.interpolate

from iceopt.errors import InputError
from iceopt.ice.layers import Ice
from iceopt.light.model import SPEED_OF_LIGHT_M_PER_NS
from iceopt.result.arrival_times import (
    DELAY_NS,
    Grid,
    Medium,
    arrival_times,
    regular_grid,
    write_arrival_times,
)

TRACKED = Path(__file__).parents[1] / "data/tracked_fluence"
WIDTH_NS = np.diff(DELAY_NS)
ROUGH = Ice(
    np.arange(1700.0, 1901.0, 25.0), [30, 22, 12, 8, 20, 35, 28, 18], [120, 90, 60, 45, 95, 140, 110, 80]
)
MEDIUM = Medium(1.337, 0.9)


def silent(done: float) -> None:
    pass


def test_table_agrees_with_an_independent_tracking():
    """Uniform ice, isotropic emitter, photons of another program (tests/data/tracked_fluence/recipe.py)."""
    settings = json.loads((TRACKED / "homogeneous_isotropic.json").read_text())
    data = np.load(TRACKED / "homogeneous_isotropic.npz")
    depth = np.array(settings["receiver_depth_m"])
    ice = Ice(*(settings[k] for k in ("edges_m", "scattering_length_m", "absorption_length_m")))
    speed = settings["v_m_per_ns"]
    grid = Grid(np.array([120.0, 240.0]), np.array([1720.0, 1792.0, 1800.0, 1816.0, 1888.0]), 300.0)
    medium = Medium(SPEED_OF_LIGHT_M_PER_NS / speed, settings["g"])
    fluence, density = arrival_times(ice, medium, grid, 5, silent)

    rows = np.searchsorted(depth, grid.depth_m)
    charge, noise = (data[name][0, [1, 3]][:, rows] for name in ("charge", "relerr"))
    flight = np.hypot(grid.distance_m[:, None], grid.depth_m - 1800.0) / speed
    ended = np.ones_like(charge)  # the part of the light that comes before the tracking ends
    for at in np.ndindex(ended.shape):
        arrived = np.r_[0.0, np.cumsum(density[:, 2][at] * WIDTH_NS)]
        ended[at] = np.interp(settings["tmax_ns"] - flight[at], DELAY_NS, arrived)
    assert (abs(np.log(fluence[:, 2] * ended / charge)) < 0.01 + 3 * noise).all()

    held = [0, 1, 3, 4]  # depths whose bins the excerpt holds
    bins = data["fluence"][0][:, np.searchsorted(data["bins_depth"], rows[held])]
    time = settings["dt_ns"] * np.arange(bins.shape[-1] + 1)
    middle = settings["tmax_ns"] / 2  # half way through the readout: how much had come by then?
    for at in np.ndindex(bins.shape[:2]):
        tracked = np.interp(middle, time, np.r_[0.0, np.cumsum(bins[at])]) / bins[at].sum()
        d, r = at[0], held[at[1]]
        arrived = np.r_[0.0, np.cumsum(density[d, 2, r] * WIDTH_NS)]
        assert abs(np.interp(middle - flight[d, r], DELAY_NS, arrived) / ended[d, r] - tracked) < 0.01


@pytest.fixture(scope="module")
def table():
    grid = regular_grid(1720.0, 1880.0, 20.0, 240.0)
    return grid, *arrival_times(ROUGH, MEDIUM, grid, 2, silent)


def test_density_integrates_to_one_and_light_is_reciprocal(table):
    grid, fluence, density = table
    near = np.isfinite(fluence)
    np.testing.assert_allclose(density[near] @ WIDTH_NS, 1.0, rtol=1e-9)
    # An isotropic emitter and a receiver that sees all directions alike may change places.
    np.testing.assert_allclose(fluence, fluence.transpose(0, 2, 1), rtol=1e-6)
    path = np.hypot(grid.distance_m[:, None, None], grid.depth_m[:, None] - grid.depth_m)
    np.testing.assert_array_equal(near, path <= grid.reach_m)


def interpolation_errors(step_m):
    """Rms of ln(fluence), and largest error of the part arrived by any time, at places between the nodes."""
    rng = np.random.default_rng(3)
    middle = Grid(rng.uniform(60.0, 160.0, 4), rng.uniform(1740.0, 1860.0, 6), 300.0)
    grid = regular_grid(1740.0, 1860.0, step_m, 240.0)
    fluence, density = arrival_times(ROUGH, MEDIUM, grid, 2, silent)
    true_fluence, true_density = arrival_times(ROUGH, MEDIUM, middle, 2, silent)
    nodes = (grid.distance_m, grid.depth_m, grid.depth_m)
    points = np.stack(np.meshgrid(middle.distance_m, middle.depth_m, middle.depth_m, indexing="ij"), axis=-1)
    path = np.hypot(grid.distance_m[:, None, None], grid.depth_m[:, None] - grid.depth_m)
    read = scipy.interpolate.RegularGridInterpolator(nodes, np.log(fluence * path))(points)
    r = np.hypot(points[..., 0], points[..., 1] - points[..., 2])
    times = scipy.interpolate.RegularGridInterpolator(nodes, density)(points)
    late = np.cumsum((times - true_density) * WIDTH_NS, axis=-1)
    return np.sqrt(np.mean((read - np.log(r * true_fluence)) ** 2)), abs(late).max()


def test_interpolation_as_told_gets_better_with_the_step():
    """In layers of 25 m that differ fourfold; linear interpolation is of second order where ice is smooth."""
    (charge20, time20), (charge10, time10) = interpolation_errors(20.0), interpolation_errors(10.0)
    assert charge10 < min(0.5 * charge20, 0.06)
    assert time10 < 0.5 * time20


def test_file_has_units_and_says_how_to_interpolate(table, tmp_path):
    grid, fluence, density = table
    path = tmp_path / "times.h5"
    write_arrival_times(path, grid, fluence, density, {"site": "Skarv Dome"})
    with h5py.File(path) as file:
        np.testing.assert_array_equal(file["fluence"][()], fluence)
        assert [file["arrival_density"].dims[i][0].name for i in range(4)] == [
            "/distance", "/emitter_depth", "/receiver_depth", "/delay",
        ]  # fmt: skip
        assert {n: file[n].attrs["units"] for n in file} == {
            "distance": "m", "emitter_depth": "m", "receiver_depth": "m", "delay": "ns", "delay_edges": "ns",
            "fluence": "1/m2", "arrival_density": "1/ns",
        }  # fmt: skip
        assert "Linear interpolation" in file.attrs["interpolation"]
    xarray = pytest.importorskip("xarray")
    with xarray.open_dataset(path, engine="h5netcdf") as opened:
        assert opened["arrival_density"].dims == ("distance", "emitter_depth", "receiver_depth", "delay")
    assert [p.name for p in tmp_path.iterdir()] == ["times.h5"]


def test_grids_too_fine_or_too_short_are_refused():
    with pytest.raises(InputError, match=r"nodes; at most 2,000,000"):
        regular_grid(1400.0, 2300.0, 2.0, 300.0)
    with pytest.raises(InputError, match="less than two steps"):
        regular_grid(1400.0, 2300.0, 20.0, 30.0)
