"""What every light model is given and what it gives: the seam between light and fit."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from iceopt.ice.layers import Ice

SPEED_OF_LIGHT_M_PER_NS = 0.299792458
_ALONG_LINE_WITHIN_M = 5.0
"""Horizontal distance below which a pair is on one line, which need not hang quite straight."""


@dataclass(frozen=True)
class Emission:
    """Angular pattern of the emitters.

    pattern : 'isotropic', 'ring' or 'single'
    elevation_deg : above the horizontal
    spread_deg : standard deviation of a Gaussian in elevation (and, for 'single', in azimuth)
    """

    pattern: str = "isotropic"
    elevation_deg: float = 0.0
    spread_deg: float = 0.0

    @property
    def single_led(self) -> bool:
        """Whether it points at an azimuth."""
        return self.pattern == "single"


@dataclass(frozen=True)
class Scene:
    """All that a light model must know besides the ice; one entry a pair of emitter and receiver."""

    emitter_depth_m: NDArray[np.float64]
    """Shape (pair,)."""
    receiver_depth_m: NDArray[np.float64]
    """Shape (pair,)."""
    distance_m: NDArray[np.float64]
    """Shape (pair,): horizontal distance."""
    bearing_deg: NDArray[np.float64]
    """Shape (pair,): direction emitter to receiver, from +x towards +y."""
    azimuth_deg: NDArray[np.float64]
    """Shape (pair,): where a single LED points; NaN for patterns that shine in all azimuths."""
    photons: NDArray[np.float64]
    """Shape (pair,): photons emitted in the run (pulses x photons a pulse) at brightness 1."""
    bin_edges_ns: NDArray[np.float64]
    """Shape (bin + 1,): times after the flash; bins before 0 hold no light."""
    emission: Emission
    group_index: float
    scattering_anisotropy: float
    effective_area_m2: float
    acceptance_slope: float
    """Receivers count H0 - acceptance_slope x H1 (campaign tables): +1 is light travelling down."""

    def of_pairs(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> "Scene":
        """Scene of some of the pairs: by a mask, shape (pair,), or by their numbers."""
        return replace(
            self,
            emitter_depth_m=self.emitter_depth_m[chosen],
            receiver_depth_m=self.receiver_depth_m[chosen],
            distance_m=self.distance_m[chosen],
            bearing_deg=self.bearing_deg[chosen],
            azimuth_deg=self.azimuth_deg[chosen],
            photons=self.photons[chosen],
        )

    @property
    def along_line(self) -> NDArray[np.bool_]:
        """Whether emitter and receiver hang on one line, shape (pair,)."""
        return self.distance_m < _ALONG_LINE_WITHIN_M

    @property
    def behind(self) -> NDArray[np.bool_]:
        """Whether a single LED points away from the receiver, shape (pair,)."""
        if not self.emission.single_led:
            return np.zeros(self.distance_m.shape, dtype=bool)
        away = np.cos(np.radians(self.bearing_deg - self.azimuth_deg)) < 0.0
        return np.asarray(away & ~self.along_line)

    @property
    def range_m(self) -> NDArray[np.float64]:
        """Straight distance from emitter to receiver, shape (pair,)."""
        return np.hypot(self.distance_m, self.receiver_depth_m - self.emitter_depth_m)

    @property
    def speed_m_per_ns(self) -> float:
        """Group velocity of the light in the ice."""
        return SPEED_OF_LIGHT_M_PER_NS / self.group_index


@dataclass(frozen=True)
class LogSlopes:
    """Derivatives of the log of the counts in windows of bins to the parameters of the ice, as products.

    The windows of a pair follow a few numbers, as do these the parameters: slopes[p] = shapes[p] @ moves[p].
    Written out they take several GiB for a large array.
    """

    shapes: NDArray[np.float64]
    """Shape (pair, window, number)."""
    moves: NDArray[np.float64]
    """Shape (pair, number, parameter): ln le of each layer, then ln la of each."""

    def written_out(self) -> NDArray[np.float64]:
        """Shape (pair, window, parameter)."""
        return self.shapes @ self.moves

    def scaled(self, factor: NDArray[np.float64] | float) -> "LogSlopes":
        """Slopes times a factor, one for all parameters or of shape (parameter,)."""
        return LogSlopes(self.shapes, self.moves * factor)

    def minus(self, other: "LogSlopes") -> "LogSlopes":
        """Difference of two sets of slopes of the same pairs, windows and parameters."""
        return LogSlopes(
            np.concatenate([self.shapes, other.shapes], axis=2),
            np.concatenate([self.moves, -other.moves], axis=1),
        )

    def pulled_back(self, by_windows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Derivatives to the parameters, from those to the logs of the windows, shape (pair, window)."""
        by_numbers = np.einsum("pw,pwn->pn", by_windows, self.shapes)
        return np.tensordot(by_numbers, self.moves, axes=2)


class LightModel(Protocol):
    """Expected photoelectron counts [pair, bin] with every brightness and efficiency 1.

    Clock offsets, brightnesses, efficiencies and dark counts come later (`iceopt.light.counts`). A model
    is built once from a `Scene`; the closed form and every order of the layered model are all of these,
    and the fit cannot tell them apart.
    """

    scene: Scene
    name: str

    @property
    def cheaper(self) -> "LightModel":
        """A model whose slopes change with the ice nearly as this one's do, at less cost, or this one."""
        ...

    def steered_at(self, ice: Ice) -> "LightModel":
        """A model with the values and slopes of this one at an ice, at less cost near it, or this one."""
        ...

    def expected(self, ice: Ice) -> NDArray[np.float64]:
        """Expected counts, shape (pair, bin)."""
        ...

    def expected_vjp(
        self, ice: Ice
    ) -> tuple[
        NDArray[np.float64],
        Callable[[NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]],
    ]:
        """Expected counts, and the pull-back of a gradient.

        The pull-back takes d(scalar)/d(expected), shape (pair, bin), and returns d(scalar)/d(ln le) and
        d(scalar)/d(ln la), each of shape (layer,).
        """
        ...

    def log_slopes(
        self,
        ice: Ice,
        counts: NDArray[np.float64],
        first: NDArray[np.int64],
        stop: NDArray[np.int64],
    ) -> LogSlopes:
        """Derivatives of the log of the counts in windows of bins, good enough for a curvature.

        `counts`, shape (pair, bin), are the expected counts at the ice; the windows, shape (pair, window),
        are bins `first` to before `stop`, equal in padding.
        """
        ...

    def model_error(self, ice: Ice, expected: NDArray[np.float64]) -> NDArray[np.float64]:
        """The model's own relative error as a standard deviation, shape (pair, bin).

        `expected` are its counts at that ice.
        """
        ...


def windows(
    counts: NDArray[np.float64], first: NDArray[np.int64], stop: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Sum counts, shape (pair, bin), over bins `first` to before `stop`, each of shape (pair, window)."""
    running = np.zeros((counts.shape[0], counts.shape[1] + 1))
    np.cumsum(counts, axis=1, out=running[:, 1:])
    return np.take_along_axis(running, stop, 1) - np.take_along_axis(running, first, 1)
