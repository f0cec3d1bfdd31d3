"""Fluence at points by next-event estimation: any emitter, no ring, no symmetry used."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from iceopt.errors import DomainError
from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.tracking.batches import Floats, Fluence, Ints, Shot, task_of, track_in_batches
from iceopt.light.tracking.next_event import Depths, Targets, optical_depths, straight, track_to_points
from iceopt.light.tracking.receivers import CellMap, Receivers, cell_map
from iceopt.light.tracking.tables import Directions, PhaseFunction
from iceopt.light.tracking.walk import Medium, Source

_CHUNK = 5_000
_REACH = 5.0
"""Distance, in the longest free path at receivers, within which every collision counts."""
_BALL_SHARE = 0.1
"""Largest radius of a point's ball, as a part of its distance from the emitter."""


@dataclass(frozen=True)
class Points:
    """Receivers of one or many emitters, one entry each; all arrays of shape (receiver,)."""

    emitter: Ints
    """Index of the emitter whose light it sees."""
    distance_m: Floats
    """Horizontal distance."""
    depth_m: Floats
    bearing_deg: Floats
    """From the direction in which the emission points."""
    largest_ball_m: float = 2.0
    """Radius of the ball around a point in which collisions count as if they were anywhere in it, which
    bounds the variance; nearer than ten radii to the emitter, a tenth of the distance."""

    def __post_init__(self) -> None:
        shapes = {a.shape for a in (self.emitter, self.distance_m, self.depth_m, self.bearing_deg)}
        if len(shapes) != 1 or self.emitter.ndim != 1 or not self.emitter.size:
            raise DomainError(f"points need arrays of one length, one entry or more; found shapes {shapes}")
        if not all(np.isfinite(a).all() for a in (self.distance_m, self.depth_m, self.bearing_deg)):
            raise DomainError("the distances, depths and bearings of points must be finite")
        if (self.distance_m < 0).any():
            raise DomainError(
                f"a point's horizontal distance is {self.distance_m.min():g} m; expected 0 or more"
            )
        if not self.largest_ball_m > 0:
            raise DomainError(f"the largest ball of points is {self.largest_ball_m:g} m; expected above 0 m")


def fluence_at_points(
    ice: Ice,
    emitter_depth_m: ArrayLike,
    points: Points,
    bin_edges_ns: ArrayLike,
    *,
    group_index: float,
    emission: Emission | Directions,
    phase: PhaseFunction | float = 0.9,
    photons: int,
    seed: int,
    batches: int = 32,
    progress: Callable[[float], None] | None = None,
) -> Fluence:
    """Track photons from each emitter and estimate the fluence at its points.

    Next-event estimator (Kalos, Nucl. Sci. Eng. 16, 111 (1963), from memory): a collision at a distance r
    counts weight x p(cos) exp(-scattering depth - absorption depth) / r^2, with p the phase function and the
    depths along the straight line through the layers. Its variance would be infinite; so a collision within
    `ball_radius_m` counts by the mean over all places in the ball, as if the light were alike in it. Light
    that comes straight from the emitter is added in closed form and has no error. Horizontal distances and
    bearings are all that is used: nothing here needs an axis of symmetry.

    Parameters are those of `iceopt.light.tracking.fluence.fluence`, with points for receivers.

    Raises
    ------
    DomainError
        If an argument is not as described, or a point is within its ball's radius of the emitter.
    """
    task = task_of(
        ice,
        emitter_depth_m,
        points.emitter,
        bin_edges_ns,
        group_index,
        emission,
        phase,
        photons,
        batches,
        seed,
    )
    span = np.hypot(points.distance_m, points.depth_m - task.depths_m[points.emitter])
    if not (span > 0).all():
        raise DomainError("a point lies at its emitter, where the fluence is infinite; move it away")
    ball = np.minimum(points.largest_ball_m, _BALL_SHARE * span)
    below = optical_depths(task.medium)

    def shot(e: int) -> Shot:
        chosen = np.flatnonzero(points.emitter == e)
        source = task.source(e, task.shine.azimuth_rad)
        targets, rings = _targets(ice, task.medium, below, points, chosen, ball, task.phase)
        known = _unscattered(task.shine, source, below, targets, task.path_edges_m)

        def shoot(first: int, number: int, batch_size: int, sums: Floats, collisions: Ints) -> None:
            track_to_points(
                first,
                number,
                batch_size,
                seed,
                e,
                source,
                task.medium,
                below,
                targets,
                rings,
                task.path_edges_m,
                sums,
                collisions,
            )

        return Shot(chosen, np.ones(chosen.size), known, shoot)

    return track_in_batches(
        [shot(e) for e in np.unique(points.emitter)],
        task.edges_ns,
        points.emitter.size,
        photons,
        batches,
        _CHUNK,
        progress,
    )


def _targets(
    ice: Ice,
    medium: Medium,
    below: Depths,
    points: Points,
    chosen: Ints,
    ball_m: Floats,
    phase: PhaseFunction,
) -> tuple[Targets, CellMap]:
    """The chosen points as the kernel reads them, and a map of rings as wide and high as their reach."""
    z, bearing = points.depth_m[chosen], np.deg2rad(points.bearing_deg[chosen])
    layer = ice.layer_at(z)
    reach = max(_REACH * medium.free_path_m[layer].max(), 2 * ball_m[chosen].max())
    everywhere = np.full(z.size, np.nan)
    around = Receivers(
        np.zeros(z.size, dtype=np.int64), points.distance_m[chosen], z, everywhere, reach, reach
    )
    with np.errstate(divide="ignore"):  # an interval without width is never drawn, and never found
        density = 1 / (2 * np.pi * np.diff(phase.cosine) * (phase.cosine.size - 1))
    targets = Targets(
        x_m=points.distance_m[chosen] * np.cos(bearing),
        y_m=points.distance_m[chosen] * np.sin(bearing),
        z_m=z,
        scatter_depth=below.scatter_at_zero[layer] + z * below.scatter_per_m[layer],
        absorb_depth=below.absorb_at_zero[layer] + z * below.absorb_per_m[layer],
        reach2_m2=reach**2,
        ball_m=ball_m[chosen],
        phase_density=density,
    )
    everywhere = np.full(z.size, np.nan)
    around = Receivers(np.zeros_like(chosen), points.distance_m[chosen], z, everywhere, reach, reach)
    return targets, cell_map(around, 0, np.ones(1))[1]


def _unscattered(
    shine: Directions, source: Source, below: Depths, targets: Targets, path_edges_m: Floats
) -> Floats:
    """Fluence and moment [receiver, bin, 2] of light straight from the emitter: exact."""
    rise = targets.z_m - source.depth_m
    across = np.hypot(targets.x_m, targets.y_m)
    length = np.hypot(across, rise)
    azimuth = np.arctan2(targets.y_m, targets.x_m)
    per_sr = shine.per_solid_angle(rise / length, azimuth)
    known = np.zeros((length.size, path_edges_m.size - 1, 2))
    time_bin = np.searchsorted(path_edges_m, length, side="right") - 1
    for j in range(length.size):
        if 0 <= time_bin[j] < known.shape[1]:
            scatter, absorb = straight(
                length[j],
                source.depth_m,
                source.layer,
                below,
                targets.z_m[j],
                targets.scatter_depth[j],
                targets.absorb_depth[j],
            )
            known[j, time_bin[j], 0] = per_sr[j] * np.exp(-scatter - absorb) / length[j] ** 2
            known[j, time_bin[j], 1] = known[j, time_bin[j], 0] * rise[j] / length[j]
    return known
