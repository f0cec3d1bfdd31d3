"""Closed-form diffusion, layer-averaged: for first guesses and checks, not for final numbers.

Time-resolved diffusion from an isotropic point in an infinite uniform medium (Patterson, Chance, Wilson,
Appl. Opt. 28, 2331 (1989)) with the layers averaged along the straight line from emitter to receiver. It
knows nothing of the emitters' pattern, and its charges are wrong by 30-150 % in layered ice.
"""

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.abreast import in_shares
from iceopt.errors import DomainError
from iceopt.ice.layers import Ice
from iceopt.light.model import LogSlopes, Scene, windows

Array = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(4)
_STEP = 1e-4
_OWN_ERROR = 0.5
"""Standard deviation of ln(model / truth): the low side of what tracked photons in layered ice show."""


class ClosedForm:
    """Closed-form diffusion with path averages of 1/le and 1/la; a `LightModel`.

    Parameters
    ----------
    scene : Scene

    Raises
    ------
    DomainError
        If an emitter and its receiver are in one place.
    """

    name = "closed-form diffusion, layer-averaged"

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self._rise_m = scene.receiver_depth_m - scene.emitter_depth_m
        self._range_m = scene.range_m
        if not (self._range_m > 0).all():
            pair = int(np.argmin(self._range_m))
            raise DomainError(f"pair {pair}: emitter and receiver are in one place; they must be apart")
        self._scale = scene.photons * scene.effective_area_m2

    @property
    def cheaper(self) -> "ClosedForm":
        """Itself: nothing costs less."""
        return self

    def steered_at(self, ice: Ice) -> "ClosedForm":
        """Itself: nothing costs less."""
        return self

    def expected(self, ice: Ice) -> Array:
        """Expected counts at brightness and efficiency 1, shape (pair, bin)."""
        return self._counts(self._along(self._fractions(ice), ice))

    def expected_vjp(self, ice: Ice) -> tuple[Array, Callable[[Array], tuple[Array, Array]]]:
        """Expected counts, and the pull-back of a gradient to (ln le, ln la) of the layers."""
        fractions = self._fractions(ice)
        along = self._along(fractions, ice)

        def pull_back(gradient: Array) -> tuple[Array, Array]:
            by_scattering, by_absorption = np.zeros((2, len(gradient)))
            in_shares(partial(_pull_back, *self._shared), *along, gradient, by_scattering, by_absorption)
            return (
                -(fractions.T @ by_scattering) / ice.scattering_length_m,
                -(fractions.T @ by_absorption) / ice.absorption_length_m,
            )

        return self._counts(along), pull_back

    def log_slopes(
        self, ice: Ice, counts: Array, first: NDArray[np.int64], stop: NDArray[np.int64]
    ) -> LogSlopes:
        """Derivatives of the log of the counts in windows of bins, by differences; see `LightModel`."""
        light = windows(counts, first, stop)
        fractions = self._fractions(ice)
        lengths = (ice.scattering_length_m, ice.absorption_length_m)
        shapes = np.empty((*light.shape, len(lengths)))
        moves = np.zeros((len(light), len(lengths), 2 * ice.layers))
        along = self._along(fractions, ice)
        for kind, length in enumerate(lengths):
            ahead = list(along)
            ahead[kind] = along[kind] * np.exp(_STEP)
            change = windows(self._counts(ahead), first, stop) - light
            shapes[:, :, kind] = np.divide(change, light * _STEP, out=np.zeros_like(light), where=light > 0)
            layers = slice(kind * ice.layers, (kind + 1) * ice.layers)
            moves[:, kind, layers] = -fractions / (length * along[kind][:, None])
        return LogSlopes(shapes, moves)

    def model_error(self, ice: Ice, expected: Array) -> Array:
        """Relative standard deviation of the model itself, shape (pair, bin): one half everywhere."""
        return np.full((self._range_m.size, self.scene.bin_edges_ns.size - 1), _OWN_ERROR)

    def _fractions(self, ice: Ice) -> Array:
        return path_fractions(self.scene.emitter_depth_m, self.scene.receiver_depth_m, ice)

    def _along(self, fractions: Array, ice: Ice) -> tuple[Array, ...]:
        """What the kernels are given of each pair: mean 1 / le and 1 / la, range, rise, scale."""
        scatter, absorb = (
            fractions @ (1.0 / ice.scattering_length_m),
            fractions @ (1.0 / ice.absorption_length_m),
        )
        return scatter, absorb, self._range_m, self._rise_m, self._scale

    @property
    def _shared(self) -> tuple[Array, float, float]:
        """What they are given of all pairs."""
        return self.scene.bin_edges_ns, self.scene.speed_m_per_ns, self.scene.acceptance_slope

    def _counts(self, along: Sequence[Array]) -> Array:
        counts = np.zeros((self._range_m.size, self.scene.bin_edges_ns.size - 1))
        in_shares(partial(_count, *self._shared), *along, counts)
        return counts


def path_fractions(start_depth_m: Array, end_depth_m: Array, ice: Ice) -> Array:
    """Part of the straight line between two depths that lies in each layer.

    Parameters
    ----------
    start_depth_m, end_depth_m : ndarray, shape (pair,)
    ice : Ice
        Its first and last layer extend without end. A level line lies in the layer at its depth.

    Returns
    -------
    ndarray, shape (pair, layer)
        Rows add up to 1.
    """
    edges = ice.edges_m.copy()
    edges[0], edges[-1] = -np.inf, np.inf
    upper = np.minimum(start_depth_m, end_depth_m)[:, None]
    lower = np.maximum(start_depth_m, end_depth_m)[:, None]
    inside = np.clip(np.minimum(lower, edges[1:]) - np.maximum(upper, edges[:-1]), 0.0, None)
    length = lower - upper
    level = np.zeros_like(inside)
    level[np.arange(len(level)), ice.layer_at(upper[:, 0])] = 1.0
    return np.where(length > 0, inside / np.where(length > 0, length, 1.0), level)


@njit(cache=True)
def _rate(
    time: float, range_: float, rise: float, scatter: float, absorb: float, speed: float, slope: float
) -> float:
    """H0 - slope x H1 at a time (1/m2/ns); scatter = 1/le and absorb = 1/la (1/m).

    H0 = v (4 pi D t)^(-3/2) exp(-r^2/(4 D t) - v t/la), D = v le/3, and H1 = -(le/3) dH0/dz at the receiver,
    which is H0 x rise/(2 v t).
    """
    spread = 4.0 * speed * time / (3.0 * scatter)
    density = (np.pi * spread) ** -1.5 * np.exp(-range_ * range_ / spread - speed * time * absorb)
    return speed * density * (1.0 - slope * rise / (2.0 * speed * time))


@njit(cache=True, nogil=True)
def _count(
    edges: Array,
    speed: float,
    slope: float,
    scatter: Array,
    absorb: Array,
    range_: Array,
    rise: Array,
    scale: Array,
    counts: Array,
) -> None:
    """Counts of each pair in time bins."""
    for p in range(range_.size):
        arrival = range_[p] / speed
        for b in range(edges.size - 1):
            begin = max(edges[b], arrival)
            half = 0.5 * (edges[b + 1] - begin)
            if half <= 0.0:
                continue
            total = 0.0
            for k in range(_NODES.size):
                time = begin + half * (1.0 + _NODES[k])
                total += _WEIGHTS[k] * _rate(time, range_[p], rise[p], scatter[p], absorb[p], speed, slope)
            counts[p, b] = scale[p] * half * total


@njit(cache=True, nogil=True)
def _pull_back(
    edges: Array,
    speed: float,
    slope: float,
    scatter: Array,
    absorb: Array,
    range_: Array,
    rise: Array,
    scale: Array,
    gradient: Array,
    by_scatter: Array,
    by_absorb: Array,
) -> None:
    """d(scalar)/d(1/le) and d(scalar)/d(1/la) of each pair from d(scalar)/d(counts) [pair, bin]."""
    for p in range(range_.size):
        arrival = range_[p] / speed
        for b in range(edges.size - 1):
            begin = max(edges[b], arrival)
            half = 0.5 * (edges[b + 1] - begin)
            if half <= 0.0:
                continue
            for k in range(_NODES.size):
                time = begin + half * (1.0 + _NODES[k])
                rate = _rate(time, range_[p], rise[p], scatter[p], absorb[p], speed, slope)
                weight = gradient[p, b] * scale[p] * half * _WEIGHTS[k] * rate
                path = range_[p] * range_[p] / (4.0 * speed * time / 3.0)
                by_scatter[p] += weight * (1.5 / scatter[p] - path)
                by_absorb[p] -= weight * speed * time
