"""Laplace moments of a scene from those of its parts, each by the means that suit its pairs.

Across lines a low order steered by a high one (`iceopt.light.moments.steered`) follows the high one closely
and costs a fraction of it. Where light arrives that was turned round, along an emitter's own line and behind
a single LED, it does not: a low order's moments are too far from the high one's there. These pairs are few:
they stay with the high order.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import Scene
from iceopt.light.moments.laplace import CHEAPER_ORDER, LaplaceMoments
from iceopt.light.moments.steered import SteeredMoments

Array = NDArray[np.float64]


class JoinedMoments:
    """Laplace moments of parts of a scene put together; as `LaplaceMoments`.

    Parameters
    ----------
    whole : LaplaceMoments
        Whose scene and rates they are of.
    parts : sequence of (ndarray of bool, moments)
        Which pairs of the scene, shape (pair,), and their moments; every pair in one part.
    name : str
    """

    def __init__(
        self,
        whole: LaplaceMoments,
        parts: Sequence[tuple[NDArray[np.bool_], LaplaceMoments | SteeredMoments]],
        name: str,
    ) -> None:
        self.scene: Scene = whole.scene
        self.order, self.rates_per_ns = whole.order, whole.rates_per_ns
        self.name = name
        self._whole, self._parts = whole, tuple(parts)

    def of_order(self, order: int) -> LaplaceMoments:
        """Give the moments of one order for all pairs."""
        return self._whole.of_order(order)

    def expected(self, ice: Ice) -> Array:
        """Moments of the counts at brightness and efficiency 1, shape (pair, rate); 0 where not known."""
        return self._put_together([moments.expected(ice) for _, moments in self._parts])

    def log_slopes(self, ice: Ice) -> Array:
        """Derivatives of ln(moments) to ln le of each layer, then to ln la: (pair, rate, parameter)."""
        return self._put_together([moments.log_slopes(ice) for _, moments in self._parts])

    def expected_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        """Moments, and the pull-back of a gradient to them to (ln le, ln la), each of shape (layer,)."""
        found = [moments.expected_vjp(ice) for _, moments in self._parts]

        def pull_back(cotangent: Array) -> tuple[Array, Array]:
            pulled = np.sum(
                [
                    pull_back_part(cotangent[of])
                    for (of, _), (_, pull_back_part) in zip(self._parts, found, strict=True)
                ],
                axis=0,
            )
            return pulled[0], pulled[1]

        return self._put_together([moments for moments, _ in found]), pull_back

    def _put_together(self, of_parts: Sequence[Array]) -> Array:
        whole = np.empty((len(self.scene.distance_m), *of_parts[0].shape[1:]))
        for (of, _), part in zip(self._parts, of_parts, strict=True):
            whole[of] = part
        return whole


def steered_across(high: LaplaceMoments, reference: Ice) -> JoinedMoments:
    """Moments of order 3 with the values and slopes of a high order at an ice.

    Along lines and behind single LEDs they are the latter's.
    """
    turned = high.scene.along_line | high.scene.behind
    parts: list[tuple[NDArray[np.bool_], LaplaceMoments | SteeredMoments]] = []
    names = []
    if not turned.all():
        of_scene = high.of_pairs(~turned)
        steered = SteeredMoments(of_scene.of_order(CHEAPER_ORDER), of_scene, reference)
        parts.append((~turned, steered))
        names.append(steered.name)
    if turned.any():
        parts.append((turned, high.of_pairs(turned)))
        where = "along lines and behind LEDs" if high.scene.behind.any() else "along lines"
        names.append(f"those of order {high.order} {where}" if names else high.name)
    return JoinedMoments(high, parts, ", ".join(names))
