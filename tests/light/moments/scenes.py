"""Scenes for the layered model, and the slow routes' frozen answers in the same shape."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission, Scene
from iceopt.light.moments import sweep
from iceopt.light.moments.column import column
from iceopt.light.moments.equations import coupling_arrays, pattern_moments
from iceopt.light.moments.harmonics import couplings
from iceopt.light.moments.lanes import LANES
from iceopt.light.moments.model import LayeredMoments

DATA = Path(__file__).parents[2] / "data/light"
BINS_NS = np.arange(0.0, 3001.0, 25.0)


def make_scene(
    emitter_m: ArrayLike,
    receiver_m: ArrayLike,
    distance_m: ArrayLike,
    *,
    edges_ns: ArrayLike = BINS_NS,
    emission: Emission | None = None,
    slope: float = 0.0,
    anisotropy: float = 0.9,
    group_index: float = 1.337,
) -> Scene:
    """One photon a pair and 1 m2: counts are H0 - slope x H1 in 1/m2."""
    emitter, receiver, distance = (
        a.astype(float).ravel()
        for a in np.broadcast_arrays(*map(np.atleast_1d, (emitter_m, receiver_m, distance_m)))
    )
    return Scene(
        emitter_depth_m=emitter,
        receiver_depth_m=receiver,
        distance_m=distance,
        bearing_deg=np.zeros(distance.size),
        azimuth_deg=np.full(distance.size, np.nan),
        photons=np.ones(distance.size),
        bin_edges_ns=np.asarray(edges_ns, dtype=float),
        emission=emission or Emission(),
        group_index=group_index,
        scattering_anisotropy=anisotropy,
        effective_area_m2=1.0,
        acceptance_slope=slope,
    )


def h0_h1(model_of, scene: Scene, ice: Ice) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """H0 and H1 (1/m2) per bin of a model, each of shape (pair, bin)."""
    h0 = model_of(replace(scene, acceptance_slope=0.0)).expected(ice)
    return h0, h0 - model_of(replace(scene, acceptance_slope=1.0)).expected(ice)


def frozen(name: str, emission: Emission | None = None) -> tuple[dict, Scene, Ice]:
    """A file of tests/data/light, and its pairs and ice."""
    f = dict(np.load(DATA / f"{name}.npz"))
    scene = make_scene(
        f["emitter_depth_m"],
        f["receiver_depth_m"],
        f["distance_m"],
        edges_ns=f["bin_edges_ns"],
        emission=emission,
        group_index=float(f["group_index"]),
        anisotropy=float(f.get("g", 0.9)),
    )
    return f, scene, Ice(f["edges_m"], f["scattering_length_m"], f["absorption_length_m"])


RING = Emission("ring", 0.0, 12.0)
PAIRS_M = (
    [1712.0, 1712.0, 1712.0, 1730.0, 1730.0, 1690.0, 1725.0],
    [1712.0, 1733.0, 1760.0, 1700.0, 1680.0, 1745.0, 1785.0],
    [120.0, 120.0, 208.0, 120.0, 0.0, 60.0, 5.0],
)
"""Depths of emitters and receivers and their distances: side by side, across layers, above one another."""


@st.composite
def ices(draw):
    layers = draw(st.integers(1, 6))
    thickness = draw(st.lists(st.floats(0.5, 25), min_size=layers, max_size=layers))
    ln = st.floats(-1, 1)
    logs = np.array(draw(st.lists(st.tuples(ln, ln), min_size=layers, max_size=layers)))
    return Ice(1705.0 + np.cumsum([0.0, *thickness]), 20 * np.exp(logs[:, 0]), 80 * np.exp(logs[:, 1]))


def strong(h: NDArray[np.float64], part: float = 1e-3) -> NDArray[np.bool_]:
    """Bins above a part of their pair's peak."""
    return np.abs(h) > part * np.abs(h).max(axis=-1, keepdims=True)


def arrived(scene: Scene) -> NDArray[np.bool_]:
    """Bins that end after light has gone straight from emitter to receiver: the model is dark before."""
    path = np.hypot(scene.distance_m, scene.receiver_depth_m - scene.emitter_depth_m)
    return scene.bin_edges_ns[1:] > (path / scene.speed_m_per_ns)[:, None]


def modes(
    model: LayeredMoments,
    ice: Ice,
    laplace: complex,
    wavenumber: ArrayLike,
    receiver_m: ArrayLike,
) -> NDArray[np.complex128]:
    """Reading of single modes of horizontal wavenumber, shape (k, receiver), from the model's first emitter.

    The sweep itself, without any Hankel or Laplace rule.
    """
    k, receiver = np.atleast_1d(wavenumber).astype(float), np.atleast_1d(receiver_m).astype(float)
    depths, place = np.unique(receiver, return_inverse=True)
    cut = column(ice, model.scene.emitter_depth_m[:1], depths)
    order = np.argsort(place, kind="stable")
    out = np.empty((1, k.size * receiver.size, 2))
    padded = np.append(k, np.full(-k.size % LANES, k[-1]))
    sweep.transform(
        coupling_arrays(couplings(model.order)),
        model.equations.rates(ice, np.array([laplace], dtype=complex)),
        padded,
        np.eye(k.size, padded.size),
        np.array([0, padded.size]),
        (cut.between, cut.thickness_m),
        pattern_moments(model.scene, couplings(model.order)),
        (
            cut.source_node,
            np.zeros(1, dtype=np.int64),
            np.array([0, k.size * receiver.size]),
            place[order].repeat(k.size),
            np.tile(np.arange(k.size), receiver.size),
        ),
        (cut.reads.start, cut.reads.node, cut.reads.share),
        out,
    )
    result = np.empty((k.size, receiver.size), dtype=complex)
    result[:, order] = (out[0] @ [1, 1j]).reshape(receiver.size, k.size).T
    return result
