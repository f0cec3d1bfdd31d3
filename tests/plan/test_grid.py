"""Places that a forecast does not tell apart."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from iceopt.plan.blocks import blocks
from iceopt.plan.precision import forecast
from iceopt.plan.prior import layer_prior, nuisance_prior
from iceopt.plan.scenario import read_plan_scenario
from iceopt.plan.site import GRID_M, PlannedMoments, on_grid, some
from tests.light.moments.scenes import make_scene

REPO = Path(__file__).resolve().parents[2]
DEPTHS_M = st.floats(1400.0, 2400.0)
PLACES_M = st.lists(st.tuples(DEPTHS_M, DEPTHS_M, st.floats(0.0, 400.0)), min_size=1)


@given(PLACES_M, st.sampled_from([0.5, 2.0, 5.0]))
def test_nothing_moves_by_more_than_half_a_step(places, step_m):
    given_scene = make_scene(*np.array(places).T)
    moved = on_grid(given_scene, step_m)
    for name in ("emitter_depth_m", "receiver_depth_m", "distance_m"):
        before, after = getattr(given_scene, name), getattr(moved, name)
        whole = np.isclose(after / step_m, np.round(after / step_m))
        assert np.abs(after - before)[whole].max(initial=0.0) <= 0.5001 * step_m
        # What lies off the grid are distances of pairs that would have come to lie in one place.
        assert whole.all() or name == "distance_m"
        np.testing.assert_allclose(after[~whole], given_scene.range_m[~whole])
    assert np.all((moved.range_m > 0.0) | (given_scene.range_m == 0.0))


def test_a_forecast_hardly_feels_the_grid():
    """Modules of the sample scenario moved at random; exact places against the grid.

    Measured at an invented array of 80 lines, layers of 10 m: 1.3 % apart (rms), a single layer 6 %.
    """
    scenario = read_plan_scenario(REPO / "sample_runs" / "skarv_plan" / "scenario.toml")
    site, rng = scenario.site, np.random.default_rng(3)
    place = site.modules.position_m + rng.uniform(-4.0, 4.0, site.modules.position_m.shape)
    site = replace(site, modules=replace(site.modules, position_m=place))
    chosen = some(scenario.candidates.flashes, np.arange(0, scenario.candidates.size, 40))
    sds = []
    for step_m in (0.0, GRID_M):
        there = replace(
            site,
            light=lambda scene, step_m=step_m: PlannedMoments(on_grid(scene, step_m) if step_m else scene, 2),
        )
        told = blocks(there, chosen)
        sds.append(forecast(layer_prior(site.config, site.ice), nuisance_prior(site), told).sd)
    apart = np.log(sds[1] / sds[0])
    assert 0.0 < np.sqrt(np.mean(apart**2)) < 0.03
    assert abs(apart.mean()) < 0.01
