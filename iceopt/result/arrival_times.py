"""A dense table of arrival times of light, for a simulation to interpolate.

For every horizontal distance, emitter depth and receiver depth of a grid: the fluence of a photon emitted in
a random direction, and how it is spread over time after the straight flight. Times are counted from the
straight flight, so that fronts stay in place from node to node and interpolation does not smear them.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

from iceopt.errors import InputError
from iceopt.ice.layers import Ice
from iceopt.light.model import Emission, Scene
from iceopt.light.moments.lifted import best_moments

Array = NDArray[np.float64]

DELAY_NS = np.r_[np.arange(0.0, 100.0, 10.0), np.round(np.geomspace(100.0, 4000.0, 36))]
"""Edges of the bins in time after the straight flight."""
_FINE_NS = 5.0
_EMITTERS_AT_ONCE = 8
_NODES_AT_MOST = 2_000_000

HOW_TO = (
    "Linear interpolation in distance, emitter_depth and receiver_depth. Interpolate ln(fluence x path) with "
    "path = sqrt(distance^2 + (receiver_depth - emitter_depth)^2), then take exp and divide by path; "
    "interpolate arrival_density bin by bin. NaN, at nodes out of reach and in cells with such a node, "
    "means not computed, not dark. Expected photoelectrons in a bin: photons x effective area x efficiency "
    "x fluence x arrival_density x width of the bin. Within 40 m of the emitter the light model is wrong by "
    "10-35 %."
)


@dataclass(frozen=True)
class Medium:
    """What light needs to know of a medium besides its layers."""

    group_index: float
    scattering_anisotropy: float


@dataclass(frozen=True)
class Grid:
    """Nodes of a table."""

    distance_m: Array
    """Horizontal, above 0."""
    depth_m: Array
    """Of emitters and of receivers."""
    reach_m: float
    """Nodes farther apart than this are not computed."""


def arrival_times(
    ice: Ice, medium: Medium, grid: Grid, order: int, advance: Callable[[float], None]
) -> tuple[Array, Array]:
    """Compute the table.

    Parameters
    ----------
    ice : Ice
    medium : Medium
    grid : Grid
    order : int
        Of the layered light model.
    advance : callable
        Told the part done.

    Returns
    -------
    fluence : ndarray, shape (distance, emitter depth, receiver depth)
        Path length per volume of an emitted photon (1/m2) up to the last delay; NaN out of reach.
    density : ndarray, shape (distance, emitter depth, receiver depth, delay)
        Mean over each bin of `DELAY_NS` of the density of arrival (1/ns); integrates to 1.
    """
    distances, depths = grid.distance_m.size, grid.depth_m.size
    fluence = np.full((distances, depths, depths), np.nan)
    density = np.full((*fluence.shape, DELAY_NS.size - 1), np.nan)
    for start in range(0, depths, _EMITTERS_AT_ONCE):
        emitters = np.arange(start, min(start + _EMITTERS_AT_ONCE, depths))
        d, e, r = (a.ravel() for a in np.meshgrid(np.arange(distances), emitters, np.arange(depths)))
        path = np.hypot(grid.distance_m[d], grid.depth_m[e] - grid.depth_m[r])
        near = path <= grid.reach_m
        at = d[near], e[near], r[near]
        scene = _scene(medium, grid, at, path[near].max())
        counts = np.maximum(best_moments(scene, order).expected(ice), 0.0)
        delayed = _after_flight(counts, scene.bin_edges_ns, path[near] / scene.speed_m_per_ns)
        fluence[at] = delayed.sum(axis=1)
        with np.errstate(invalid="ignore"):
            density[at] = delayed / (fluence[at][:, None] * np.diff(DELAY_NS))
        advance((emitters[-1] + 1) / depths)
    return fluence, density


def _scene(medium: Medium, grid: Grid, at: tuple[NDArray[np.intp], ...], farthest_m: float) -> Scene:
    """One isotropic photon a pair, a receiver of 1 m2 that sees all directions alike."""
    d, e, r = at
    last_ns = DELAY_NS[-1] + farthest_m * medium.group_index / 0.299
    return Scene(
        emitter_depth_m=grid.depth_m[e],
        receiver_depth_m=grid.depth_m[r],
        distance_m=grid.distance_m[d],
        bearing_deg=np.zeros(d.size),
        azimuth_deg=np.full(d.size, np.nan),
        photons=np.ones(d.size),
        bin_edges_ns=np.arange(0.0, last_ns + _FINE_NS, _FINE_NS),
        emission=Emission(),
        group_index=medium.group_index,
        scattering_anisotropy=medium.scattering_anisotropy,
        effective_area_m2=1.0,
        acceptance_slope=0.0,
    )


def _after_flight(counts: Array, edges_ns: Array, flight_ns: Array) -> Array:
    """Sort fine bins of time since emission into bins of time since the straight flight, shape (pair, delay).

    What the light model's finite bandwidth puts before the straight flight belongs to the first bin.
    """
    total = np.concatenate([np.zeros((len(counts), 1)), np.cumsum(counts, axis=1)], axis=1)
    wanted = flight_ns[:, None] + DELAY_NS
    wanted[:, 0] = 0.0
    read = [np.interp(w, edges_ns, t) for w, t in zip(wanted, total, strict=True)]
    return np.diff(np.array(read), axis=1)


def regular_grid(top_m: float, bottom_m: float, step_m: float, reach_m: float) -> Grid:
    """Nodes every step from top to bottom, and across from one step to the reach.

    Raises
    ------
    InputError
        If that is too many nodes, or the reach is shorter than two steps.
    """
    depth = np.linspace(top_m, bottom_m, max(2, round((bottom_m - top_m) / step_m) + 1))
    distance = np.arange(step_m, reach_m + 1e-6, step_m)
    if distance.size < 2:
        raise InputError(
            f"a reach of {reach_m:g} m is less than two steps of {step_m:g} m; take smaller steps"
        )
    nodes = distance.size * depth.size**2
    if nodes > _NODES_AT_MOST:
        raise InputError(
            f"steps of {step_m:g} m make {nodes:,} nodes; at most {_NODES_AT_MOST:,} are computed: "
            "take larger steps"
        )
    return Grid(distance, depth, reach_m)


def write_arrival_times(
    path: str | Path, grid: Grid, fluence: Array, density: Array, attributes: dict[str, str | float]
) -> None:
    """Write a table as HDF5 with units and how to interpolate, to a temporary name first."""
    path = Path(path)
    temporary = path.with_name(path.name + ".part")
    axes = (
        ("distance", grid.distance_m, "m", "horizontal distance from emitter to receiver"),
        ("emitter_depth", grid.depth_m, "m", "depth below the surface, positive down"),
        ("receiver_depth", grid.depth_m, "m", "depth below the surface, positive down"),
        ("delay", 0.5 * (DELAY_NS[1:] + DELAY_NS[:-1]), "ns", "time since the straight flight, bin centre"),
    )
    try:
        with h5py.File(temporary, "w") as file:
            file.attrs.update({"schema": "iceopt arrival times", "schema_version": 1, **attributes})
            file.attrs["interpolation"] = HOW_TO
            edges = ("delay_edges", DELAY_NS, "ns", "bin edges of the delay; the last one ends the table")
            for name, values, units, words in (*axes, edges):
                _labelled(file, name, values, units, words).make_scale(name)
            words = "path length per volume of one photon emitted in a random direction, up to the last delay"
            charges = _labelled(file, "fluence", fluence, "1/m2", words)
            words = (
                "density of arrival, mean over a bin of delay; sums to 1 when multiplied by the bins' widths"
            )
            times = _labelled(file, "arrival_density", density.astype(np.float32), "1/ns", words)
            for dataset in (charges, times):
                for i, dim in enumerate(dataset.dims):
                    dim.attach_scale(file[axes[i][0]])
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _labelled(file: h5py.File, name: str, values: Array, units: str, words: str) -> h5py.Dataset:
    packed = {"compression": "gzip", "shuffle": True} if values.ndim > 1 else {}
    dataset = file.create_dataset(name, data=values, **packed)
    dataset.attrs.update({"units": units, "long_name": words})
    return dataset
