"""The layered model as a `LightModel`: ice in, expected counts out."""

from collections.abc import Callable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import LogSlopes, Scene
from iceopt.light.moments.carried import CarriedProfile, bins_with_light
from iceopt.light.moments.checks import require_sound
from iceopt.light.moments.equations import DiffusionEquations, MomentEquations, parts_of
from iceopt.light.moments.error import CONVERGENCE, order_error
from iceopt.light.moments.harmonics import couplings
from iceopt.light.moments.laplace import CHEAPER_ORDER, RATES_PER_NS, LaplaceMoments
from iceopt.light.moments.plan import Plan, make_plan

LAST_COMPARED_UPWARDS = 4


class LayeredMoments:
    """Layered P_N transport of one order for the pairs of a scene.

    Parameters
    ----------
    scene : Scene
    order : int
        1 to 9; 1 is diffusion with its time derivative.
    plan : Plan, optional
        Made from the scene by another order; made anew by default, and where the
        orders know different numbers of parts of an emission.

    Raises
    ------
    DomainError
        If the order is not offered, or the scene is not sound (`require_sound`).
    """

    kind: type[MomentEquations] = MomentEquations

    def __init__(self, scene: Scene, order: int, plan: Plan | None = None) -> None:
        require_sound(scene)
        couplings(order)  # refuses an order that is not offered, before anything is made of it
        self.scene = scene
        self.order = order
        self.name = f"layered moments of order {order}"
        self._parts = parts_of(scene, order)
        self._given_plan = plan if plan is None or plan.parts == self._parts else None
        self._scale = scene.photons * scene.effective_area_m2
        self._arrived = bins_with_light(scene)

    @cached_property
    def _plan(self) -> Plan:
        """Made when it is needed first: slopes alone do without it."""
        given = self._given_plan
        return make_plan(self.scene, self.kind.fronts, self._parts) if given is None else given

    @cached_property
    def equations(self) -> MomentEquations:
        """What is solved for every Laplace variable and wavenumber."""
        return self.kind(self.scene, self.order, self._plan)

    @property
    def cheaper(self) -> "LayeredMoments":
        """The model of order 3 at most."""
        return self if self.order <= CHEAPER_ORDER else self.of_order(CHEAPER_ORDER)

    def steered_at(self, ice: Ice) -> "LayeredMoments":
        """Itself: time bins are not steered."""
        return self

    def expected(self, ice: Ice) -> NDArray[np.float64]:
        """Expected counts, shape (pair, bin)."""
        bins = np.empty((self._plan.entries, self.scene.bin_edges_ns.size - 1))
        for group in self._plan.classes:
            transform = self.equations.transform(ice, self.equations.rates(ice, group.laplace), group)
            flat = transform.transpose(1, 0, 2).reshape(transform.shape[1], -1)
            for chosen, matrix in group.binnings:
                bins[group.entry[chosen]] = flat[chosen] @ matrix
        return self._plan.of_pairs(bins) * self._scale[:, None] * self._arrived

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

    def log_slopes(
        self,
        ice: Ice,
        counts: NDArray[np.float64],
        first: NDArray[np.int64],
        stop: NDArray[np.int64],
    ) -> LogSlopes:
        """Derivatives of the log of the counts in windows of bins, to some percent; see `LightModel`."""
        none = np.zeros_like(counts)
        return CarriedProfile(self.laplace, self.name, ice, counts, none).log_slopes(ice, counts, first, stop)

    def model_error(self, ice: Ice, expected: NDArray[np.float64]) -> NDArray[np.float64]:
        """The order's own relative error, from its difference to another order, shape (pair, bin).

        Up to order 4 that is the order two above; beyond, where that would be slow, the one two below.
        """
        low = self.order <= LAST_COMPARED_UPWARDS
        other = self.of_order(self.order + 2 if low else self.order - 2)
        part = 1.0 if low else CONVERGENCE
        return order_error(expected, [other.expected(ice)], part, self.scene, ice)

    def expected_and_error(self, ice: Ice) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Expected counts and the order's own relative error, both of shape (pair, bin)."""
        counts = self.expected(ice)
        return counts, self.model_error(ice, counts)

    def of_order(self, order: int) -> "LayeredMoments":
        """Give the model of another order on the same scene; they share the plan."""
        return LayeredMoments(self.scene, order, self._plan)

    @cached_property
    def laplace(self) -> LaplaceMoments:
        """Laplace moments of the same order."""
        return LaplaceMoments(self.scene, self.order, RATES_PER_NS, self.kind)

    def _pull_back(
        self, ice: Ice, cotangent: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        weighted = self._plan.of_entries(cotangent * self._scale[:, None] * self._arrived)
        rate_gradient = np.zeros((ice.layers, self.order + 1))
        for group in self._plan.classes:
            flat = np.empty((group.entry.size, 2 * group.laplace.size))
            for chosen, matrix in group.binnings:
                flat[chosen] = weighted[group.entry[chosen]] @ matrix.T
            bars = np.ascontiguousarray(flat.reshape(group.entry.size, -1, 2).transpose(1, 0, 2))
            rates = self.equations.rates(ice, group.laplace)
            rate_gradient += self.equations.pull_back(ice, rates, group, bars)
        return self.equations.by_log_lengths(ice, rate_gradient)


class LayeredDiffusion(LayeredMoments):
    """Exact layered diffusion: order 1 without the time derivative and absorption in the flux equation."""

    kind = DiffusionEquations

    def __init__(self, scene: Scene) -> None:
        super().__init__(scene, 1)
        self.name = "layered diffusion"
