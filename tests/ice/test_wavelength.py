"""The laws of wavelength against tabulated ice and against ice made by them elsewhere."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from iceopt.errors import DomainError
from iceopt.ice.wavelength import (
    PUBLISHED,
    WavelengthLaw,
    absorption_length_at,
    draw_law,
    pure_ice_absorption_per_m,
    scattering_length_at,
)

MEASURED_NM = 405.0
# First layers of an invented ice at 405 nm, and the same carried to 370 nm by another program by the same
# published laws: scattering and absorption lengths (m).
INVENTED = {
    405.0: ((17.399286482554498, 24.918172709286065), (81.684730041373, 119.84170884772904)),
    370.0: ((16.039966971590914, 22.971440101873995), (76.9085806504166, 114.87752720301124)),
}
# Imaginary index of pure ice: Warren, Brandt, J. Geophys. Res. 113, D14220 (2008); digits from memory.
INDEX = {500.0: 5.889e-10, 550.0: 2.289e-9, 600.0: 5.73e-9}

wavelengths = st.floats(300.0, 600.0)


def test_lengths_are_those_of_the_same_laws_elsewhere():
    (le, la), (le370, la370) = INVENTED[405.0], INVENTED[370.0]
    np.testing.assert_allclose(scattering_length_at(370.0, le, MEASURED_NM), le370, rtol=1e-12)
    np.testing.assert_allclose(absorption_length_at(370.0, la, MEASURED_NM), la370, rtol=1e-12)


@pytest.mark.parametrize("wavelength_nm", list(INDEX))
def test_pure_ice_absorbs_as_tabulated(wavelength_nm):
    """An exponential through data of 20 years before: the table lies within its stated errors, some 20 %."""
    tabulated = 4 * np.pi * INDEX[wavelength_nm] / (wavelength_nm * 1e-9)
    np.testing.assert_allclose(pure_ice_absorption_per_m(wavelength_nm), tabulated, rtol=0.25)


@given(wavelengths, wavelengths, st.floats(0.02, 0.1))
def test_there_and_back_is_exact(first, second, dust_per_m):
    length = 1 / (dust_per_m + pure_ice_absorption_per_m(first))
    there = absorption_length_at(second, [length], first)
    np.testing.assert_allclose(absorption_length_at(first, there, second), [length], rtol=1e-9)
    np.testing.assert_allclose(
        scattering_length_at(first, scattering_length_at(second, [20.0], first), second), [20.0], rtol=1e-12
    )


@given(wavelengths, st.floats(5.0, 200.0))
def test_the_same_wavelength_changes_nothing(wavelength, length):
    assert scattering_length_at(wavelength, length, wavelength) == length
    cap = 0.99 / pure_ice_absorption_per_m(wavelength)
    shorter = min(length, float(cap))
    np.testing.assert_allclose(absorption_length_at(wavelength, shorter, wavelength), shorter, rtol=1e-12)


def test_warmer_pure_ice_absorbs_one_per_cent_more_a_kelvin():
    warm = pure_ice_absorption_per_m(500.0, WavelengthLaw(warmer_k=10.0))
    np.testing.assert_allclose(warm / pure_ice_absorption_per_m(500.0), 1.1)


def test_drawn_law_has_the_published_means_and_spreads_lengths_more_the_farther():
    law = draw_law(20_000, np.random.default_rng(1))
    np.testing.assert_allclose(np.mean(law.scattering_power), PUBLISHED.scattering_power, atol=1e-3)
    np.testing.assert_allclose(np.std(law.scattering_power), 0.03, rtol=0.02)
    near, far = (np.log(scattering_length_at(w, [[25.0]], 405.0, law)).std() for w in (420.0, 505.0))
    # sd(ln le) = sd(alpha) ln(w/w0)
    np.testing.assert_allclose([near, far], [0.03 * np.log(w / 405) for w in (420, 505)], rtol=0.02)


def test_outside_the_measured_range_and_below_pure_ice_is_refused():
    with pytest.raises(DomainError, match="650 nm lies outside 300 to 600 nm"):
        scattering_length_at(650.0, [20.0], 405.0)
    with pytest.raises(DomainError, match="layer 1 absorbs less at 500 nm than pure ice"):
        absorption_length_at(400.0, [50.0, 500.0], 500.0)
