"""The moment equations of a scene: what the sweep is given, from ice, order, emitters and receivers."""

from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import lpmv, poch

from iceopt.ice.layers import Ice
from iceopt.light.model import Scene
from iceopt.light.moments import adjoint, jacobian, sweep
from iceopt.light.moments.column import column
from iceopt.light.moments.harmonics import Couplings, couplings
from iceopt.light.moments.meetings import meetings
from iceopt.light.moments.plan import PairClass, Plan


def loss_rates(ice: Ice, laplace: NDArray[Any], order: int, anisotropy: float, speed: float) -> NDArray[Any]:
    """s_l = s / v + 1 / la + (1 - g^l) / ((1 - g) le), shape (s, layer, order + 1) (1/m); real if s is."""
    degree = np.arange(order + 1)
    scattering = (1 - anisotropy**degree) / (1 - anisotropy) / ice.scattering_length_m[:, None]
    return laplace[:, None, None] / speed + 1 / ice.absorption_length_m[:, None] + scattering


class MomentEquations:
    """Layered P_N transport of one order for the entries of a plan.

    Parameters
    ----------
    scene : Scene
    order : int
        1 to 9; 1 is diffusion with its time derivative.
    plan : Plan
        With as many parts as `parts_of` says.

    Raises
    ------
    DomainError
        If the order is not offered.
    """

    fronts: ClassVar[bool] = True
    """Whether light travels as a wave, none of it faster than v."""

    def __init__(self, scene: Scene, order: int, plan: Plan) -> None:
        self.scene = scene
        self.order = order
        self.plan = plan
        self._couplings = couplings(order)
        self._pattern = pattern_moments(scene, self._couplings)

    def rates(self, ice: Ice, laplace: NDArray[Any]) -> NDArray[Any]:
        """Loss rates of all layers, shape (s, layer, order + 1) (1/m)."""
        return loss_rates(
            ice, laplace, self.order, self.scene.scattering_anisotropy, self.scene.speed_m_per_ns
        )

    def rate_parts(self, ice: Ice) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Parts of the loss rates that go as 1 / le and as 1 / la, each of shape (layer, order + 1)."""
        zero = np.zeros(1, dtype=np.complex128)
        no_absorption = Ice(ice.edges_m, ice.scattering_length_m, np.full(ice.layers, 1e300))
        scattering = self.rates(no_absorption, zero)[0].real
        return scattering, self.rates(ice, zero)[0].real - scattering

    def by_log_lengths(
        self, ice: Ice, by_rate: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """From a gradient to the loss rates, (layer, order + 1), to those to ln le and ln la, (layer,)."""
        scattering, absorption = self.rate_parts(ice)
        # Every loss rate is linear in 1 / le and 1 / la, so its logarithmic derivative is minus that part.
        return -(by_rate * scattering).sum(axis=1), -(by_rate * absorption).sum(axis=1)

    def transform(self, ice: Ice, rates: NDArray[Any], group: PairClass) -> NDArray[np.float64]:
        """Laplace transforms of a class's entries, shape (s, entry, part).

        Real and imaginary parts; the real ones alone if the rates are real.
        """
        parts = 2 if np.iscomplexobj(rates) else 1
        out = np.empty((group.laplace.size, group.entry.size, parts))
        arguments = (*self._arguments(ice, rates, group), out)
        sweep.transform(*arguments)
        return out

    def pull_back(
        self, ice: Ice, rates: NDArray[Any], group: PairClass, bars: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """From a gradient to the transforms of a class to one to the loss rates, (layer, order + 1)."""
        rate_bar = np.empty((group.laplace.size, *rates.shape[1:]))
        arguments = (*self._arguments(ice, rates, group), bars, rate_bar)
        adjoint.pull_back(*arguments)
        return rate_bar.sum(axis=0)

    def slopes(self, ice: Ice, rates: NDArray[Any], group: PairClass) -> NDArray[np.float64]:
        """Derivatives of a class's transforms at real s to ln le and ln la, shape (s, 2, layer, entry)."""
        moved = np.stack([rates - 1j * jacobian.STEP * part for part in self.rate_parts(ice)], axis=1)
        out = np.empty((group.laplace.size, 2, rates.shape[1], group.entry.size))
        for few, meet in meetings(ice, group, self._couplings.vertical.shape[1]):
            piece = np.empty((*out.shape[:3], few.stop - few.start))
            medium = self._medium(moved, meet.column, group)
            arguments = (*medium, meet.ends, meet.reads, meet.entries, piece)
            jacobian.slopes(*arguments)
            out[..., few] = piece
        return out

    def _arguments(self, ice: Ice, rates: NDArray[Any], group: PairClass) -> tuple[Any, ...]:
        cut = column(ice, group.source_depth_m, group.receiver_depth_m, group.stretch_m)
        sources = (
            cut.source_node, group.source_part, group.source_start, group.receiver, group.distance_row,
        )  # fmt: skip
        reads = (cut.reads.start, cut.reads.node, cut.reads.share)
        return (*self._medium(rates, (cut.between, cut.thickness_m), group), sources, reads)

    def _medium(
        self, rates: NDArray[Any], cut: tuple[NDArray[Any], NDArray[Any]], group: PairClass
    ) -> tuple[Any, ...]:
        """What every kernel is given first: all but where light starts and is read."""
        return (
            coupling_arrays(self._couplings),
            rates,
            group.wavenumbers,
            group.weights,
            group.start,
            cut,
            self._pattern,
        )


class DiffusionEquations(MomentEquations):
    """Order 1 without the time derivative and absorption in the flux equation: layered diffusion."""

    fronts: ClassVar[bool] = False

    def rates(self, ice: Ice, laplace: NDArray[Any]) -> NDArray[Any]:
        """Loss rates with s_1 = 1 / le, shape (s, layer, 2) (1/m)."""
        rates = super().rates(ice, laplace)
        rates[:, :, 1] = 1 / ice.scattering_length_m
        return rates


def coupling_arrays(c: Couplings) -> tuple[NDArray, ...]:
    """Order the constant matrices as the sweep takes them."""
    return (
        c.even_l,
        c.even_sign,
        c.even_horizontal,
        c.odd_l,
        c.odd_sign,
        c.odd_horizontal,
        c.vertical,
    )


def parts_of(scene: Scene, order: int) -> int:
    """Give the number of parts of an emission, as cos(m azimuth), that an order knows."""
    return order + 1 if scene.emission.single_led else 1


def emitted_means(scene: Scene, order: int, turns: int) -> NDArray[np.float64]:
    """Mean of the orthonormal harmonics R_lm of the emitted light over its directions.

    Its azimuths are counted from the middle of the pattern; elevation and azimuth are normal each by itself,
    and the mean of cos(m azimuth) is exp(-(m spread)^2 / 2).

    Returns
    -------
    ndarray, shape (order + 1,)
        Of degree l = 0..order, 0 where l < m = `turns`. u_z = +1 is down.
    """
    emission, degree = scene.emission, np.arange(order + 1)
    if emission.pattern == "isotropic":
        return np.where(degree == 0, np.sqrt(1 / (4 * np.pi)), 0.0)
    x, w = np.polynomial.hermite_e.hermegauss(96)
    spread = np.deg2rad(emission.spread_deg)
    down = -np.sin(np.deg2rad(emission.elevation_deg) + spread * x)
    # scipy's associated Legendre functions carry the Condon-Shortley phase; the real harmonics here do not.
    legendre = (-1.0) ** turns * lpmv(turns, degree[:, None], down) @ (w / w.sum())
    known = np.maximum(degree, turns)
    norm = (2 * known + 1) / (4 * np.pi) / poch(known - turns + 1, 2 * turns) * (2.0 if turns else 1.0)
    return np.where(degree < turns, 0.0, np.sqrt(norm) * legendre * np.exp(-0.5 * (turns * spread) ** 2))


def pattern_moments(scene: Scene, c: Couplings) -> tuple[NDArray[np.float64], ...]:
    """Even and odd moments of each part of the emission, (part, moment), and of the receiver, (moment,).

    A wave exp(i k x) sees the part of m as cos(m (azimuth - that of k)). With i taken out of the moments of
    odd m (`harmonics`), and (1 / 2 pi) int exp(i k rho cos a) cos(m (a - b)) da = i^m Jm(k rho) cos(m b)
    (Abramowitz, Stegun 9.1.21, from memory), what is left of the powers of i is a sign.
    """
    receiver = np.zeros(c.order + 1)
    receiver[0] = np.sqrt(4 * np.pi)
    receiver[1] = -scene.acceptance_slope * np.sqrt(4 * np.pi / 3)

    def place(moments: tuple[tuple[int, int], ...], turns: int, values: NDArray[np.float64]) -> NDArray:
        return np.array([values[degree] if m == turns else 0.0 for degree, m in moments])

    turns = range(parts_of(scene, c.order))
    parts = [(-1.0) ** ((m + 1) // 2) * emitted_means(scene, c.order, m) for m in turns]
    return (
        np.array([place(c.even_moments, m, part) for m, part in zip(turns, parts, strict=True)]),
        np.array([place(c.odd_moments, m, part) for m, part in zip(turns, parts, strict=True)]),
        place(c.even_moments, 0, receiver),
        place(c.odd_moments, 0, receiver),
    )
