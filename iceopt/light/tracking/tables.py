"""Angles as quantiles: what a photon draws from, for emission and for scattering.

A table holds the values at equal steps of probability; between them the value is linear in the
probability. So every pattern and every phase function costs the kernel the same two reads.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from iceopt.errors import DomainError
from iceopt.light.model import Emission

INTERVALS = 4096
Floats = NDArray[np.float64]


def quantiles(value: ArrayLike, density: ArrayLike, intervals: int = INTERVALS) -> Floats:
    """Quantiles of a density that is given at some values and linear between them.

    Parameters
    ----------
    value : array_like, shape (point,)
        Increasing.
    density : array_like, shape (point,)
        Not negative, in any unit; not zero everywhere.

    Returns
    -------
    ndarray, shape (intervals + 1,)
        Values at the probabilities 0, 1/intervals, ..., 1.
    """
    x, p = np.asarray(value, dtype=float), np.asarray(density, dtype=float)
    if x.ndim != 1 or x.size < 2 or x.shape != p.shape or not (np.diff(x) > 0).all():
        raise DomainError("a tabulated density needs two or more increasing values and one density for each")
    if not (np.isfinite(p).all() and (p >= 0).all() and p.any()):
        raise DomainError("a tabulated density must be finite, nowhere negative and not zero everywhere")
    step = np.diff(x)
    area = np.concatenate(([0.0], np.cumsum(0.5 * (p[1:] + p[:-1]) * step)))
    wanted = area[-1] * np.arange(intervals + 1) / intervals
    i = np.clip(np.searchsorted(area, wanted, side="right") - 1, 0, step.size - 1)
    # Within an interval the area is quadratic; this form of its root is exact for a constant density too.
    slope, rest = (p[i + 1] - p[i]) / step[i], wanted - area[i]
    root = p[i] + np.sqrt(np.maximum(p[i] ** 2 + 2 * slope * rest, 0.0))
    return x[i] + np.minimum(step[i], np.divide(2 * rest, root, out=np.zeros_like(rest), where=root > 0))


def density_at(table: Floats, value: ArrayLike) -> Floats:
    """Density, at some values, of what is drawn from a table of quantiles: constant between neighbours."""
    low, high = np.minimum(table[1:], table[:-1]), np.maximum(table[1:], table[:-1])
    v = np.asarray(value, dtype=float)[..., None]
    inside = ((low <= v) & (v < high)) | ((v == high) & (v == table.max()))
    # Tables that turn back on themselves pass a value more than once.
    each = np.divide(1.0, high - low, out=np.zeros_like(low), where=high > low) / low.size
    return (inside * each).sum(axis=-1)


@dataclass(frozen=True)
class PhaseFunction:
    """How light scatters: quantiles of the cosine of the scattering angle, and their mean g."""

    cosine: Floats
    """Shape (intervals + 1,), from -1 (back) or more to 1 (ahead) or less."""

    @property
    def anisotropy(self) -> float:
        """Mean cosine g of what the table draws, linear between its values."""
        return float(np.mean(0.5 * (self.cosine[1:] + self.cosine[:-1])))


def henyey_greenstein(g: float) -> PhaseFunction:
    """Phase function of Henyey, Greenstein, Astrophys. J. 93, 70 (1941), of mean cosine g.

    Linear steps between quantiles shift the mean cosine by about 1e-6; the table is stretched by as much,
    so that its mean is g and the effective scattering length is what the ice says.
    """
    if not -1 < g < 1:
        raise DomainError(f"the mean cosine of the scattering angle is {g}; expected between -1 and 1")
    if g == 0:
        return PhaseFunction(np.array([-1.0, 1.0]))
    u = np.arange(INTERVALS + 1) / INTERVALS
    q = (1 - g) * (1 + g) / (1 - g + 2 * g * u)
    table = np.clip((1 + g * g - q * q) / (2 * g), -1.0, 1.0)
    mean = PhaseFunction(table).anisotropy
    stretched = (
        1 - (1 - table) * (1 - g) / (1 - mean) if mean < g else -1 + (1 + table) * (1 + g) / (1 + mean)
    )
    return PhaseFunction(stretched)


def tabulated_phase_function(cosine: ArrayLike, density: ArrayLike) -> PhaseFunction:
    """Phase function from its density per solid angle (any unit) at increasing cosines."""
    if np.min(cosine) < -1 or np.max(cosine) > 1:
        raise DomainError("the cosines of a phase function must lie between -1 and 1")
    return PhaseFunction(quantiles(cosine, density))


@dataclass(frozen=True)
class Directions:
    """An emission pattern: quantiles of the direction cosine along depth and of the azimuth, independent."""

    cosine_down: Floats
    azimuth_rad: Floats
    """From the direction in which the pattern points; -pi to pi where it has none."""

    @property
    def every_azimuth(self) -> bool:
        """Whether the pattern shines alike in all azimuths."""
        return self.azimuth_rad.size == 2

    @property
    def _turns(self) -> Floats:
        """Whole turns by which azimuths of -pi to pi must be moved to meet all of the table."""
        most = np.ceil(np.abs(self.azimuth_rad).max() / (2 * np.pi)) + 1
        return np.arange(-most, most + 1)

    def per_solid_angle(self, cosine_down: ArrayLike, azimuth_rad: ArrayLike) -> Floats:
        """Part of the light sent in a direction (1/sr)."""
        if self.every_azimuth:
            return density_at(self.cosine_down, cosine_down) / (2 * np.pi)
        azimuth = np.asarray(azimuth_rad, dtype=float)[..., None] + 2 * np.pi * self._turns
        return density_at(self.cosine_down, cosine_down) * density_at(self.azimuth_rad, azimuth).sum(axis=-1)

    @property
    def azimuth_weight(self) -> Floats:
        """Mean density of azimuths x 2 pi around each of 360 equal steps of the circle from 0.

        A single 1 for patterns that shine alike in all azimuths.
        """
        if self.every_azimuth:
            return np.ones(1)
        last = 360 * self._turns[-1]
        bound = np.deg2rad(np.arange(-last, last + 1) - 0.5)
        share = np.arange(self.azimuth_rad.size) / (self.azimuth_rad.size - 1)
        within = np.diff(np.interp(bound, self.azimuth_rad, share))
        return 360 * within.reshape(-1, 360).sum(axis=0)


_EVERY_AZIMUTH = np.array([-np.pi, np.pi])


def _normal_quantiles(mean: float, spread: float) -> Floats:
    """Quantiles of a normal density; the two outermost are the medians of the outermost intervals."""
    u = np.arange(INTERVALS + 1) / INTERVALS
    return mean + spread * ndtri(np.clip(u, 0.5 / INTERVALS, 1 - 0.5 / INTERVALS))


def directions(emission: Emission) -> Directions:
    """Directions of an isotropic emitter, of a ring of LEDs or of a single one.

    Ring and single LED: the elevation above the horizontal is normal around `elevation_deg` with the
    standard deviation `spread_deg` (in angle, not in solid angle); for a single LED so is the azimuth.
    """
    if emission.pattern == "isotropic":
        return Directions(np.array([-1.0, 1.0]), _EVERY_AZIMUTH)
    spread = np.deg2rad(emission.spread_deg)
    elevation = _normal_quantiles(np.deg2rad(emission.elevation_deg), spread)
    if emission.pattern == "ring":
        return Directions(-np.sin(elevation), _EVERY_AZIMUTH)
    if emission.pattern == "single":
        return Directions(-np.sin(elevation), _normal_quantiles(0.0, spread))
    raise DomainError(f"the emitter pattern is {emission.pattern!r}; expected isotropic, ring or single")


def tabulated_directions(elevation_deg: ArrayLike, intensity: ArrayLike) -> Directions:
    """Directions of an axisymmetric emitter from its intensity per solid angle at increasing elevations."""
    elevation = np.asarray(elevation_deg, dtype=float)
    if elevation.size < 2 or elevation.min() < -90 or elevation.max() > 90:
        raise DomainError("a tabulated pattern needs two or more elevations between -90 and 90 degrees")
    # Fine steps, because the intensity is linear in the elevation, not in its sine.
    fine = np.linspace(elevation[0], elevation[-1], 8 * INTERVALS + 1)
    density = np.interp(fine, elevation, np.asarray(intensity, dtype=float))
    return Directions(-quantiles(np.sin(np.deg2rad(fine)), density), _EVERY_AZIMUTH)
