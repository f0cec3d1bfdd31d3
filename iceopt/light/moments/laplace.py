"""Laplace moments of the light: sums over time of counts x exp(-rate t), at real rates.

They need one real solve a rate instead of tens of complex ones for the time bins, so they are an order of
magnitude cheaper; all that is smooth in time can be found from a few of them.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import Scene
from iceopt.light.moments.checks import require_sound
from iceopt.light.moments.equations import MomentEquations, parts_of
from iceopt.light.moments.plan import Plan, make_moment_plan

RATES_PER_NS = 1.0 / np.array([130.0, 280.0, 600.0, 1400.0])
"""From the width of the first bins in use to that of the whole time profile of deep ice."""


CHEAPER_ORDER = 3
"""Whose slopes change with the ice as those of a higher order do to some per cent, at a third of the cost."""


class LaplaceMoments:
    """Laplace moments of the expected counts by layered P_N transport.

    Parameters
    ----------
    scene : Scene
        Its time bins play no part.
    order : int
        1 to 9.
    rates_per_ns : ndarray, shape (rate,)
        Not negative.
    equations : type of MomentEquations
    plan : Plan, optional
        Made from the scene and rates by another order; made anew by default, and where the
        orders know different numbers of parts of an emission.

    Raises
    ------
    DomainError
        If the order is not offered, or the scene is not sound.
    """

    def __init__(
        self,
        scene: Scene,
        order: int,
        rates_per_ns: NDArray[np.float64],
        equations: type[MomentEquations] = MomentEquations,
        plan: Plan | None = None,
    ) -> None:
        require_sound(scene)
        self.scene = scene
        self.order = order
        self.name = f"Laplace moments of order {order}"
        self.rates_per_ns = rates_per_ns
        parts = parts_of(scene, order)
        if plan is None or plan.parts != parts:
            plan = make_moment_plan(scene, rates_per_ns, parts)
        self._plan = plan
        self.equations = equations(scene, order, self._plan)
        self._scale = scene.photons * scene.effective_area_m2

    def of_order(self, order: int) -> "LaplaceMoments":
        """Give the moments of another order on the same scene; they share the plan."""
        return LaplaceMoments(self.scene, order, self.rates_per_ns, type(self.equations), self._plan)

    def of_pairs(self, chosen: NDArray[np.bool_]) -> "LaplaceMoments":
        """Give the moments of some of the pairs, shape (pair,)."""
        return LaplaceMoments(
            self.scene.of_pairs(chosen), self.order, self.rates_per_ns, type(self.equations)
        )

    def expected(self, ice: Ice) -> NDArray[np.float64]:
        """Moments of the counts at brightness and efficiency 1, shape (pair, rate)."""
        return self._moments(ice, self._rates(ice))[:, :, 0]

    def log_slopes(self, ice: Ice) -> NDArray[np.float64]:
        """Derivatives of ln(moments) to ln le of each layer, then to ln la of each.

        Returns
        -------
        ndarray, shape (pair, rate, parameter)
            0 where a moment is not positive.
        """
        rates = self._rates(ice)
        slopes = np.empty((self._plan.entries, self.rates_per_ns.size, 2 * ice.layers))
        for group in self._plan.classes:
            found = self.equations.slopes(ice, rates, group)
            slopes[group.entry] = found.reshape(found.shape[0], -1, found.shape[3]).transpose(2, 0, 1)
        moments = self.expected(ice) / self._scale[:, None]
        inverse = np.divide(1.0, moments, out=np.zeros_like(moments), where=moments > 0)
        return self._plan.of_pairs(slopes) * inverse[:, :, None]

    def expected_vjp(
        self, ice: Ice
    ) -> tuple[
        NDArray[np.float64],
        Callable[[NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]],
    ]:
        """Moments, and the pull-back of a gradient to them to (ln le, ln la), each of shape (layer,)."""

        def pull_back(cotangent: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
            weighted = self._plan.of_entries(cotangent * self._scale[:, None])
            rates = self._rates(ice)
            by_rate = np.zeros(rates.shape[1:])
            for group in self._plan.classes:
                bars = np.ascontiguousarray(weighted[group.entry].T)[:, :, None]
                by_rate += self.equations.pull_back(ice, rates, group, bars)
            return self.equations.by_log_lengths(ice, by_rate)

        return self.expected(ice), pull_back

    def _rates(self, ice: Ice) -> NDArray[np.float64]:
        return self.equations.rates(ice, self.rates_per_ns)

    def _moments(self, ice: Ice, rates: NDArray[Any]) -> NDArray[np.float64]:
        """Moments, shape (pair, rate, part): the real part alone, or both if the rates are complex."""
        parts = 2 if np.iscomplexobj(rates) else 1
        moments = np.empty((self._plan.entries, self.rates_per_ns.size, parts))
        for group in self._plan.classes:
            moments[group.entry] = self.equations.transform(ice, rates, group).transpose(1, 0, 2)
        return self._plan.of_pairs(moments) * self._scale[:, None, None]
