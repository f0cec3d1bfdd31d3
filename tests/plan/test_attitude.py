"""Plans for ice that slopes, or in which light goes farther along one axis."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from iceopt.ice.attitude import LEVEL, Attitude
from iceopt.plan.blocks import blocks, blocks_together
from iceopt.plan.scenario import read_plan_scenario
from tests.fake_results import Fake, write_fake
from tests.plan.sites import flashes, modules, site
from tests.plan.test_plan_command import scenario


def test_a_stretch_along_all_lines_is_lines_that_stand_closer():
    """Lines on the x axis; sizes of errors do not grow with distance, which a stretch leaves as it is."""
    array = modules()
    place = array.position_m * [1.0, 0.0, 1.0]
    base = site(array=replace(array, position_m=place))
    base = replace(base, errors=base.errors * [1.0, 0.0, 1.0])
    stretched = replace(base, attitude=Attitude(stretch_cos=0.03))
    nearer = replace(base, modules=replace(base.modules, position_m=place * [0.97, 1.0, 1.0]))
    found = flashes(base, emitters=[2, 12]).flashes
    for one, other, level in zip(*(blocks(s, found) for s in (stretched, nearer, base)), strict=True):
        np.testing.assert_allclose(one.layers, other.layers, rtol=1e-9, atol=1e-9 * np.abs(one.layers).max())
        assert np.abs(one.layers - level.layers).max() > 1e-3 * np.abs(one.layers).max()


def test_layers_that_slope_are_met_deeper_down_the_slope():
    """A flash in the middle of the first layer at x = 0: 60 m on, sloping ice lies 40 m deeper."""
    base = site()
    found = flashes(base, emitters=[1], half_window_m=24.0).flashes
    level, sloping = (
        blocks(replace(base, attitude=a), found)[0] for a in (LEVEL, Attitude(slope_x=-40.0 / 60.0))
    )
    told = [np.diag(block.layers)[:3] / np.diag(block.layers)[:3].sum() for block in (level, sloping)]
    assert told[1][1] > told[0][1] + 0.05
    together = blocks_together(replace(base, attitude=Attitude(slope_x=-40.0 / 60.0)), found, [sloping])[0]
    np.testing.assert_allclose(together.layers, sloping.layers, rtol=1e-9)


@pytest.mark.parametrize(
    ("given", "slope"),
    [("", (0.03, 0.01)), ("[attitude]\nslope = [0.05, 0.0]\n", (0.05, 0.0))],
)
def test_the_attitude_is_that_of_the_configuration_or_else_of_the_result(tmp_path: Path, given, slope):
    fake = Fake(layers=3, top_m=1500.0, thickness_m=40.0, attitude=(0.03, 0.01, 0.002, 0.0))
    write_fake(tmp_path / "earlier.h5", fake)
    change = ("profile = [[1480, 20, 90], [1620, 25, 110]]", 'result = "earlier.h5"')
    path = scenario(tmp_path, change)
    fit = tmp_path / "FIT.toml"
    fit.write_text(given + fit.read_text())
    assert read_plan_scenario(path).site.attitude == Attitude(*slope, 0.002, 0.0)
