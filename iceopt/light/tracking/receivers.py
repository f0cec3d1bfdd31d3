"""Where photons score: cells around the receivers, and the map by which the kernel finds them."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from iceopt.errors import DomainError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Receivers:
    """Receivers of one or many emitters, one entry each; all arrays of shape (receiver,).

    Each scores in a ring around its emitter's vertical axis, which flat layers allow: every azimuth counts,
    weighted by how much light the emitter sends into it.
    """

    emitter: Ints
    """Index of the emitter whose light it sees."""
    distance_m: Floats
    """Horizontal distance."""
    depth_m: Floats
    bearing_deg: Floats
    """From the direction in which the emission points; NaN: every azimuth."""
    half_width_m: float = 2.0
    """The ring reaches so far inwards and outwards (not beyond the axis)."""
    half_height_m: float = 2.0

    def __post_init__(self) -> None:
        shapes = {a.shape for a in (self.emitter, self.distance_m, self.depth_m, self.bearing_deg)}
        if len(shapes) != 1 or self.emitter.ndim != 1 or not self.emitter.size:
            raise DomainError(
                f"receivers need arrays of one length, one entry or more; found shapes {shapes}"
            )
        if not (np.isfinite(self.depth_m).all() and np.isfinite(self.distance_m).all()):
            raise DomainError("the distances and depths of receivers must be finite")
        if (self.distance_m < 0).any():
            raise DomainError(
                f"a receiver's horizontal distance is {self.distance_m.min():g} m; expected 0 or more"
            )
        if not (self.half_width_m > 0 and self.half_height_m > 0):
            raise DomainError("the half sizes of a scoring cell must be positive")

    @classmethod
    def grid(
        cls,
        emitter_depth_m: ArrayLike,
        distance_m: ArrayLike,
        depth_m: ArrayLike,
        within_m: float = np.inf,
    ) -> "Receivers":
        """All distances at all depths within a vertical distance of each emitter, in this order."""
        e, d, z = (np.asarray(a, dtype=float) for a in (emitter_depth_m, distance_m, depth_m))
        i, j, k = (a.ravel() for a in np.meshgrid(*(np.arange(a.size) for a in (e, d, z)), indexing="ij"))
        keep = np.abs(e[i] - z[k]) <= within_m
        i, j, k = i[keep], j[keep], k[keep]
        return cls(i.astype(np.int64), d[j], z[k], np.full(i.size, np.nan))

    @property
    def inner_m(self) -> Floats:
        """Inner radius of each cell."""
        return np.maximum(0.0, self.distance_m - self.half_width_m)

    @property
    def outer_m(self) -> Floats:
        """Outer radius of each cell."""
        return self.distance_m + self.half_width_m

    @property
    def bearing_rad(self) -> Floats:
        """Bearing as an angle; NaN: every azimuth."""
        return np.deg2rad(self.bearing_deg)

    @property
    def volume_m3(self) -> Floats:
        """Volume of each ring."""
        return np.pi * (self.outer_m**2 - self.inner_m**2) * 2 * self.half_height_m


class CellMap(NamedTuple):
    """The cells of one emitter, as the kernel reads them.

    A coarse map over (depth, radius) lists in `member[start[k]:start[k + 1]]` the cells that reach into
    its square k, so that a photon that scores nowhere learns so by one look.
    """

    start: Ints
    member: Ints
    rows: int
    columns: int
    map_top_m: float
    per_m: float
    inner2_m2: Floats
    outer2_m2: Floats
    top_m: Floats
    bottom_m: Floats
    bearing_rad: Floats
    azimuth_weight: Floats
    """Density of the emitter's azimuths x 2 pi at equal steps of the circle from the direction in which the
    emission points; a single 1: every azimuth alike."""


def cell_map(receivers: Receivers, emitter: int, azimuth_weight: Floats) -> tuple[Ints, CellMap]:
    """Indices of the receivers of an emitter (one or more), and the map of their cells."""
    chosen = np.flatnonzero(receivers.emitter == emitter)
    inner, outer = receivers.inner_m[chosen], receivers.outer_m[chosen]
    top = receivers.depth_m[chosen] - receivers.half_height_m
    bottom = receivers.depth_m[chosen] + receivers.half_height_m
    origin = float(top.min())
    per_m = 0.5 / min(receivers.half_width_m, receivers.half_height_m)
    first_row, last_row = ((a - origin) * per_m for a in (top, bottom))
    first_column, last_column = inner * per_m, outer * per_m
    rows, columns = int(last_row.max()) + 1, int(last_column.max()) + 1
    lists: list[list[int]] = [[] for _ in range(rows * columns)]
    for n in range(chosen.size):
        for row in range(int(first_row[n]), int(last_row[n]) + 1):
            for column in range(int(first_column[n]), int(last_column[n]) + 1):
                lists[row * columns + column].append(n)
    return chosen, CellMap(
        start=np.concatenate(([0], np.cumsum([len(one) for one in lists]))).astype(np.int64),
        member=np.array([n for one in lists for n in one], dtype=np.int64),
        rows=rows,
        columns=columns,
        map_top_m=origin,
        per_m=per_m,
        inner2_m2=inner**2,
        outer2_m2=outer**2,
        top_m=top,
        bottom_m=bottom,
        bearing_rad=receivers.bearing_rad[chosen],
        azimuth_weight=azimuth_weight,
    )
