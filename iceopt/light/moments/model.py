"""The layered model as a `LightModel`: ice in, expected counts out."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import Scene
from iceopt.light.moments import adjoint, sweep
from iceopt.light.moments.checks import require_sound
from iceopt.light.moments.error import CONVERGENCE, order_error
from iceopt.light.moments.harmonics import Couplings, couplings
from iceopt.light.moments.plan import PairClass, Plan, make_plan

LAST_COMPARED_UPWARDS = 4


@dataclass(frozen=True)
class Column:
    """Nodes of the sweep: layer edges and the depths of emitters and receivers, increasing."""

    between: NDArray[np.int64]
    """Layer above the first node, between nodes, below the last; shape (node + 1,)."""
    thickness_m: NDArray[np.float64]
    """Shape (node - 1,)."""
    depth_node: NDArray[np.int64]
    """Per depth of the plan: its node."""


def column(ice: Ice, depths_m: NDArray[np.float64]) -> Column:
    """Cut the ice at its inner edges and at the given depths."""
    nodes = np.unique(np.concatenate([ice.edges_m[1:-1], depths_m]))
    above_first = np.searchsorted(ice.edges_m[1:-1], nodes[0], side="left")
    between = np.concatenate([[above_first], ice.layer_at(nodes)]).astype(np.int64)
    return Column(between, np.diff(nodes), np.searchsorted(nodes, depths_m))


def loss_rates(
    ice: Ice, laplace: NDArray[np.complex128], order: int, anisotropy: float, speed: float
) -> NDArray[np.complex128]:
    """s_l = s / v + 1 / la + (1 - g^l) / ((1 - g) le), shape (s, layer, order + 1) (1/m)."""
    degree = np.arange(order + 1)
    scattering = (1 - anisotropy**degree) / (1 - anisotropy) / ice.scattering_length_m[:, None]
    return laplace[:, None, None] / speed + 1 / ice.absorption_length_m[:, None] + scattering


class LayeredMoments:
    """Layered P_N transport of one order for the pairs of a scene.

    Parameters
    ----------
    scene : Scene
        With an emission that shines in all azimuths.
    order : int
        1 to 9; 1 is diffusion with its time derivative.
    plan : Plan, optional
        Made from the scene by another order; made anew by default.

    Raises
    ------
    DomainError
        If the order is not offered, or the scene is not sound (`require_sound`).
    """

    def __init__(self, scene: Scene, order: int, plan: Plan | None = None) -> None:
        require_sound(scene)
        self.scene = scene
        self.order = order
        self.name = f"layered moments of order {order}"
        self._couplings = couplings(order)
        self._plan = make_plan(scene) if plan is None else plan
        self._pattern = pattern_moments(scene, self._couplings)
        self._scale = scene.photons * scene.effective_area_m2
        path = np.hypot(scene.distance_m, scene.emitter_depth_m - scene.receiver_depth_m)
        self._arrived = scene.bin_edges_ns[None, 1:] > (path / scene.speed_m_per_ns)[:, None]

    def rates(self, ice: Ice, laplace: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Loss rates of all layers, shape (s, layer, order + 1) (1/m)."""
        return loss_rates(
            ice, laplace, self.order, self.scene.scattering_anisotropy, self.scene.speed_m_per_ns
        )

    def expected(self, ice: Ice) -> NDArray[np.float64]:
        """Expected counts, shape (pair, bin)."""
        cut = column(ice, self._plan.depths_m)
        bins = np.empty((self._plan.entries, self.scene.bin_edges_ns.size - 1))
        for group in self._plan.classes:
            transform = self._transform(ice, cut, group)
            flat = transform.transpose(1, 0, 2).reshape(transform.shape[1], -1)
            for chosen, matrix in group.binnings:
                bins[group.entry[chosen]] = flat[chosen] @ matrix
        return bins[self._plan.pair_entry] * self._scale[:, None] * self._arrived

    def expected_vjp(
        self, ice: Ice
    ) -> tuple[
        NDArray[np.float64],
        Callable[[NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]],
    ]:
        """Expected counts, and the pull-back of a gradient to (ln le, ln la), each of shape (layer,)."""
        expected = self.expected(ice)

        def pull_back(cotangent: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
            return self._pull_back(ice, cotangent)

        return expected, pull_back

    def model_error(self, ice: Ice) -> NDArray[np.float64]:
        """The order's own relative error, from its difference to another order, shape (pair, bin).

        Up to order 4 that is the order two above; beyond, where that would be slow, the one two below.
        """
        low = self.order <= LAST_COMPARED_UPWARDS
        other = self.of_order(self.order + 2 if low else self.order - 2)
        part = 1.0 if low else CONVERGENCE
        return order_error(self.expected(ice), other.expected(ice), part, self.scene)

    def of_order(self, order: int) -> "LayeredMoments":
        """Give the model of another order on the same scene; they share the plan."""
        return LayeredMoments(self.scene, order, self._plan)

    def _pull_back(
        self, ice: Ice, cotangent: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        weighted = np.zeros((self._plan.entries, cotangent.shape[1]))
        np.add.at(weighted, self._plan.pair_entry, cotangent * self._scale[:, None] * self._arrived)
        cut = column(ice, self._plan.depths_m)
        rate_gradient = np.zeros((ice.layers, self.order + 1))
        for group in self._plan.classes:
            flat = np.empty((group.entry.size, 2 * group.frequency.size))
            for chosen, matrix in group.binnings:
                flat[chosen] = weighted[group.entry[chosen]] @ matrix.T
            bars = np.ascontiguousarray(flat.reshape(group.entry.size, -1, 2).transpose(1, 0, 2))
            rate_bar = np.empty((group.frequency.size, ice.layers, self.order + 1))
            adjoint.pull_back(*self._arguments(ice, cut, group), bars, rate_bar)
            rate_gradient += rate_bar.sum(axis=0)
        # Every loss rate is linear in 1 / le and 1 / la, so its logarithmic derivative is minus that part.
        zero = np.zeros(1, dtype=np.complex128)
        no_absorption = Ice(ice.edges_m, ice.scattering_length_m, np.full(ice.layers, 1e300))
        scattering_part = self.rates(no_absorption, zero)[0].real
        absorption_part = self.rates(ice, zero)[0].real - scattering_part
        return -(rate_gradient * scattering_part).sum(axis=1), -(rate_gradient * absorption_part).sum(axis=1)

    def _transform(self, ice: Ice, cut: Column, group: PairClass) -> NDArray[np.float64]:
        out = np.empty((group.frequency.size, group.entry.size, 2))
        sweep.transform(*self._arguments(ice, cut, group), out)
        return out

    def _arguments(self, ice: Ice, cut: Column, group: PairClass) -> tuple:
        return (
            coupling_arrays(self._couplings),
            self.rates(ice, np.asarray(1j * group.frequency, dtype=np.complex128)),
            group.wavenumbers,
            group.weights,
            group.start,
            (cut.between, cut.thickness_m),
            self._pattern,
            (
                cut.depth_node[group.source_depth],
                group.source_start,
                cut.depth_node[group.receiver_depth],
                group.distance_row,
            ),
        )


class LayeredDiffusion(LayeredMoments):
    """Exact layered diffusion: order 1 without the time derivative and absorption in the flux equation."""

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene, 1)
        self.name = "layered diffusion"

    def rates(self, ice: Ice, laplace: NDArray[np.complex128]) -> NDArray[np.complex128]:
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


def legendre_means(scene: Scene, order: int) -> NDArray[np.float64]:
    """Mean Legendre polynomials P_l(u_z) of the emitted light, l = 0..order; u_z = +1 is down."""
    emission = scene.emission
    if emission.pattern == "isotropic":
        return np.eye(order + 1)[0]
    x, w = np.polynomial.hermite_e.hermegauss(96)
    elevation = np.deg2rad(emission.elevation_deg + emission.spread_deg * x)
    legendre = np.polynomial.legendre.legvander(-np.sin(elevation), order)
    return (w / w.sum()) @ legendre


def pattern_moments(scene: Scene, c: Couplings) -> tuple[NDArray[np.float64], ...]:
    """Even and odd moments of the source and of the receiver."""
    means = legendre_means(scene, c.order)
    source = np.sqrt((2 * np.arange(c.order + 1) + 1) / (4 * np.pi)) * means
    receiver = np.zeros(c.order + 1)
    receiver[0] = np.sqrt(4 * np.pi)
    receiver[1] = -scene.acceptance_slope * np.sqrt(4 * np.pi / 3)

    def place(degrees: NDArray[np.int64], axial: NDArray[np.bool_], values: NDArray[np.float64]) -> NDArray:
        return np.where(axial, values[degrees], 0.0)

    even_axial = np.array([m == 0 for _, m in c.even_moments])
    odd_axial = np.array([m == 0 for _, m in c.odd_moments])
    return (
        place(c.even_l, even_axial, source),
        place(c.odd_l, odd_axial, source),
        place(c.even_l, even_axial, receiver),
        place(c.odd_l, odd_axial, receiver),
    )
