"""Image charges: the boundary conditions they were made for, and the Sommerfeld integral's limits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.light.routes import closed_form, image_charges

LE = (15.0, 40.0)
depth = st.floats(3.0, 120.0)


@given(source=depth, rho=st.floats(0.0, 200.0), le1=st.floats(5.0, 60.0), le2=st.floats(5.0, 60.0))
def test_density_and_flux_are_continuous_across_the_boundary(source, rho, le1, le2):
    def charge(z):
        return image_charges.charge_without_absorption(-source, z, rho, (le1, le2))

    step = 1e-3
    assert charge(-step * 1e-4) == pytest.approx(charge(step * 1e-4), rel=1e-6)
    above = le1 * (3 * charge(0.0) - 4 * charge(-step) + charge(-2 * step)) / (2 * step)
    below = le2 * (-3 * charge(1e-12) + 4 * charge(step) - charge(2 * step)) / (2 * step)
    assert above == pytest.approx(below, rel=1e-4, abs=1e-6 * charge(0.0))


@given(source=depth, receiver=depth, rho=st.floats(0.0, 200.0), same_side=st.booleans())
@settings(max_examples=30, deadline=None)
def test_weak_absorption_tends_to_the_images(source, receiver, rho, same_side):
    z = -receiver if same_side else receiver
    if np.hypot(z + source, rho) < 1:
        return
    exact = image_charges.charge_without_absorption(-source, z, rho, LE)
    weak = image_charges.charge_with_absorption(-source, z, rho, LE, (1e9, 1e9))
    # exp(-r / sqrt(le la / 3)) with la = 1e9 m is 1 - 4e-3 at most; the images at half of it must agree.
    weaker = image_charges.charge_with_absorption(-source, z, rho, LE, (1e13, 1e13))
    assert abs(weaker / exact - 1) < 1e-4
    assert abs(weak / exact - 1) < 1e-2


@pytest.mark.parametrize("z", [-30.0, 25.0])
def test_equal_halves_are_one_medium(z):
    both = image_charges.charge_with_absorption(-10.0, z, 120.0, (20.0, 20.0), (90.0, 90.0))
    one = closed_form.charge(np.hypot(z + 10.0, 120.0), 20.0, 90.0)
    assert both == pytest.approx(one, rel=1e-8)


@pytest.mark.parametrize(("source", "receiver"), [(-20.0, 35.0), (-20.0, -50.0), (8.0, 60.0)])
def test_reciprocity(source, receiver):
    args = (150.0, LE, (50.0, 150.0))
    there = image_charges.charge_with_absorption(source, receiver, *args)
    back = image_charges.charge_with_absorption(receiver, source, *args)
    assert there == pytest.approx(back, rel=1e-11)
