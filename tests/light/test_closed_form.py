"""Closed-form diffusion against its own integrals, its peak and finite differences."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erfc

from iceopt.errors import DomainError
from iceopt.ice.layers import Ice
from iceopt.light.closed_form import ClosedForm, path_fractions
from iceopt.light.model import Emission, Scene


def scene(distance, rise, edges, slope=0.0, emitter_depth=1500.0):
    distance, rise = np.atleast_1d(distance).astype(float), np.atleast_1d(rise).astype(float)
    depth = np.full(distance.size, emitter_depth)
    return Scene(
        emitter_depth_m=depth,
        receiver_depth_m=depth + rise,
        distance_m=distance,
        bearing_deg=np.zeros(distance.size),
        azimuth_deg=np.full(distance.size, np.nan),
        photons=np.full(distance.size, 1e12),
        bin_edges_ns=np.asarray(edges, dtype=float),
        emission=Emission(),
        group_index=1.337,
        scattering_anisotropy=0.9,
        effective_area_m2=0.003,
        acceptance_slope=slope,
    )


UNIFORM = Ice([1000.0, 2000.0], [24.0], [95.0])
BINS = np.arange(-100.0, 3001.0, 25.0)


def cumulative(r, t, scattering, absorption, v):
    """Integral of the fluence rate to time t, from the error function.

    Carslaw, Jaeger, Conduction of Heat in Solids, Oxford (1959), 10.4 (from memory); its value at infinity is
    v exp(-r/L)/(4 pi D r), which the next test checks.
    """
    d, mu = v * scattering / 3, v / absorption
    kappa = np.sqrt(mu / d)
    a, b = r / (2 * np.sqrt(d * t)), np.sqrt(mu * t)
    both = np.exp(-kappa * r) * erfc(a - b) + np.exp(kappa * r) * erfc(a + b)
    return v * both / (8 * np.pi * d * r)


@pytest.mark.parametrize("r", [40.0, 120.0, 240.0])
def test_bins_are_the_integrals_of_the_green_function(r):
    s = scene(r, 0.0, BINS)
    counts = ClosedForm(s).expected(UNIFORM)[0]
    v = s.speed_m_per_ns
    edges = np.maximum(BINS, r / v)
    expected = 1e12 * 0.003 * np.diff(cumulative(r, edges, 24.0, 95.0, v))
    np.testing.assert_allclose(counts, expected, rtol=2e-7, atol=1e-9 * expected.max())


def test_all_light_together_is_the_steady_solution():
    # v exp(-r/L)/(4 pi D r), L = sqrt(le la/3): Ishimaru (1978), as in the header of the model.
    r, v = 150.0, scene(1.0, 0.0, BINS).speed_m_per_ns
    d, length = v * 24.0 / 3, np.sqrt(24.0 * 95.0 / 3)
    steady = v * np.exp(-r / length) / (4 * np.pi * d * r)
    s = scene(r, 0.0, np.r_[0.0, np.arange(r / v, 40000.0, 20.0)])
    total = ClosedForm(s).expected(UNIFORM).sum() / (1e12 * 0.003)
    early = cumulative(r, r / v, 24.0, 95.0, v)
    assert total + early == pytest.approx(steady, rel=1e-6)


def test_peak_comes_when_its_equation_says():
    # v t^2/la + 3 t/2 - r^2/(4 D) = 0, from d ln n/dt = 0.
    r = 180.0
    s = scene(r, 0.0, np.arange(0.0, 3000.0, 1.0))
    counts = ClosedForm(s).expected(UNIFORM)[0]
    v = s.speed_m_per_ns
    peak = np.max(np.roots([v / 95.0, 1.5, -(r**2) / (4 * v * 24.0 / 3)]))
    assert s.bin_edges_ns[counts.argmax()] + 0.5 == pytest.approx(peak, abs=1.0)


def test_nothing_arrives_before_the_straight_flight():
    s = scene([60.0, 200.0], [20.0, -90.0], BINS)
    counts = ClosedForm(s).expected(UNIFORM)
    arrival = np.hypot([60.0, 200.0], [20.0, -90.0]) / s.speed_m_per_ns
    assert (counts[BINS[1:] <= arrival[:, None]] == 0).all()
    assert (counts[BINS[:-1] > arrival[:, None]] > 0).all()


def test_acceptance_follows_the_gradient_of_the_fluence():
    # H1 = -(le/3) dH0/dz: campaign tables; here by differences over the receiver's depth.
    rise, step, b = 70.0, 0.01, 0.6
    plain, tilted = (ClosedForm(scene(100.0, rise, BINS, slope)).expected(UNIFORM)[0] for slope in (0.0, b))
    below, above = (ClosedForm(scene(100.0, rise + d, BINS)).expected(UNIFORM)[0] for d in (step, -step))
    h1 = -24.0 / 3 * (below - above) / (2 * step)
    full = BINS[:-1] > np.hypot(100.0, rise + 1) / scene(1.0, 0.0, BINS).speed_m_per_ns
    np.testing.assert_allclose(tilted[full], (plain - b * h1)[full], rtol=1e-5)


lengths = st.floats(5.0, 300.0)


@settings(max_examples=20, deadline=None)
@given(
    le=st.lists(lengths, min_size=4, max_size=4),
    la=st.lists(lengths, min_size=4, max_size=4),
    rise=st.floats(-150.0, 150.0),
    seed=st.integers(0, 1000),
)
def test_pull_back_is_the_gradient(le, la, rise, seed):
    edges = [1400.0, 1470.0, 1510.0, 1560.0, 1700.0]
    model = ClosedForm(scene([80.0, 130.0], [rise, 30.0], BINS, 0.6))
    ice = Ice(edges, le, la)
    _, pull_back = model.expected_vjp(ice)
    weight = np.random.default_rng(seed).standard_normal((2, BINS.size - 1))
    gradients = pull_back(weight)

    def value(log_le, log_la):
        return np.sum(weight * model.expected(Ice(edges, np.exp(log_le), np.exp(log_la))))

    base = np.log(le), np.log(la)
    scale = np.abs(weight * model.expected(ice)).sum()
    for which in (0, 1):
        for layer in range(4):
            step = np.zeros(4)
            step[layer] = 1e-5
            ahead, behind = list(base), list(base)
            ahead[which], behind[which] = base[which] + step, base[which] - step
            slope = (value(*ahead) - value(*behind)) / 2e-5
            assert gradients[which][layer] == pytest.approx(slope, abs=1e-6 * scale + 1e-12)


@given(st.floats(1300.0, 1800.0), st.floats(1300.0, 1800.0))
def test_path_fractions_add_up_and_do_not_care_for_direction(start, end):
    ice = Ice([1400.0, 1470.0, 1510.0, 1700.0], [1.0] * 3, [1.0] * 3)
    there, back = (path_fractions(np.array([a]), np.array([b]), ice) for a, b in ((start, end), (end, start)))
    assert there.sum() == pytest.approx(1.0, abs=1e-9)
    assert (there >= 0).all()
    np.testing.assert_array_equal(there, back)


def test_emitter_on_its_receiver_is_refused():
    with pytest.raises(DomainError, match="pair 1"):
        ClosedForm(scene([10.0, 0.0], [0.0, 0.0], BINS))
