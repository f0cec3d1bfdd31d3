"""The only description of ice anywhere: horizontal layers with two lengths each."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from iceopt.errors import DomainError


@dataclass(frozen=True)
class Ice:
    """Flat layers of ice; the first and the last extend without end.

    Parameters
    ----------
    edges_m : array_like, shape (layer + 1,)
        Depths of the layer edges below the surface, increasing (m). A depth that lies exactly on an
        edge belongs to the layer below it.
    scattering_length_m : array_like, shape (layer,)
        Effective scattering length le = l / (1 - g) (m).
    absorption_length_m : array_like, shape (layer,)
        Absorption length (m).

    Raises
    ------
    DomainError
        If the shapes do not match, an edge is not above the next, or a length is not positive and finite.
    """

    edges_m: NDArray[np.float64]
    scattering_length_m: NDArray[np.float64]
    absorption_length_m: NDArray[np.float64]

    def __init__(
        self, edges_m: ArrayLike, scattering_length_m: ArrayLike, absorption_length_m: ArrayLike
    ) -> None:
        for name, value in (
            ("edges_m", edges_m),
            ("scattering_length_m", scattering_length_m),
            ("absorption_length_m", absorption_length_m),
        ):
            array = np.array(value, dtype=np.float64)
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        self._check()

    def _check(self) -> None:
        edges, layers = self.edges_m, self.scattering_length_m.shape
        if edges.ndim != 1 or edges.size < 2:
            raise DomainError(f"edges_m has shape {edges.shape}; expected (layer + 1,), one layer or more")
        if layers != (edges.size - 1,) or self.absorption_length_m.shape != layers:
            raise DomainError(
                f"{edges.size} edges need {edges.size - 1} lengths of each kind; found "
                f"{self.scattering_length_m.shape} scattering and {self.absorption_length_m.shape} absorption"
            )
        bad = ~np.isfinite(edges)
        if bad.any():
            raise DomainError(f"edges_m[{bad.argmax()}] is {edges[bad.argmax()]}; depths must be finite")
        thickness = np.diff(edges)
        if (thickness <= 0).any():
            i = int((thickness <= 0).argmax())
            raise DomainError(
                f"layer {i} runs from {edges[i]:g} m to {edges[i + 1]:g} m; edges must increase with depth"
            )
        for name in ("scattering_length_m", "absorption_length_m"):
            value = getattr(self, name)
            bad = ~(np.isfinite(value) & (value > 0))
            if bad.any():
                i = int(bad.argmax())
                raise DomainError(f"{name}[{i}] is {value[i]}; lengths must be positive and finite")

    @property
    def layers(self) -> int:
        """Number of layers."""
        return self.edges_m.size - 1

    @property
    def centres_m(self) -> NDArray[np.float64]:
        """Depths of the layer centres, shape (layer,) (m)."""
        return 0.5 * (self.edges_m[1:] + self.edges_m[:-1])

    def same_as(self, other: "Ice") -> bool:
        """Whether another ice has the very same layers."""
        return all(
            np.array_equal(own, its)
            for own, its in (
                (self.edges_m, other.edges_m),
                (self.scattering_length_m, other.scattering_length_m),
                (self.absorption_length_m, other.absorption_length_m),
            )
        )

    def layer_at(self, depth_m: ArrayLike) -> NDArray[np.intp]:
        """Index of the layer at each depth; beyond the edges, the first or the last layer."""
        index = np.searchsorted(self.edges_m, np.asarray(depth_m, dtype=np.float64), side="right") - 1
        return np.clip(index, 0, self.layers - 1)
