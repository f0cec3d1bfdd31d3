"""What the layered model refuses: one clear sentence, never a NaN."""

from dataclasses import replace

import numpy as np
import pytest

from iceopt.errors import DomainError
from iceopt.ice.layers import Ice
from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments
from tests.light.moments.scenes import make_scene

SCENE = make_scene([1700.0, 1720], [1710.0, 1720], [100.0, 60])


@pytest.mark.parametrize("order", [0, -1, 2.5, 10, "three", None])
def test_an_order_that_is_not_offered(order):
    with pytest.raises(DomainError, match="is not offered"):
        LayeredMoments(SCENE, order)


@pytest.mark.parametrize(
    ("edges", "le", "la"),
    [
        ([0, 10], [0.0], [50.0]),
        ([0, 10], [20.0], [-50.0]),
        ([0, 10], [np.nan], [50.0]),
        ([0, 10], [20.0], [np.inf]),
        ([0, np.nan], [20.0], [50.0]),
        ([0, 20, 10], [20.0, 20], [50.0, 50]),
        ([0, 10, 10], [20.0, 20], [50.0, 50]),
        ([0, 10, 20], [20.0], [50.0]),
    ],
)
def test_ice_that_is_none(edges, le, la):
    with pytest.raises(DomainError):
        Ice(edges, le, la)


@pytest.mark.parametrize("kind", [LayeredDiffusion, lambda s: LayeredMoments(s, 2)])
@pytest.mark.parametrize("rise", [0.0, 0.003])
@pytest.mark.filterwarnings("error")
def test_emitter_and_receiver_in_one_place(kind, rise):
    scene = make_scene([1700.0, 1720], [1710.0, 1720 + rise], [100.0, 0])
    with pytest.raises(DomainError, match="pair 1: emitter and receiver are in one place"):
        kind(scene)


@pytest.mark.parametrize("name", ["emitter_depth_m", "receiver_depth_m", "distance_m", "photons"])
@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_scenes_that_are_not_finite(name, value):
    bad = getattr(SCENE, name).copy()
    bad[1] = value
    with pytest.raises(DomainError, match=f"{name}.*1"):
        LayeredMoments(replace(SCENE, **{name: bad}), 2)


@pytest.mark.parametrize(
    "change",
    [
        {"bin_edges_ns": np.array([0.0, 50, 25])},
        {"bin_edges_ns": np.array([0.0, np.nan, 50])},
        {"group_index": np.nan},
        {"scattering_anisotropy": 1.0},
        {"acceptance_slope": np.nan},
        {"distance_m": np.array([-100.0, 60])},
    ],
)
def test_scenes_that_make_no_sense(change):
    with pytest.raises(DomainError):
        LayeredMoments(replace(SCENE, **change), 2)
