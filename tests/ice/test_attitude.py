"""Layers that slope and light that goes farther one way: against rotations, and walks of single photons."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from iceopt.ice.attitude import LEVEL, Attitude

PLACES = np.random.default_rng(4).uniform([-200, -200, 1400], [200, 200, 2200], (40, 3))
BEGIN, END = PLACES[:20], PLACES[20:]
FLAT = np.abs(END - BEGIN)[:, 2] < 3.0 * np.hypot(*(END - BEGIN)[:, :2].T)


@given(st.floats(0.0, 0.08), st.floats(0.0, 360.0))
def test_sloping_layers_are_level_ones_turned(slope, towards_deg):
    """Turned by scipy about a horizontal axis, so that what goes down along the slope becomes horizontal."""
    azimuth = np.radians(towards_deg)
    tilted = Attitude(slope * np.cos(azimuth), slope * np.sin(azimuth))
    turn = Rotation.from_rotvec(np.arctan(slope) * np.array([-np.sin(azimuth), np.cos(azimuth), 0.0]))
    way = turn.apply(END - BEGIN)
    down = tilted.depth_m(END) - tilted.depth_m(BEGIN)
    # Depths count along the vertical, not across the layers: by 1 - cos, 0.3 % at the most.
    np.testing.assert_allclose(down * np.cos(np.arctan(slope)), way[:, 2], atol=1e-9)
    along = np.hypot(way[:, 0], way[:, 1])
    off = tilted.distance_m(BEGIN, END)[FLAT] - along[FLAT]
    assert (np.abs(off) <= (slope * way[FLAT, 2]) ** 2 / along[FLAT] + 1e-9).all()
    length = np.linalg.norm(END - BEGIN, axis=1)
    kept = np.hypot(tilted.distance_m(BEGIN, END), down)
    np.testing.assert_allclose(kept[FLAT], length[FLAT], rtol=1e-12)


@given(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05))
def test_places_on_a_layer_have_one_depth(slope_x, slope_y):
    on_layer = PLACES.copy()
    on_layer[:, 2] = 1700.0 + on_layer[:, :2] @ [slope_x, slope_y]
    np.testing.assert_allclose(Attitude(slope_x, slope_y).depth_m(on_layer), 1700.0, atol=1e-9)


def test_level_ice_leaves_places_as_they_are_to_the_last_bit():
    np.testing.assert_array_equal(LEVEL.depth_m(PLACES), PLACES[:, 2])
    across = END - BEGIN
    np.testing.assert_array_equal(LEVEL.distance_m(BEGIN, END), np.hypot(across[:, 0], across[:, 1]))


def test_modules_of_a_line_stay_above_each_other():
    above, below = np.array([[30.0, -40.0, 1500.0]]), np.array([[30.0, -40.0, 1620.0]])
    tilted = Attitude(0.05, 0.02, 0.03, 0.0)
    assert tilted.distance_m(above, below) == 0.0
    assert tilted.depth_m(below) - tilted.depth_m(above) == pytest.approx(120.0)


@given(st.floats(0.001, 0.2), st.floats(0.0, 179.0))
def test_distances_are_shortest_along_the_axis_of_the_stretch(stretch, axis_deg):
    twice = 2.0 * np.radians(axis_deg)
    found = Attitude(0.0, 0.0, stretch * np.cos(twice), stretch * np.sin(twice))
    assert found.stretch == pytest.approx((stretch, axis_deg), abs=1e-9)
    bearing = np.radians(axis_deg + np.array([0.0, 90.0, 180.0, 45.0]))
    end = 100.0 * np.stack([np.cos(bearing), np.sin(bearing), 0.0 * bearing], axis=1)
    seen = found.distance_m(np.zeros((4, 3)), end)
    np.testing.assert_allclose(seen, 100.0 * (1.0 - stretch * np.array([1.0, -1.0, 1.0, 0.0])), atol=1e-9)


def test_light_that_scatters_less_along_an_axis_spreads_as_derived():
    """Walks with isotropic scattering of a rate that goes with direction: the spread grows by 4a/5 along."""
    a, rng, photons, flights = 0.1, np.random.default_rng(8), 100_000, 300
    place, clock = np.zeros((photons, 2)), np.zeros(photons)
    end = 200.0
    for _ in range(flights):
        cosine, azimuth = rng.uniform(-1, 1, photons), rng.uniform(0, 2 * np.pi, photons)
        sine = np.sqrt(1.0 - cosine**2)
        x, y = sine * np.cos(azimuth), sine * np.sin(azimuth)
        free = rng.exponential(1.0 / (1.0 - a * (x**2 - y**2)))
        free = np.minimum(free, end - clock)  # all are looked at when they have flown as far
        place += free[:, None] * np.stack([x, y], axis=1)
        clock += free
    assert (clock == end).mean() > 0.999
    along, across = place.var(axis=0)
    noise = np.sqrt(2 * 2 / photons)
    assert np.log(along / across) == pytest.approx(2 * 0.8 * a, abs=4 * noise)
    assert 4 * noise < 0.4 * a  # that it is not the 2a/5 of longer free paths alone


def test_words_say_both():
    words = Attitude(0.03, 0.04, 0.0, 0.02).words
    assert "50.0 m a km towards 53 degrees" in words
    assert "2.00 % shorter along 45 degrees" in words
    assert "level" in LEVEL.words
