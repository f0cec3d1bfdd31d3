"""Every figure is drawn from a small result and saved; depth runs down, a poor fit is called one."""

from datetime import UTC, datetime

import numpy as np
import pytest

from iceopt.figures.gallery import FIGURES, draw, save
from iceopt.result.read import Result
from iceopt.result.write import write_result
from tests.fitting import EDGES_M, fitted


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("figures") / "small.h5"
    write_result(path, fitted()[0], ["iceopt"], datetime.now(UTC), ["small"])
    return path


@pytest.mark.parametrize("name", list(FIGURES))
def test_figure_is_drawn_and_saved(path, tmp_path, name):
    with Result(path) as result:
        figure = draw(name, result)
        written = save(figure, tmp_path / name)
    assert [p.suffix for p in written] == [".pdf", ".png"]
    assert written[0].read_bytes().startswith(b"%PDF")
    assert written[1].read_bytes().startswith(b"\x89PNG")
    assert not list(tmp_path.glob("*.part"))
    for axes in figure.axes:
        if axes.lines or axes.collections or axes.patches:
            assert axes.get_xlabel() or axes.get_ylabel() or axes.get_title()


def test_depth_runs_down_and_the_median_is_the_results(path):
    with Result(path) as result:
        figure = draw("depth_profiles", result)
        median = result.quantiles("scattering_length", [0.5])[0]
    axes = figure.axes[0]
    assert axes.get_ylim() == (EDGES_M[-1], EDGES_M[0])
    assert "(m)" in axes.get_xlabel()
    assert "(m)" in axes.get_ylabel()
    np.testing.assert_allclose(axes.lines[0].get_xdata(), np.repeat(median, 2))


def test_unconverged_fit_is_called_one_in_the_title(path, tmp_path):
    import h5py

    other = tmp_path / "poor.h5"
    other.write_bytes(path.read_bytes())
    with h5py.File(other, "a") as file:
        file.attrs["converged"] = 0
        file.attrs["verdict"] = "NOT converged, do not use as final: too few steps"
    with Result(other) as result:
        for name in FIGURES:
            assert "NOT converged" in draw(name, result).get_suptitle()
