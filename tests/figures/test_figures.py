"""Every figure is drawn from a small result and saved; depth runs down, a poor fit is called one."""

from datetime import UTC, datetime

import numpy as np
import pytest

from iceopt.errors import InputError
from iceopt.figures.gallery import FIGURES, draw, save
from iceopt.figures.style import look
from iceopt.result.read import Result
from iceopt.result.write import write_result
from tests.fake_results import Fake, write_fake
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
            alike = axes.get_shared_x_axes().get_siblings(axes)
            assert any(a.get_xlabel() or a.get_ylabel() or a.get_title() for a in alike)


def test_depth_runs_down_and_the_median_is_the_results(path):
    with Result(path) as result:
        figure = draw("depth_profiles", result)
        median = result.quantiles("scattering_length", [0.5])[0]
    axes = figure.axes[0]
    assert axes.get_ylim() == (EDGES_M[-1], EDGES_M[0])
    assert "(m)" in axes.get_xlabel()
    assert "(m)" in axes.get_ylabel()
    np.testing.assert_allclose(axes.lines[0].get_xdata(), np.repeat(median, 2))


@pytest.fixture(scope="module", params=[8, 80])
def fake(tmp_path_factory, request):
    path = tmp_path_factory.mktemp("fake") / "fake.h5"
    unseen = request.param // 8
    write_fake(path, Fake(layers=request.param, unseen=unseen, stuck=(2,), prefix="$_{<"))
    return path


@pytest.mark.parametrize("name", list(FIGURES))
def test_figure_stays_drawable_with_few_and_many_layers_and_odd_names(fake, name):
    with Result(fake) as result:
        figure = draw(name, result)
        with look():
            figure.canvas.draw()
    assert "NOT" not in figure.get_suptitle()


def test_profile_marks_what_has_not_converged_and_what_the_counts_do_not_say(fake):
    with Result(fake) as result:
        figure = draw("depth_profiles", result)
        layers = result.shape("constant_data", "layer_top")[0]
    scattering, absorption = figure.axes
    crosses = [line for line in scattering.lines if "not converged" in line.get_label()]
    assert [list(line.get_ydata()) for line in crosses] == [[1725.0]]
    assert not any("not converged" in line.get_label() for line in absorption.lines)
    bottom = 1700.0 + 10.0 * layers
    (hatch,) = (patch for patch in scattering.patches if patch.get_hatch())
    assert (hatch.get_y(), hatch.get_y() + hatch.get_height()) == (bottom - 10.0 * (layers // 8), bottom)


def test_corner_shows_the_layers_of_the_depths_asked_for(fake):
    with Result(fake) as result:
        figure = draw("corner", result, depths_m=[1715.0, 1730.0])
        labels = [axes.get_xlabel() for axes in figure.axes if axes.get_xlabel()]
        with pytest.raises(InputError, match="no layer lies at 5 m"):
            draw("corner", result, depths_m=[5.0])
    assert [label.split("\n")[0] for label in labels] == [
        f"{symbol}, {depth} m" for depth in ("1710-1720", "1730-1740") for symbol in ("le", "la")
    ]


def test_time_profiles_show_the_pairs_asked_for(fake):
    with Result(fake) as result:
        figure = draw("time_profiles", result, pairs=[("R04", "$_{<2-01"), ("R01", "$_{<1-01")])
        titles = [axes.get_title() for axes in figure.axes]
        with pytest.raises(InputError, match="'R03' at module"):
            draw("time_profiles", result, pairs=[("R03", "$_{<1-01")])
    assert titles[0].startswith(r"R04 at \$_{<2-01, ")
    assert titles[1].startswith(r"R01 at \$_{<1-01, ")


def test_densest_regions_hold_the_parts_they_name(fake):
    """Of a normal pair: the share inside a contour, by counting draws within its path."""
    from matplotlib.path import Path as Outline

    with Result(fake) as result:
        figure = draw("corner", result, depths_m=[1715.0])
        x, y = (result.draws(f"{name}_length")[:, 1] for name in ("scattering", "absorption"))
    axes = next(a for a in figure.axes if a.collections)
    contours = next(c for c in axes.collections if len(c.get_paths()) == 2 and not c.get_facecolor().size)
    inside = [
        sum(Outline(part).contains_points(np.c_[x, y]) for part in path.to_polygons())
        for path in contours.get_paths()
    ]
    np.testing.assert_allclose([np.mean(i % 2) for i in inside], [0.95, 0.68], atol=0.02)


def test_command_draws_only_what_it_is_asked_for(path, tmp_path):
    from typer.testing import CliRunner

    from iceopt.cli import app

    done = CliRunner().invoke(app, ["plot", str(path), "-o", str(tmp_path), "--only", "dust"])
    assert done.exit_code == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dust.pdf", "dust.png"]
    done = CliRunner().invoke(app, ["plot", str(path), "-o", str(tmp_path), "--only", "dusk"])
    assert isinstance(done.exception, InputError)
    assert "depth_profiles" in str(done.exception)


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
