"""Fluence at given receivers by photon tracking, with the statistical error of each number."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from iceopt.errors import DomainError, IceoptError
from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.tracking.batches import Floats, Fluence, Ints, Shot, task_of, track_in_batches
from iceopt.light.tracking.receivers import Receivers, cell_map
from iceopt.light.tracking.tables import Directions, PhaseFunction

_CHUNK = {"cpu": 50_000, "gpu": 500_000}
"""Photons of a batch between two reports of progress."""


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
    """Track photons from each emitter and score their fluence in the rings of its receivers.

    Collision estimator: every collision in a cell counts weight x mean free path / volume, with the weight
    exp(-integral of path / absorption length). Its expectation is the fluence (Lux, Koblinger, Monte Carlo
    Particle Transport Methods (1991), from memory), averaged over the cell. Flat layers look the same from
    every azimuth, so a photon counts for a receiver wherever in the ring it collides: with the density of
    the emitter's azimuths, times 2 pi, at that azimuth which would have brought it there.

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
    task = task_of(
        ice,
        emitter_depth_m,
        receivers.emitter,
        bin_edges_ns,
        group_index,
        emission,
        phase,
        photons,
        batches,
        seed,
    )
    track = _tracker(device)
    if task.shine.every_azimuth != bool(np.isnan(receivers.bearing_rad).all()):
        raise DomainError("receivers have a bearing where, and only where, the emission has a direction")

    def shot(e: int) -> Shot:
        chosen, cells = cell_map(receivers, e, task.shine.azimuth_weight)
        # The cells weigh by the azimuth in which the photon left, so all leave in one.
        source, medium, edges = task.source(e, np.zeros(2)), task.medium, task.path_edges_m

        def shoot(first: int, number: int, batch_size: int, sums: Floats, collisions: Ints) -> None:
            track(first, number, batch_size, seed, e, source, medium, cells, edges, sums, collisions)

        known = np.zeros((chosen.size, task.edges_ns.size - 1, 2))
        return Shot(chosen, 1 / receivers.volume_m3[chosen], known, shoot)

    return track_in_batches(
        [shot(e) for e in np.unique(receivers.emitter)],
        task.edges_ns,
        receivers.emitter.size,
        photons,
        batches,
        _CHUNK[device],
        progress,
    )
