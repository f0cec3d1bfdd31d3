"""Phase function of mineral dust in ice, by Mie theory (optional extra `mie`)."""

import numpy as np

from iceopt.errors import DomainError, IceoptError
from iceopt.light.tracking.tables import PhaseFunction, tabulated_phase_function

_RADII = 48
_ANGLES = 1500
_SPREADS = 4.0


def dust_phase_function(
    wavelength_nm: float,
    median_radius_um: float,
    geometric_sd: float,
    grain_index: complex,
    ice_index: float = 1.32,
) -> PhaseFunction:
    """Mean phase function of spheres with a log-normal distribution of radii.

    Each radius counts by its number times its scattering cross-section (Bohren, Huffman, Absorption and
    Scattering of Light by Small Particles (1983), chapter 4).

    Parameters
    ----------
    wavelength_nm : float
        In vacuum.
    median_radius_um : float
        Of the number of grains.
    geometric_sd : float
        exp of the standard deviation of ln(radius), above 1.
    grain_index : complex
        Refractive index of the mineral; a positive imaginary part absorbs.
    ice_index : float
        Phase index of the ice.

    Raises
    ------
    IceoptError
        If miepython is not installed.
    """
    if not (wavelength_nm > 0 and median_radius_um > 0 and geometric_sd > 1 and ice_index >= 1):
        raise DomainError(
            "dust needs a positive wavelength and radius, a geometric sd above 1, an ice index of 1 or more"
        )
    try:
        from miepython import efficiencies_mx, i_unpolarized
    except ImportError as error:
        raise IceoptError("dust needs the package miepython; install iceopt[mie]") from error
    # Cross-sections grow as radius^2, so large grains count for more than their number: wide limits.
    log_sd = np.log(geometric_sd)
    deviate = np.linspace(-_SPREADS, _SPREADS + 2 * log_sd, _RADII)
    radius_um = median_radius_um * np.exp(log_sd * deviate)
    number = np.exp(-0.5 * deviate**2)
    size = 2 * np.pi * radius_um * ice_index / (wavelength_nm * 1e-3)
    relative = complex(grain_index.real, -abs(grain_index.imag)) / ice_index
    # Dense ahead, where large grains diffract into a narrow peak.
    cosine = np.concatenate(([-1.0], 1 - np.geomspace(1e-7, 2, _ANGLES)[-2::-1], [1.0]))
    density = np.zeros_like(cosine)
    for n, x, r in zip(number, size, radius_um, strict=True):
        scattering = efficiencies_mx(relative, x)[1]
        density += n * r**2 * scattering * i_unpolarized(relative, x, cosine, norm="one")
    return tabulated_phase_function(cosine, density)
