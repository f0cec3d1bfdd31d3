"""Detection power against the two seasons' joint information, and against a test that is carried out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from iceopt.plan.detect import band_parts, change_precision, smallest_changes

EDGES = np.array([0.0, 10.0, 30.0, 50.0])
CENTRES, THICKNESSES = np.array([5.0, 20.0, 40.0]), np.array([5.0, 20.0])


def positive(rng: np.random.Generator, scale: float) -> np.ndarray:
    root = rng.standard_normal((6, 9))
    return scale * root @ root.T


def test_precision_of_a_change_is_that_of_the_joint_problem():
    """Earlier ice and change as unknowns of one normal problem; the change's corner of the inverse."""
    rng = np.random.default_rng(3)
    earlier, later, prior = positive(rng, 50.0), positive(rng, 80.0), positive(rng, 0.1)
    v = np.array([0.0, 0.25, 1.0, 0.0, 0.0, 0.0])
    joint = np.zeros((7, 7))
    joint[:6, :6] = earlier + later + prior
    joint[:6, 6] = joint[6, :6] = later @ v
    joint[6, 6] = v @ later @ v
    expected = 1.0 / np.linalg.inv(joint)[6, 6]
    assert v @ change_precision(earlier, later, prior) @ v == pytest.approx(expected, rel=1e-9)


def test_the_named_change_is_found_as_often_as_promised():
    """Least squares on drawn estimates of two seasons, both without a prior: 90 % found, 5 % false alarms."""
    rng = np.random.default_rng(5)
    earlier, later = positive(rng, 50.0), positive(rng, 80.0)
    information = change_precision(earlier, later, np.zeros((6, 6)))
    delta = smallest_changes(information, EDGES, CENTRES, THICKNESSES, error_rate=0.05, power=0.9)[1, 2, 1]
    v = np.r_[np.zeros(3), band_parts(EDGES, CENTRES, THICKNESSES)[2, 1]]
    root = np.linalg.cholesky(np.linalg.inv(earlier) + np.linalg.inv(later))
    draws = 20_000
    difference = rng.standard_normal((draws, 6)) @ root.T
    weight = np.linalg.inv(root @ root.T)
    rates = []
    for change in (0.0, delta):
        estimate = (difference + change * v) @ weight @ v / (v @ weight @ v)
        rates.append(np.mean(np.abs(estimate) * np.sqrt(v @ weight @ v) > 1.959964))
    # four binomial standard deviations
    assert rates[0] == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / draws))
    assert rates[1] == pytest.approx(0.90, abs=4 * np.sqrt(0.9 * 0.1 / draws))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(1.1, 10.0))
def test_more_light_shows_smaller_changes(seed, factor):
    rng = np.random.default_rng(seed)
    earlier, later, prior = positive(rng, 50.0), positive(rng, 80.0), positive(rng, 0.1)
    before, after = (
        smallest_changes(change_precision(earlier, more, prior), EDGES, CENTRES, THICKNESSES, 0.05, 0.9)
        for more in (later, factor * later)
    )
    assert np.all(after <= before * (1 + 1e-9))


def test_a_band_is_the_part_of_each_layer_inside():
    found = band_parts(EDGES, np.array([20.0]), np.array([40.0]))[0, 0]
    np.testing.assert_allclose(found, [1.0, 1.0, 0.5])
