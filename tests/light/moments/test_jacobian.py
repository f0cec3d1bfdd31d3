"""Slopes of Laplace moments by perturbation, against steps into the complex plane through whole sweeps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.moments import meetings
from iceopt.light.moments.column import Reads
from iceopt.light.moments.laplace import RATES_PER_NS, LaplaceMoments
from tests.light.moments.scenes import make_scene

EDGES_M = np.array([100.0, 110.0, 112.0, 130.0, 150.0, 151.0, 180.0])
EMITTER_M = np.array([85.0, 112.0, 120.0, 120.0, 141.0, 160.0, 200.0, 141.0, 120.0, 130.0, 130.0, 143.0])
RECEIVER_M = np.array([95.0, 141.0, 85.0, 120.0, 141.0, 112.0, 190.0, 180.0, 175.0, 130.0, 139.0, 130.0])
DISTANCE_M = np.array([125.0, 60.0, 125.0, 40.0, 125.0, 60.0, 33.0, 0.0, 0.0, 125.0, 125.0, 125.0])
"""Emitters and receivers at one depth, on edges, on the same edge, in both half-spaces, side by side, and
above one another."""


def moments(order):
    emission = Emission("ring", 30.0, 8.0)
    scene = make_scene(EMITTER_M, RECEIVER_M, DISTANCE_M, emission=emission, slope=0.4, group_index=1.35)
    return LaplaceMoments(scene, order, RATES_PER_NS)


def by_complex_steps(model, ice):
    """The moments are holomorphic in the loss rates, so that no digits are lost."""
    rates = model._rates(ice)
    slopes = []
    for part in model.equations.rate_parts(ice):
        for layer in range(ice.layers):
            aside = rates.astype(complex)
            aside[:, layer] -= 1e-12j * part[layer]
            value, change = np.moveaxis(model._moments(ice, aside), 2, 0)
            slopes.append(np.where(value > 0, change / (value * 1e-12), 0.0))
    return np.stack(slopes, axis=-1)


@pytest.mark.parametrize("order", [1, 2, 3, 5])
@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_slopes_are_complex_steps(order, seed):
    random, model = np.random.default_rng(seed), moments(order)
    lengths = np.exp(random.normal([[3.2], [4.6]], 0.4, (2, EDGES_M.size - 1)))
    ice = Ice(EDGES_M, *lengths)
    slopes = model.log_slopes(ice)
    assert np.abs(slopes).max() > 0.1
    np.testing.assert_allclose(slopes, by_complex_steps(model, ice), rtol=1e-6, atol=1e-6)


def test_pieces_of_any_size_give_the_same(monkeypatch):
    model, ice = moments(3), Ice(EDGES_M, np.linspace(20.0, 40.0, 6), np.linspace(150.0, 60.0, 6))
    whole = model.log_slopes(ice)
    monkeypatch.setattr(meetings, "LARGEST_BYTES", 1)
    np.testing.assert_allclose(model.log_slopes(ice), whole, rtol=1e-12)


def test_pieces_hold_every_entry_once_and_few_ends():
    random = np.random.default_rng(3)
    emitter, receiver = np.sort(random.integers(0, 30, 500)), random.integers(0, 80, 500)
    alone = Reads(np.arange(81), np.arange(80), np.ones(80))
    found = list(meetings.pieces(emitter, receiver, alone, 5))
    assert [p.start for p in found[1:]] == [p.stop for p in found[:-1]]
    assert (found[0].start, found[-1].stop) == (0, 500)
    ends = [np.unique(emitter[p]).size + np.unique(receiver[p]).size for p in found]
    assert max(ends) <= 5 and len(found) > 100
