"""From signal to expected counts: nothing is lost, derivatives are right."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import norm

from iceopt.fit.groups import group_signals, pull_back_groups
from iceopt.light.counts import expected_counts, expected_counts_derivatives

BIN_NS = 25.0
signals = arrays(np.float64, 30, elements=st.floats(0.0, 1e6))


def shifted(signal, offset_ns, log_amplitude=0.0, dark=0.0):
    one = np.ones(1)
    return expected_counts(signal[None], log_amplitude * one, offset_ns * one, dark * one, BIN_NS)[0]


@given(signals, st.floats(-60.0, 60.0))
def test_no_count_is_made_or_lost(signal, offset):
    signal[:3] = signal[-4:] = 0.0
    assert shifted(signal, offset).sum() == pytest.approx(signal.sum(), rel=1e-9, abs=1e-6)


@given(signals, st.floats(-100.0, 100.0))
def test_shifted_counts_are_never_negative(signal, offset):
    assert shifted(signal, offset).min() >= -1e-9 * signal.sum()


@given(signals)
def test_offset_of_nothing_or_of_whole_bins_is_exact(signal):
    np.testing.assert_allclose(shifted(signal, 0.0), signal, atol=1e-9 * signal.sum())
    later = shifted(signal, 2 * BIN_NS)
    np.testing.assert_allclose(later[2:], signal[:-2], atol=1e-9 * signal.sum())


def test_smooth_pulse_moves_by_the_offset():
    edges = BIN_NS * np.arange(61)
    pulse = norm(loc=700.0, scale=90.0)
    moved = shifted(1e5 * np.diff(pulse.cdf(edges)), 7.0)
    exact = 1e5 * np.diff(pulse.cdf(edges - 7.0))
    np.testing.assert_allclose(moved, exact, atol=2e-3 * exact.max())


@settings(max_examples=25)
@given(signals, st.floats(-30.0, 30.0), st.floats(-1.0, 1.0), st.floats(0.0, 5.0))
def test_derivatives_match_differences(signal, offset, log_amplitude, dark):
    one = np.ones(1)
    by_amplitude, by_offset = expected_counts_derivatives(
        signal[None], log_amplitude * one, offset * one, BIN_NS
    )
    h, scale = 1e-5, signal.max() + 1.0
    rise = shifted(signal, offset, log_amplitude + h, dark) - shifted(signal, offset, log_amplitude - h, dark)
    np.testing.assert_allclose(by_amplitude[0], rise / (2 * h), atol=1e-4 * scale)
    # The rate is continuous and its slope is not, so a kink costs up to h x scale.
    rise = shifted(signal, offset + h, log_amplitude, dark) - shifted(signal, offset - h, log_amplitude, dark)
    np.testing.assert_allclose(by_offset[0], rise / (2 * h), atol=1e-4 * scale)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(-40.0, 40.0))
def test_pull_back_of_groups_matches_differences(seed, offset):
    rng = np.random.default_rng(seed)
    signal = rng.uniform(0.5, 2.0, (1, 30))
    first, stop, groups = np.array([[0, 4, 12]]), np.array([[3, 9, 30]]), np.array([3])
    weight, offset_bins = rng.standard_normal((1, 3)), np.array([offset / BIN_NS])

    def value(s):
        return np.sum(weight * group_signals(s, first, stop, groups, offset_bins)[0])

    gradient = pull_back_groups(signal, first, stop, groups, offset_bins, weight)
    for b in range(30):
        step = np.zeros((1, 30))
        step[0, b] = 1e-6
        assert gradient[0, b] == pytest.approx((value(signal + step) - value(signal - step)) / 2e-6, abs=1e-7)
