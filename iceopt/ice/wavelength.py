"""From one wavelength to another by published power laws.

1/le goes as wavelength^-alpha. Absorption is that of dust, a power law too, plus that of pure ice, which
rises towards the red: a = a_dust (w/w0)^-kappa + A exp(-B/w) (1 + 0.01 dT). Ackermann et al., J. Geophys.
Res. 111, D13203 (2006); law, values and their errors are quoted from memory. The correlation of A with B is
not known here: they are drawn independently, which makes the law's error too wide rather than too narrow.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from iceopt.errors import DomainError

Array = NDArray[np.float64]

RANGE_NM = (300.0, 600.0)
"""Where the laws are offered: their data end near 310 and 560 nm (from memory)."""
PER_KELVIN = 0.01
"""Relative growth of pure ice's absorption with temperature (1/K)."""


@dataclass(frozen=True)
class WavelengthLaw:
    """Parameters of the laws: numbers, or arrays of draws that broadcast against those of the lengths."""

    scattering_power: ArrayLike = 0.90
    """alpha."""
    dust_power: ArrayLike = 1.08
    """kappa."""
    ice_absorption_per_m: ArrayLike = 6954.0
    """A."""
    ice_wavelength_nm: ArrayLike = 6618.0
    """B."""
    warmer_k: float = 0.0
    """dT: how much warmer the ice is than that which A and B were found in (K)."""


PUBLISHED = WavelengthLaw()
PUBLISHED_SD = WavelengthLaw(0.03, 0.01, 973.0, 71.0)
"""Standard deviations of the published values (from memory)."""


def draw_law(draws: int, rng: np.random.Generator, warmer_k: float = 0.0) -> WavelengthLaw:
    """Draw the law's parameters from their published values and errors, each of shape (draws, 1)."""
    names = ("scattering_power", "dust_power", "ice_absorption_per_m", "ice_wavelength_nm")
    drawn = {n: rng.normal(getattr(PUBLISHED, n), getattr(PUBLISHED_SD, n), (draws, 1)) for n in names}
    return WavelengthLaw(**drawn, warmer_k=warmer_k)


def pure_ice_absorption_per_m(wavelength_nm: float, law: WavelengthLaw = PUBLISHED) -> Array:
    """Absorption coefficient of pure ice, A exp(-B/w) (1 + 0.01 dT) (1/m)."""
    exponent = -np.asarray(law.ice_wavelength_nm) / wavelength_nm
    return np.asarray(law.ice_absorption_per_m) * np.exp(exponent) * (1 + PER_KELVIN * law.warmer_k)


def scattering_length_at(
    wavelength_nm: float, length_m: ArrayLike, measured_nm: float, law: WavelengthLaw = PUBLISHED
) -> Array:
    """Effective scattering length at a wavelength from that at another.

    Parameters
    ----------
    wavelength_nm, measured_nm : float
        Wavelength that is wanted, and that of `length_m`.
    length_m : array_like, shape (..., layer)
    law : WavelengthLaw

    Returns
    -------
    ndarray, shape (..., layer)

    Raises
    ------
    DomainError
        If a wavelength lies outside `RANGE_NM`.
    """
    _require_in_range(wavelength_nm, measured_nm)
    return np.asarray(length_m) * (wavelength_nm / measured_nm) ** np.asarray(law.scattering_power)


def absorption_length_at(
    wavelength_nm: float, length_m: ArrayLike, measured_nm: float, law: WavelengthLaw = PUBLISHED
) -> Array:
    """Absorption length at a wavelength from that at another; parameters as of `scattering_length_at`.

    Where the absorption measured is below that of pure ice, dust absorbs nothing.

    Raises
    ------
    DomainError
        If a wavelength lies outside `RANGE_NM`, or a layer has more than half of its draws below pure ice:
        there the laws do not hold.
    """
    _require_in_range(wavelength_nm, measured_nm)
    dust = 1 / np.asarray(length_m, dtype=np.float64) - pure_ice_absorption_per_m(measured_nm, law)
    below = np.mean(np.atleast_2d(dust < 0).reshape(-1, dust.shape[-1] if dust.ndim else 1), axis=0) > 0.5
    if below.any():
        raise DomainError(
            f"layer {int(below.argmax())} absorbs less at {measured_nm:g} nm than pure ice does by the law "
            "of wavelengths, so the law does not hold there"
        )
    scaled = np.maximum(dust, 0.0) * (wavelength_nm / measured_nm) ** -np.asarray(law.dust_power)
    return 1 / (scaled + pure_ice_absorption_per_m(wavelength_nm, law))


def _require_in_range(*wavelengths_nm: float) -> None:
    for wavelength in wavelengths_nm:
        if not RANGE_NM[0] <= wavelength <= RANGE_NM[1]:
            raise DomainError(
                f"{wavelength:g} nm lies outside {RANGE_NM[0]:g} to {RANGE_NM[1]:g} nm, where the laws of "
                "wavelength were measured"
            )
