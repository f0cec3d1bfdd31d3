"""Which pairs share work: equal pairs are one entry, entries of like distance one class.

A class has its own nodes in Laplace variable and wavenumber. Everything here depends on the geometry
alone and is done once a campaign.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.light.model import Scene
from iceopt.light.moments.hankel import axis_rule, ring_rule
from iceopt.light.moments.inversion import LaplaceNodes
from iceopt.light.moments.lanes import LANES

MERGE_M = 0.005
"""Depths and distances closer than this are taken as equal: less than any survey resolves."""
RING_RATIO = 2.3
AXIS_RATIO = 4.0
DELAY_STEP_NS = 50.0


@dataclass(frozen=True)
class PairClass:
    """Entries that share Laplace variables and wavenumbers, sorted by source and receiver depth."""

    laplace: LaplaceNodes
    frequency: NDArray[np.float64]
    wavenumbers: NDArray[np.float64]
    start: NDArray[np.int64]
    weights: NDArray[np.float64]
    source_depth: NDArray[np.int64]
    """Per source: index of its depth."""
    source_start: NDArray[np.int64]
    receiver_depth: NDArray[np.int64]
    """Per entry: index of the receiver's depth."""
    distance_row: NDArray[np.int64]
    binnings: list[tuple[NDArray[np.int64], NDArray[np.float64]]]
    """Per group of equal delay: its entries, and the matrix from (node, part) to bins."""
    entry: NDArray[np.int64]
    """Per entry: its place among all entries of the plan."""


@dataclass(frozen=True)
class Plan:
    """All entries of a scene and the classes that they fall into."""

    depths_m: NDArray[np.float64]
    """Distinct depths of emitters and receivers, increasing."""
    classes: list[PairClass]
    pair_entry: NDArray[np.int64]
    """Shape (pair,): the entry that serves a pair."""
    entries: int


def merge(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Give distinct values, increasing, and for each value the index of its like."""
    order = np.argsort(values, kind="stable")
    rank = np.empty(values.size, dtype=np.int64)
    steps = np.diff(values[order], prepend=values[order[:1]]) > MERGE_M
    rank[order] = np.cumsum(steps)
    first = np.flatnonzero(np.concatenate([[True], steps[1:]]))
    return values[order][first], rank


def cluster(values: NDArray[np.float64], ratio: float) -> NDArray[np.int64]:
    """Give each value a class, so that within a class largest <= ratio x smallest."""
    label = np.empty(values.size, dtype=np.int64)
    current, floor = -1, -np.inf
    for i in np.argsort(values, kind="stable"):
        if current < 0 or values[i] > ratio * floor:
            current, floor = current + 1, values[i]
        label[i] = current
    return label


def laplace_nodes(nearest_m: float) -> LaplaceNodes:
    """Choose the Laguerre scale and the bandwidth for light that has gone at least this far."""
    return LaplaceNodes(
        scale=float(np.clip(1.7 / nearest_m, 0.01, 0.03)),
        terms=64,
        bandwidth=float(np.clip(8.0 / nearest_m, 0.05, 0.12)),
    )


def make_plan(scene: Scene) -> Plan:
    """Sort the pairs of a scene into entries and classes."""
    pairs = scene.distance_m.size
    depths, index = merge(np.concatenate([scene.emitter_depth_m, scene.receiver_depth_m]))
    distances, distance_index = merge(scene.distance_m)
    keys = np.stack([index[:pairs], index[pairs:], distance_index], axis=1)
    entries, pair_entry = np.unique(keys, axis=0, return_inverse=True)
    offset = np.abs(depths[entries[:, 0]] - depths[entries[:, 1]])
    distance = distances[entries[:, 2]]
    above = offset > 2.0 * distance
    classes = []
    for along_axis, size, ratio in ((False, distance, RING_RATIO), (True, offset, AXIS_RATIO)):
        chosen = np.flatnonzero(above == along_axis)
        label = cluster(size[chosen], ratio)
        for c in range(label.max(initial=-1) + 1):
            member = chosen[label == c]
            classes.append(_make_class(scene, entries[member], member, depths, distances, along_axis))
    return Plan(depths, classes, pair_entry.ravel(), len(entries))


def _make_class(
    scene: Scene,
    keys: NDArray[np.int64],
    member: NDArray[np.int64],
    depths: NDArray[np.float64],
    distances: NDArray[np.float64],
    along_axis: bool,
) -> PairClass:
    used, row = np.unique(keys[:, 2], return_inverse=True)
    distance = distances[used]
    offset = np.abs(depths[keys[:, 0]] - depths[keys[:, 1]])
    path = np.hypot(offset, distances[keys[:, 2]])
    laplace = laplace_nodes(float(path.min()))
    frequency = laplace.frequency
    rules = [
        axis_rule(distance, (offset.min(), offset.max()), w, scene.speed_m_per_ns)
        if along_axis
        else ring_rule(distance, w, scene.speed_m_per_ns)
        for w in frequency
    ]
    wavenumbers, weights, start = _pad(rules)
    delay = np.floor(path / scene.speed_m_per_ns / DELAY_STEP_NS) * DELAY_STEP_NS
    binnings = [
        (np.flatnonzero(delay == t), laplace.binning(scene.bin_edges_ns, t).reshape(2 * frequency.size, -1))
        for t in np.unique(delay)
    ]
    # np.unique sorted the keys by source, receiver, distance, which is the order that the sweep wants.
    sources, source_start = np.unique(keys[:, 0], return_index=True)
    return PairClass(
        laplace=laplace,
        frequency=frequency,
        wavenumbers=wavenumbers,
        start=start,
        weights=weights,
        source_depth=sources,
        source_start=np.append(source_start, len(keys)),
        receiver_depth=keys[:, 1].copy(),
        distance_row=row.ravel().astype(np.int64),
        binnings=binnings,
        entry=member,
    )


def _pad(
    rules: list[tuple[NDArray[np.float64], NDArray[np.float64]]],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Join the wavenumbers of all Laplace variables, each filled up to whole lanes with weight 0."""
    wavenumbers, weights = [], []
    for k, w in rules:
        fill = -k.size % LANES
        wavenumbers.append(np.append(k, np.full(fill, k[-1])))
        weights.append(np.pad(w, ((0, 0), (0, fill))))
    start = np.concatenate([[0], np.cumsum([k.size for k in wavenumbers])])
    return np.concatenate(wavenumbers), np.concatenate(weights, axis=1), start
