"""Fluence at given receivers by photon tracking, with the statistical error of each number."""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from iceopt.errors import DomainError, IceoptError
from iceopt.ice.layers import Ice
from iceopt.light.model import SPEED_OF_LIGHT_M_PER_NS, Emission
from iceopt.light.tracking.receivers import Receivers, cell_map
from iceopt.light.tracking.tables import Directions, PhaseFunction, directions, henyey_greenstein
from iceopt.light.tracking.walk import Medium, Source

Floats = NDArray[np.float64]
_CHUNK = {"cpu": 50_000, "gpu": 500_000}
"""Photons of a batch between two reports of progress."""


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


def gpu_available() -> bool:
    """Whether a CUDA device and the optional extra `gpu` are there."""
    try:
        from numba import cuda

        return bool(cuda.is_available())
    except Exception:  # a broken driver installation raises many kinds
        return False


def _tracker(device: str) -> Callable[..., None]:
    """The `track` of a device."""
    if device == "cpu":
        from iceopt.light.tracking.cpu import track as cpu_track

        return cpu_track
    if device == "gpu":
        if not gpu_available():
            raise IceoptError(
                "no CUDA device was found; install iceopt[gpu] on a machine with one, or use the CPU"
            )
        from iceopt.light.tracking.gpu import track as gpu_track

        return gpu_track
    raise DomainError(f"the device is {device!r}; expected 'cpu' or 'gpu'")


def medium(ice: Ice, phase: PhaseFunction) -> Medium:
    """The ice as the kernel reads it; the first and the last layer extend without end."""
    edges = np.array(ice.edges_m)
    edges[0], edges[-1] = -np.inf, np.inf
    return Medium(
        edges_m=edges,
        free_path_m=ice.scattering_length_m * (1 - phase.anisotropy),
        absorption_per_m=1 / ice.absorption_length_m,
        phase=phase.cosine,
    )


def fluence(
    ice: Ice,
    emitter_depth_m: ArrayLike,
    receivers: Receivers,
    bin_edges_ns: ArrayLike,
    *,
    group_index: float,
    emission: Emission | Directions,
    phase: PhaseFunction | float = 0.9,
    photons: int,
    seed: int,
    batches: int = 32,
    device: str = "cpu",
    progress: Callable[[float], None] | None = None,
) -> Fluence:
    """Track photons from each emitter and score their fluence in the cells of its receivers.

    Collision estimator: every collision in a cell counts weight x mean free path / volume, with the weight
    exp(-integral of path / absorption length). Its expectation is the fluence (Lux, Koblinger, Monte Carlo
    Particle Transport Methods (1991), from memory), averaged over the cell.

    Parameters
    ----------
    ice : Ice
    emitter_depth_m : array_like, shape (emitter,)
    receivers : Receivers
    bin_edges_ns : array_like, shape (bin + 1,)
        Increasing times after the flash; photons are tracked to the last one.
    group_index : float
    emission : Emission or Directions
    phase : PhaseFunction or float
        A number is the g of Henyey and Greenstein.
    photons : int
        For each emitter; rounded up to a multiple of `batches`.
    seed : int
        The same seed gives the same numbers on any number of threads.
    batches : int
        Groups of photons whose scatter gives the statistical errors.
    device : 'cpu' or 'gpu'
    progress : callable, optional
        Called with the fraction done.

    Raises
    ------
    DomainError
        If an argument is not as described.
    """
    depths = np.atleast_1d(np.asarray(emitter_depth_m, dtype=float))
    edges = np.asarray(bin_edges_ns, dtype=float)
    _check(depths, receivers, edges, group_index, photons, batches, seed)
    track = _tracker(device)
    phase = phase if isinstance(phase, PhaseFunction) else henyey_greenstein(phase)
    shine = emission if isinstance(emission, Directions) else directions(emission)
    if shine.every_azimuth != bool(np.isnan(receivers.bearing_deg).all()):
        raise DomainError("receivers have a bearing where, and only where, the emission has a direction")
    ice_medium = medium(ice, phase)
    path_edges = edges * (SPEED_OF_LIGHT_M_PER_NS / group_index)
    batch_size = -(-photons // batches)
    mean = np.zeros((receivers.depth_m.size, edges.size - 1, 2))
    error = np.zeros_like(mean)
    total, total_error = np.zeros((len(mean), 2)), np.zeros((len(mean), 2))
    collisions, begun = 0, time.perf_counter()
    for e, depth in enumerate(depths):
        if not (receivers.emitter == e).any():
            continue
        chosen, cells = cell_map(receivers, e)
        source = Source(float(depth), int(ice.layer_at(depth)), shine.cosine_down, shine.azimuth_rad)
        sums = np.zeros((batches, chosen.size, edges.size - 1, 2))
        count = np.zeros(batches, dtype=np.int64)
        for first in range(0, batch_size, _CHUNK[device]):
            n = min(_CHUNK[device], batch_size - first)
            track(first, n, batch_size, seed, e, source, ice_medium, cells, path_edges, sums, count)
            if progress is not None:
                progress((e + (first + n) / batch_size) / depths.size)
        sums /= (batch_size * receivers.volume_m3[chosen])[:, None, None]
        mean[chosen], error[chosen] = _mean_and_error(sums)
        total[chosen], total_error[chosen] = _mean_and_error(sums.sum(axis=2))
        collisions += int(count.sum())
    return Fluence(
        bin_edges_ns=edges,
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


def _check(
    depths: Floats,
    receivers: Receivers,
    edges: Floats,
    group_index: float,
    photons: int,
    batches: int,
    seed: int,
) -> None:
    if not np.isfinite(depths).all():
        raise DomainError("the depths of emitters must be finite")
    if receivers.emitter.min() < 0 or receivers.emitter.max() >= depths.size:
        raise DomainError(f"receivers name emitters 0 to {receivers.emitter.max()}; there are {depths.size}")
    if edges.ndim != 1 or edges.size < 2 or not (np.isfinite(edges).all() and (np.diff(edges) > 0).all()):
        raise DomainError("bin_edges_ns must be two or more finite, increasing times")
    if edges[-1] <= 0:
        raise DomainError(f"the last bin ends at {edges[-1]:g} ns; no light comes before 0 ns")
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
