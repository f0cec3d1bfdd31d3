"""The steps of one photon against exact facts of transport in an infinite medium."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba import njit

from iceopt.light.tracking.draws import AHEAD, draw_ahead, room_for_draws
from iceopt.light.tracking.philox import Word, philox4x32, split, uniform
from iceopt.light.tracking.tables import henyey_greenstein
from iceopt.light.tracking.walk import Medium, fly, from_table, turn, unit_circle, upper_edge

LE, G = 25.0, 0.9


@njit
def _walk(photons: int, length: float, free_path: float, phase: np.ndarray, most: int) -> tuple:
    """First directions along x: places after a length of path, cosines after each scatter, first flights."""
    place = np.empty((photons, 3))
    cosine = np.empty((photons, most))
    first = np.empty(photons)
    zero = Word(0)
    for i in range(photons):
        c2, c3 = split(i)
        x, y, z, ux, uy, uz = 0.0, 0.0, 0.0, 1.0, 0.0, 0.0
        path, step = 0.0, 0
        done = False
        while not done or step < most:
            step += 1
            w0, w1, w2, _ = philox4x32(Word(step), zero, c2, c3, Word(7), zero)
            flight = -math.log(uniform(w0)) * free_path
            if step == 1:
                first[i] = flight
            if not done:
                done = path + flight >= length
                flight = min(flight, length - path)
                path += flight
                x, y, z = x + flight * ux, y + flight * uy, z + flight * uz
            across_x, across_y = unit_circle(w2)
            ux, uy, uz = turn(ux, uy, uz, from_table(phase, uniform(w1)), across_x, across_y)
            if step <= most:
                cosine[i, step - 1] = ux
        place[i] = x, y, z
    return place, cosine, first


def test_what_is_drawn_ahead_is_what_each_collision_would_draw() -> None:
    phase, counter = henyey_greenstein(0.9).cosine, tuple(map(Word, (3, 2**32 - 1, 7, 11, 13)))
    draws = room_for_draws()
    draw_ahead(draws, 5, *counter, phase)
    for b in range(AHEAD):
        w0, w1, w2, _ = philox4x32(Word(5 + b), *counter)
        assert draws.optical_depth[b] == -math.log(uniform(w0))
        assert draws.cosine[b] == pytest.approx(from_table(phase, uniform(w1)), rel=1e-15)
        assert (draws.across_x[b], draws.across_y[b]) == pytest.approx(unit_circle(w2), rel=1e-15)


@pytest.mark.parametrize("length", [2.5, 25.0, 100.0])
def test_displacement_after_a_length_of_path(length: float) -> None:
    # <u(0).u(s)> = exp(-s/le), integrated once and twice (exact for any phase function).
    place, _, _ = _walk(200_000, length, LE * (1 - G), henyey_greenstein(G).cosine, 1)
    ahead = LE * (1 - math.exp(-length / LE))
    square = 2 * LE * length - 2 * LE**2 * (1 - math.exp(-length / LE))
    for sample, exact in ((place[:, 0], ahead), ((place**2).sum(axis=1), square)):
        error = sample.std() / math.sqrt(len(sample))
        assert abs(sample.mean() - exact) < 4 * error
        assert error < 0.01 * exact
    for sample in (place[:, 1], place[:, 2]):
        assert abs(sample.mean()) < 4 * sample.std() / math.sqrt(len(sample))


@pytest.mark.parametrize("g", [0.9, 0.5, -0.3])
def test_mean_cosine_after_n_scatters_is_a_power_of_g(g: float) -> None:
    # Exact: the mean of P_1 over independent turns multiplies.
    _, cosine, _ = _walk(200_000, 0.0, 1.0, henyey_greenstein(g).cosine, 12)
    error = cosine.std(axis=0) / math.sqrt(len(cosine))
    pull = (cosine.mean(axis=0) - g ** np.arange(1, 13)) / error
    assert abs(pull).max() < 4


def test_unscattered_light_falls_off_exponentially() -> None:
    # Exact: exp(-r/l).
    _, _, first = _walk(400_000, 0.0, 2.5, henyey_greenstein(G).cosine, 1)
    for r in (0.5, 2.5, 10.0):
        expected = math.exp(-r / 2.5)
        error = math.sqrt(expected * (1 - expected) / first.size)
        assert abs((first > r).mean() - expected) < 4 * error


unit = st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1)).filter(
    lambda u: 0.01 < math.hypot(*u) < 2
)


@given(unit, st.floats(-1, 1), st.integers(0, 2**32 - 1))
def test_a_turn_keeps_the_length_and_makes_the_angle(
    vector: tuple[float, float, float], cosine: float, word: int
) -> None:
    u = np.array(vector) / math.hypot(*vector)
    across = unit_circle(Word(word))
    assert math.hypot(*across) == pytest.approx(1, abs=1e-11)
    turned = np.array(turn(*u, cosine, *across))
    assert np.linalg.norm(turned) == pytest.approx(1, abs=1e-11)
    assert turned @ u == pytest.approx(cosine, abs=1e-11)


@pytest.mark.parametrize("uz", [1.0, -1.0])
def test_a_turn_of_vertical_light(uz: float) -> None:
    turned = turn(0.0, 0.0, uz, 0.5, 1.0, 0.0)
    assert turned[2] == pytest.approx(0.5 * uz)
    assert math.hypot(*turned) == pytest.approx(1)


def test_angles_are_uniform() -> None:
    words = np.random.default_rng(3).integers(0, 2**32, 40_000)
    angle = np.array([math.atan2(*unit_circle(Word(w))) for w in words])
    counts = np.histogram(angle, 40, (-math.pi, math.pi))[0]
    assert ((counts - 1000) ** 2 / 1000).sum() < 39 + 4 * math.sqrt(78)


layers = st.lists(
    st.tuples(st.floats(0.5, 20), st.floats(0.3, 8), st.floats(5, 200)), min_size=1, max_size=12
)


@given(layers, st.floats(0, 1), st.floats(-1, 1), st.floats(1e-6, 20))
def test_a_flight_gathers_its_depths_along_the_path(
    stack: list[tuple[float, float, float]], start: float, uz: float, optical_depth: float
) -> None:
    thickness, free_path, absorption_length = map(np.array, zip(*stack, strict=True))
    inner = 1000 + np.cumsum(thickness)
    edges = np.concatenate(([-np.inf], inner[:-1], [np.inf]))
    medium = Medium(edges, free_path, 1 / absorption_length, henyey_greenstein(G).cosine)
    z0 = 1000 + start * thickness.sum()
    layer = int(np.searchsorted(edges, z0, side="right") - 1)
    z, end, path, absorbed = fly(z0, uz, layer, optical_depth, medium)
    assert z == pytest.approx(z0 + path * uz, abs=1e-9)
    assert edges[end] <= z <= edges[end + 1]
    # Independently: the length of path in each layer from the overlap of depth intervals.
    low, high = min(z0, z), max(z0, z)
    overlap = np.maximum(0.0, np.minimum(edges[1:], high) - np.maximum(edges[:-1], low))
    if high - low > 1e-6:
        share = path * overlap / overlap.sum()
        assert (share / free_path).sum() == pytest.approx(optical_depth, rel=1e-6)
        assert (share / absorption_length).sum() == pytest.approx(absorbed, rel=1e-6)


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=50, unique=True), st.floats(-110, 110))
def test_bisection_agrees_with_numpy(edges: list[float], value: float) -> None:
    array = np.sort(edges)
    assert upper_edge(array, value) == np.searchsorted(array, value, side="right")
