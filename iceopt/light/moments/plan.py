"""Which pairs share work: equal pairs are one entry, entries of like distance one class.

An emitter that does not shine alike in all azimuths is several sources at one depth, the parts of its light
that go as cos(m azimuth), m = 0, 1, ...; a pair is the sum of their entries, each times cos(m bearing).

A class has its own nodes in Laplace variable and wavenumber. Everything here depends on the geometry
alone and is done once a campaign.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from iceopt.light.model import Scene
from iceopt.light.moments.column import POINTS
from iceopt.light.moments.hankel import axis_rule, moment_axis_rule, moment_ring_rule, ring_rule
from iceopt.light.moments.inversion import LaplaceNodes
from iceopt.light.moments.lanes import LANES

MERGE_M = 0.005
"""Depths and distances closer than this are taken as equal: less than any survey resolves."""
RING_RATIO = 2.3
AXIS_RATIO = 4.0
MOMENT_AXIS_RATIO = 40.0
"""At real rates there is no wave to resolve, and panels that grow serve all offsets."""
DELAY_STEP_NS = 50.0
_LONGEST_STRETCH_M = 10.0
_STRETCH_BY_NEAREST = 1.0 / 3.0
_STRETCH_BY_WAVE = 4.0
"""Radians of the fastest wave in time over a stretch: what is left of it by interpolation is 3e-4."""
_LEAST_GAIN = 1.5
"""Receivers for a point of the polynomials, for these to be worth it."""

Rule = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Wavenumbers, shape (k,), and weights, shape (distance, k)."""


@dataclass(frozen=True)
class PairClass:
    """Entries that share Laplace variables and wavenumbers, sorted by source and receiver depth."""

    laplace: NDArray[Any]
    """Laplace variables (1/ns), real ones for moments."""
    wavenumbers: NDArray[np.float64]
    start: NDArray[np.int64]
    weights: NDArray[np.float64]
    source_depth_m: NDArray[np.float64]
    """Per source, increasing; sources at one depth are parts of an emission."""
    source_part: NDArray[np.int64]
    """Per source: m of its part."""
    source_start: NDArray[np.int64]
    receiver_depth_m: NDArray[np.float64]
    """Per receiver, increasing."""
    receiver: NDArray[np.int64]
    """Per entry."""
    distance_row: NDArray[np.int64]
    entry: NDArray[np.int64]
    """Per entry: its place among all entries of the plan."""
    stretch_m: float
    """Length over which light may be interpolated in depth; 0: nowhere."""
    binnings: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = field(default_factory=list)
    """Per group of equal delay: its entries, and the matrix from (node, part) to bins."""


@dataclass(frozen=True)
class Plan:
    """All entries of a scene and the classes that they fall into."""

    classes: list[PairClass]
    pair_entry: NDArray[np.int64]
    """Shape (pair, part): the entries that a pair is the sum of."""
    pair_share: NDArray[np.float64]
    """Shape (pair, part)."""
    entries: int

    @property
    def parts(self) -> int:
        """Of an emission."""
        return self.pair_entry.shape[1]

    def of_pairs(self, found: NDArray[np.float64]) -> NDArray[np.float64]:
        """What the pairs are of what the entries are, along the first axis."""
        share = self.pair_share.reshape(*self.pair_share.shape, *(1,) * (found.ndim - 1))
        total = share[:, 0] * found[self.pair_entry[:, 0]]
        for part in range(1, self.parts):
            total += share[:, part] * found[self.pair_entry[:, part]]
        return np.asarray(total)

    def of_entries(self, by_pairs: NDArray[np.float64]) -> NDArray[np.float64]:
        """The transpose of `of_pairs`: from a gradient to pairs, shape (pair, ...), to one to entries."""
        found = np.zeros((self.entries, *by_pairs.shape[1:]))
        share = self.pair_share.reshape(*self.pair_share.shape, *(1,) * (by_pairs.ndim - 1))
        for part in range(self.parts):
            np.add.at(found, self.pair_entry[:, part], share[:, part] * by_pairs)
        return found


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


def laplace_nodes(nearest_m: float, fronts: bool) -> LaplaceNodes:
    """Choose the Laguerre scale and the bandwidth for light that has gone at least this far.

    Sharp fronts would ring in a wider band; where there are none, light nearby needs one, and more terms.
    """
    return LaplaceNodes(
        scale=float(np.clip(1.7 / nearest_m, 0.01, 0.03)),
        terms=64 if fronts or nearest_m > 100.0 else 80,
        bandwidth=float(np.clip(8.0 / nearest_m, 0.05, 0.12 if fronts else 0.24)),
    )


def make_plan(scene: Scene, fronts: bool = True, parts: int = 1) -> Plan:
    """Sort the pairs of a scene into entries and classes, for counts in its time bins.

    Without `fronts` light may come before r / v, as diffusion has it, and its profile is expanded from the
    flash on; with them from just before r / v. `parts` is how many an emission has.
    """
    entries = _sort(scene, parts)
    classes = []
    for nearby in entries.kins():
        nodes = laplace_nodes(float(nearby.path_m.min()), fronts)
        frequency = nodes.frequency
        kin = nearby.interpolated(_STRETCH_BY_WAVE * scene.speed_m_per_ns / float(frequency.max()))
        rules = [kin.rule(1j * w, scene.speed_m_per_ns) for w in frequency]
        steps = np.floor(kin.path_m / scene.speed_m_per_ns / DELAY_STEP_NS)
        delay = fronts * steps * DELAY_STEP_NS
        binnings = [
            (
                np.flatnonzero(delay == t),
                nodes.binning(scene.bin_edges_ns, t).reshape(2 * frequency.size, -1),
            )
            for t in np.unique(delay)
        ]
        classes.append(
            replace(kin.share(np.asarray(1j * frequency, dtype=np.complex128), rules), binnings=binnings)
        )
    return entries.plan(classes)


def make_moment_plan(scene: Scene, rates_per_ns: NDArray[np.float64], parts: int = 1) -> Plan:
    """Sort the pairs of a scene into entries and classes, for Laplace moments at real rates."""
    entries = _sort(scene, parts)
    classes = []
    for kin in (nearby.interpolated() for nearby in entries.kins(MOMENT_AXIS_RATIO)):
        rules = [kin.moment_rule(float(rate), scene.speed_m_per_ns) for rate in rates_per_ns]
        classes.append(kin.share(rates_per_ns, rules))
    return entries.plan(classes)


@dataclass(frozen=True)
class _Entries:
    """Distinct (source depth, part of the emission, receiver depth, distance) of a scene, as indices."""

    keys: NDArray[np.int64]
    """Shape (entry, 4)."""
    depths_m: NDArray[np.float64]
    distances_m: NDArray[np.float64]
    pair_entry: NDArray[np.int64]
    """Shape (pair, part)."""
    pair_share: NDArray[np.float64]

    def plan(self, classes: list[PairClass]) -> Plan:
        """Give the plan with classes made of these entries."""
        return Plan(classes, self.pair_entry, self.pair_share, len(self.keys))

    def kins(self, axis_ratio: float = AXIS_RATIO) -> Iterator["_Kin"]:
        """Give the classes of entries that share nodes."""
        offset = np.abs(self.depths_m[self.keys[:, 0]] - self.depths_m[self.keys[:, 2]])
        distance = self.distances_m[self.keys[:, 3]]
        above = offset > 2.0 * distance
        for along_axis, size, ratio in ((False, distance, RING_RATIO), (True, offset, axis_ratio)):
            chosen = np.flatnonzero(above == along_axis)
            label = cluster(size[chosen], ratio)
            for c in range(label.max(initial=-1) + 1):
                member = chosen[label == c]
                used, row = np.unique(self.keys[member][:, [1, 3]], axis=0, return_inverse=True)
                yield _Kin(
                    keys=self.keys[member],
                    depths_m=self.depths_m,
                    member=member,
                    distance_m=self.distances_m[used[:, 1]],
                    turns=used[:, 0],
                    distance_row=row.ravel().astype(np.int64),
                    offset_m=offset[member],
                    path_m=np.hypot(offset[member], distance[member]),
                    along_axis=along_axis,
                )


@dataclass(frozen=True)
class _Kin:
    """Entries of like distance."""

    keys: NDArray[np.int64]
    depths_m: NDArray[np.float64]
    member: NDArray[np.int64]
    distance_m: NDArray[np.float64]
    turns: NDArray[np.int64]
    """m of the part that is seen at a distance."""
    distance_row: NDArray[np.int64]
    offset_m: NDArray[np.float64]
    path_m: NDArray[np.float64]
    along_axis: bool
    stretch_m: float = 0.0

    def interpolated(self, longest_m: float = _LONGEST_STRETCH_M) -> "_Kin":
        """Let light be interpolated in depth where receivers lie so close that it saves work.

        A stretch, of `longest_m` at most, is short against the way from the emitter to its farther end.
        """
        nearest = float((self.offset_m if self.along_axis else self.distance_m).min())
        stretch = min(longest_m, _LONGEST_STRETCH_M, _STRETCH_BY_NEAREST * nearest)
        depths = self.depths_m[np.unique(self.keys[:, 2])]
        many = depths.size > _LEAST_GAIN * POINTS * (1.0 + np.ptp(depths) / stretch)
        return replace(self, stretch_m=stretch if many else 0.0)

    def rule(self, laplace: complex, speed: float) -> Rule:
        """Give wavenumbers and weights of the Hankel transform."""
        if self.along_axis:
            return axis_rule(self.distance_m, self._offsets, laplace, speed, turns=self.turns)
        return ring_rule(self.distance_m, laplace, speed, turns=self.turns)

    def moment_rule(self, rate: float, speed: float) -> Rule:
        """Give the same at a real rate (1/ns)."""
        if self.along_axis:
            return moment_axis_rule(self.distance_m, self._offsets, rate, speed, LANES, self.turns)
        return moment_ring_rule(self.distance_m, self._offsets[1], rate, speed, LANES, turns=self.turns)

    @property
    def _offsets(self) -> tuple[float, float]:
        return float(self.offset_m.min()) - self.stretch_m, float(self.offset_m.max()) + self.stretch_m

    def share(self, laplace: NDArray[Any], rules: list[Rule]) -> PairClass:
        """Make the class of these entries with one rule a Laplace variable."""
        wavenumbers, weights, start = _pad(rules)
        # np.unique sorted the keys by source, part, receiver, distance: the order that the sweep wants.
        sources, source_start = np.unique(self.keys[:, :2], axis=0, return_index=True)
        receivers, receiver = np.unique(self.keys[:, 2], return_inverse=True)
        return PairClass(
            laplace=laplace,
            wavenumbers=wavenumbers,
            start=start,
            weights=weights,
            source_depth_m=self.depths_m[sources[:, 0]],
            source_part=sources[:, 1],
            source_start=np.append(source_start, len(self.keys)),
            receiver_depth_m=self.depths_m[receivers],
            receiver=receiver,
            distance_row=self.distance_row,
            entry=self.member,
            stretch_m=self.stretch_m,
        )


def _sort(scene: Scene, parts: int) -> _Entries:
    pairs, turns = scene.distance_m.size, np.arange(parts)
    depths, index = merge(np.concatenate([scene.emitter_depth_m, scene.receiver_depth_m]))
    distances, distance_index = merge(scene.distance_m)
    columns = (index[:pairs, None], turns, index[pairs:, None], distance_index[:, None])
    keys = np.stack(np.broadcast_arrays(*columns), axis=-1)
    entries, pair_entry = np.unique(keys.reshape(-1, len(columns)), axis=0, return_inverse=True)
    share = np.ones((pairs, 1))
    if parts > 1:
        share = np.cos(turns * np.radians(scene.bearing_deg - scene.azimuth_deg)[:, None])
    return _Entries(entries, depths, distances, pair_entry.reshape(pairs, parts), share)


def _pad(
    rules: list[Rule],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Join the wavenumbers of all Laplace variables, each filled up to whole lanes with weight 0."""
    wavenumbers, weights = [], []
    for k, w in rules:
        fill = -k.size % LANES
        wavenumbers.append(np.append(k, np.full(fill, k[-1])))
        weights.append(np.pad(w, ((0, 0), (0, fill))))
    start = np.concatenate([[0], np.cumsum([k.size for k in wavenumbers])])
    return np.concatenate(wavenumbers), np.concatenate(weights, axis=1), start
