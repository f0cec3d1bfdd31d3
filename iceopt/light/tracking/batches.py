"""Photons in batches, whose scatter gives the statistical error of each number."""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from iceopt.errors import DomainError
from iceopt.ice.layers import Ice
from iceopt.light.model import SPEED_OF_LIGHT_M_PER_NS, Emission
from iceopt.light.tracking.tables import Directions, PhaseFunction, directions, henyey_greenstein
from iceopt.light.tracking.walk import Medium, Source

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Fluence:
    """Fluence per emitted photon (1/m2), integrated over time bins, and its standard errors."""

    bin_edges_ns: Floats
    h0: Floats
    """Shape (receiver, bin): length of photon path per volume."""
    h1: Floats
    """Shape (receiver, bin): the same weighted by the direction cosine along depth (+1: down)."""
    h0_error: Floats
    h1_error: Floats
    charge: Floats
    """Shape (receiver,): h0 summed over the bins."""
    moment: Floats
    """Shape (receiver,): h1 summed over the bins."""
    charge_error: Floats
    moment_error: Floats
    photons: int
    """Photons tracked for each emitter."""
    collisions: int
    seconds: float


@dataclass(frozen=True)
class Task:
    """What an estimator tracks, as the kernels read it."""

    depths_m: Floats
    """Shape (emitter,)."""
    layers: Ints
    """Shape (emitter,): the layer that each emitter lies in."""
    edges_ns: Floats
    """Shape (bin + 1,)."""
    path_edges_m: Floats
    """Shape (bin + 1,): the same as lengths of path."""
    shine: Directions
    phase: PhaseFunction
    medium: Medium

    def source(self, emitter: int, azimuth_rad: Floats) -> Source:
        """Give one emitter, with the quantiles of its azimuth."""
        return Source(self.depths_m[emitter], int(self.layers[emitter]), self.shine.cosine_down, azimuth_rad)


@dataclass(frozen=True)
class Shot:
    """One emitter as it is to be tracked."""

    receivers: Ints
    """Indices of its receivers."""
    per_photon: Floats
    """Shape (receiver,): what turns the score of one photon into fluence (1/m2)."""
    known: Floats
    """Shape (receiver, bin, 2): fluence and its moment that need no photons, for they are known exactly."""
    track: Callable[[int, int, int, Floats, Ints], None]
    """Tracks photons first .. first + number of every batch of a size, and adds to sums and collisions."""


def track_in_batches(
    shots: list[Shot],
    edges_ns: Floats,
    receivers: int,
    photons: int,
    batches: int,
    chunk: int,
    progress: Callable[[float], None] | None,
) -> Fluence:
    """Track all shots, and make means and standard errors of the batches.

    Parameters
    ----------
    edges_ns : ndarray, shape (bin + 1,)
    receivers : int
        Of all shots together.
    photons : int
        For each shot; rounded up to a multiple of `batches`.
    chunk : int
        Photons of a batch between two reports of progress.
    """
    batch_size = -(-photons // batches)
    mean = np.zeros((receivers, edges_ns.size - 1, 2))
    error = np.zeros_like(mean)
    total, total_error = np.zeros((receivers, 2)), np.zeros((receivers, 2))
    collisions, begun = 0, time.perf_counter()
    for e, shot in enumerate(shots):
        sums = np.zeros((batches, shot.receivers.size, edges_ns.size - 1, 2))
        count = np.zeros(batches, dtype=np.int64)
        for first in range(0, batch_size, chunk):
            number = min(chunk, batch_size - first)
            shot.track(first, number, batch_size, sums, count)
            if progress is not None:
                progress((e + (first + number) / batch_size) / len(shots))
        sums *= (shot.per_photon / batch_size)[:, None, None]
        sums += shot.known
        mean[shot.receivers], error[shot.receivers] = _mean_and_error(sums)
        total[shot.receivers], total_error[shot.receivers] = _mean_and_error(sums.sum(axis=2))
        collisions += int(count.sum())
    return Fluence(
        bin_edges_ns=edges_ns,
        h0=mean[..., 0],
        h1=mean[..., 1],
        h0_error=error[..., 0],
        h1_error=error[..., 1],
        charge=total[:, 0],
        moment=total[:, 1],
        charge_error=total_error[:, 0],
        moment_error=total_error[:, 1],
        photons=batch_size * batches,
        collisions=collisions,
        seconds=time.perf_counter() - begun,
    )


def _mean_and_error(batches: Floats) -> tuple[Floats, Floats]:
    """Mean over the first axis and the standard error of this mean."""
    return batches.mean(axis=0), batches.std(axis=0, ddof=1) / np.sqrt(batches.shape[0])


def medium_of(ice: Ice, phase: PhaseFunction) -> Medium:
    """The ice as the kernels read it; the first and the last layer extend without end."""
    edges = np.array(ice.edges_m)
    edges[0], edges[-1] = -np.inf, np.inf
    return Medium(
        edges_m=edges,
        free_path_m=ice.scattering_length_m * (1 - phase.anisotropy),
        absorption_per_m=1 / ice.absorption_length_m,
        phase=phase.cosine,
    )


def task_of(
    ice: Ice,
    emitter_depth_m: ArrayLike,
    emitter_of_receiver: Ints,
    bin_edges_ns: ArrayLike,
    group_index: float,
    emission: Emission | Directions,
    phase: PhaseFunction | float,
    photons: int,
    batches: int,
    seed: int,
) -> Task:
    """Check the arguments of an estimator and make them ready.

    Raises
    ------
    DomainError
        For arguments that cannot be tracked.
    """
    depths = np.atleast_1d(np.asarray(emitter_depth_m, dtype=float))
    edges = np.asarray(bin_edges_ns, dtype=float)
    _refuse_bad(depths, emitter_of_receiver, edges, group_index, photons, batches, seed)
    scattering = phase if isinstance(phase, PhaseFunction) else henyey_greenstein(phase)
    return Task(
        depths_m=depths,
        layers=np.asarray(ice.layer_at(depths), dtype=np.int64),
        edges_ns=edges,
        path_edges_m=edges * (SPEED_OF_LIGHT_M_PER_NS / group_index),
        shine=emission if isinstance(emission, Directions) else directions(emission),
        phase=scattering,
        medium=medium_of(ice, scattering),
    )


def _refuse_bad(
    depths_m: Floats,
    emitter_of_receiver: Ints,
    edges_ns: Floats,
    group_index: float,
    photons: int,
    batches: int,
    seed: int,
) -> None:
    """Raise DomainError for arguments that cannot be tracked."""
    if not np.isfinite(depths_m).all():
        raise DomainError("the depths of emitters must be finite")
    if emitter_of_receiver.min() < 0 or emitter_of_receiver.max() >= depths_m.size:
        raise DomainError(
            f"receivers name emitters 0 to {emitter_of_receiver.max()}; there are {depths_m.size}"
        )
    if edges_ns.ndim != 1 or edges_ns.size < 2:
        raise DomainError("bin_edges_ns must be two or more finite, increasing times")
    if not (np.isfinite(edges_ns).all() and (np.diff(edges_ns) > 0).all()):
        raise DomainError("bin_edges_ns must be two or more finite, increasing times")
    if edges_ns[-1] <= 0:
        raise DomainError(f"the last bin ends at {edges_ns[-1]:g} ns; no light comes before 0 ns")
    if not group_index >= 1:
        raise DomainError(f"the group index is {group_index}; expected 1 or more")
    if photons < 1:
        raise DomainError(f"the number of photons is {photons}; expected 1 or more")
    if batches < 2:
        raise DomainError(
            f"the number of batches is {batches}; expected 2 or more, for the statistical errors"
        )
    if not 0 <= seed < 2**63:
        raise DomainError(f"the seed is {seed}; expected a whole number from 0 to 2**63 - 1")
