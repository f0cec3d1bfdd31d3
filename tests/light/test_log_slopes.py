"""Slopes kept as products, against the same written out, and against differences of the light."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.ice.layers import Ice
from iceopt.light.closed_form import ClosedForm
from iceopt.light.model import LogSlopes, windows
from tests.light.moments.scenes import make_scene


def drawn(random, numbers):
    return LogSlopes(random.standard_normal((4, 3, numbers)), random.standard_normal((4, numbers, 6)))


@settings(deadline=None)
@given(seed=st.integers(0, 2**32 - 1), numbers=st.tuples(st.integers(1, 5), st.integers(1, 5)))
def test_products_are_as_slopes_written_out(seed, numbers):
    random = np.random.default_rng(seed)
    one, other = (drawn(random, n) for n in numbers)
    factor, by_windows = random.standard_normal(6), random.standard_normal((4, 3))
    close = {"rtol": 1e-10, "atol": 1e-10}
    long = one.written_out() - other.written_out()
    np.testing.assert_allclose(one.minus(other).written_out(), long, **close)
    np.testing.assert_allclose(one.scaled(factor).written_out(), one.written_out() * factor, **close)
    pulled = np.einsum("pw,pwi->i", by_windows, one.written_out())
    np.testing.assert_allclose(one.pulled_back(by_windows), pulled, **close)


@settings(deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_slopes_of_the_closed_form_are_differences(seed):
    """Central differences of the counts, layer by layer."""
    random, step = np.random.default_rng(seed), 1e-4
    edges = np.array([1400.0, 1480.0, 1530.0, 1570.0, 1700.0])
    lengths = np.exp(random.normal([[3.2], [4.6]], 0.4, (2, 4)))
    model = ClosedForm(make_scene(1500.0, [1490.0, 1560.0, 1600.0], [90.0, 120.0, 40.0], slope=0.6))
    first = np.array([[24, 30, 60]] * 3)
    stop = first + np.array([4, 10, 40])
    ice = Ice(edges, *lengths)
    found = model.log_slopes(ice, model.expected(ice), first, stop).written_out()
    assert np.abs(found).max() > 0.1
    for i, (kind, layer) in enumerate(np.ndindex(lengths.shape)):
        logs = []
        for sign in (1, -1):
            moved = lengths.copy()
            moved[kind, layer] *= np.exp(sign * step)
            logs.append(np.log(windows(model.expected(Ice(edges, *moved)), first, stop)))
        np.testing.assert_allclose(found[:, :, i], (logs[0] - logs[1]) / (2 * step), rtol=3e-3, atol=1e-3)
