"""Which flashes to make under a budget of detector time: greedy, then by exchange.

An emitter, or a single LED of one, is chosen at most once: errors of the light model are the same at every
repetition, and a likelihood that takes them for independent from run to run would count the repetitions as
news.
"""

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.nuisances import NuisancePrior
from iceopt.plan.blocks import Block
from iceopt.plan.precision import Precision
from iceopt.plan.shared import Cells
from iceopt.plan.site import Candidates

Array = NDArray[np.float64]
Index = NDArray[np.int64]

Watch = Callable[[float], None]
_EXCHANGED_FOR = 20
"""Candidates that are tried in the place of a chosen flash: those that would add most to all."""
_MOST_SWEEPS = 3
_LEAST_GAIN = 1e-6
_LEAST_SWEEP = 1e-3
"""Fall of the criterion, a ln variance, by a round of exchanges that makes another worth its while."""


@dataclass(frozen=True)
class Criterion:
    """What a choice is to make small: the mean, or the largest, ln variance of some layers' ln lengths."""

    wanted: NDArray[np.bool_]
    """Shape (parameter,): which layers and lengths matter."""
    worst: bool = False

    def __call__(self, covariance: Array) -> float:
        """Value for a covariance of the layers, shape (parameter, parameter)."""
        log_variance = np.log(np.diag(covariance)[self.wanted])
        return float(log_variance.max() if self.worst else log_variance.mean())


@dataclass(frozen=True)
class Choice:
    """Flashes in the order of their gain for their time."""

    which: Index
    """Shape (flash,): indices of candidates."""
    value: Array
    """Shape (flash + 1,): the criterion before any flash, and after each."""
    hours: Array
    """Shape (flash + 1,): detector time spent."""
    greedy_value: float
    """Criterion before the exchanges."""

    @property
    def gain(self) -> Array:
        """Fall of the criterion by each flash, shape (flash,)."""
        return -np.diff(self.value)


class Chooser:
    """Everything that a choice is made from.

    Parameters
    ----------
    prior : ndarray, shape (parameter, parameter)
        Prior precision of the layers.
    nuisances : NuisancePrior
    blocks : sequence of Block
        One a candidate.
    candidates : Candidates
    criterion : Criterion
    """

    def __init__(
        self,
        prior: Array,
        nuisances: NuisancePrior,
        blocks: Sequence[Block],
        candidates: Candidates,
        criterion: Criterion,
    ) -> None:
        self._prior, self._nuisances, self._blocks = prior, nuisances, blocks
        self._source, self._hours = candidates.source, candidates.hours
        self._criterion = criterion

    def value(self, which: Sequence[int] | Index) -> float:
        """Criterion of a set of candidates."""
        precision = self._precision(which)
        return self._criterion(precision.covariance()[: precision.size, : precision.size])

    def choose(self, budget_hours: float, watch: Watch = lambda part: None) -> Choice:
        """Choose by greed and exchange.

        Parameters
        ----------
        budget_hours : float
        watch : callable, optional
            Told the part of the budget that is spent.
        """
        pool = range(self._hours.size)
        chosen = self._greedy(pool, budget_hours, watch)
        now = greedy = self.value(chosen)
        for _ in range(_MOST_SWEEPS):
            before = now
            chosen = self._exchange(chosen, self._most_promising(chosen, pool), budget_hours)
            now = self.value(chosen)
            if before - now < _LEAST_SWEEP:
                break
        return self._ranked(chosen, greedy)

    def everything(self) -> Choice:
        """Take every candidate."""
        chosen = list(range(self._hours.size))
        return self._ranked(chosen, self.value(chosen))

    def _ranked(self, chosen: list[int], greedy: float) -> Choice:
        """Put chosen flashes into the order of their gain per hour."""
        ranked = self._greedy(chosen, float(self._hours[chosen].sum()), lambda part: None)
        ranked += [i for i in chosen if i not in ranked]
        value = [self.value(ranked[:k]) for k in range(len(ranked) + 1)]
        hours = np.concatenate([[0.0], np.cumsum(self._hours[ranked])])
        return Choice(np.array(ranked, dtype=np.int64), np.array(value), hours, greedy)

    def _precision(self, which: Sequence[int] | Index) -> Precision:
        chosen = [self._blocks[i] for i in which]
        cells = Cells(chosen)
        return Precision(self._prior, self._nuisances, [cells.part(block) for block in chosen])

    def _with(self, precision: Precision, cells: Cells, more: int) -> float:
        """Criterion with one more flash."""
        return self._criterion(precision.layer_covariance_with(cells.added(self._blocks[more])))

    def _cells(self, which: Sequence[int]) -> Cells:
        return Cells([self._blocks[i] for i in which])

    def _greedy(self, pool: Sequence[int], budget: float, watch: Watch) -> list[int]:
        """Take the largest gain per hour again and again.

        Gains are looked at again only when they come to the top (Minoux, Lect. Notes Control Inf. Sci. 7,
        234 (1978)): they hardly grow as flashes are added.
        """
        chosen: list[int] = []
        left, taken = budget, set()
        precision, cells = self._precision(chosen), self._cells(chosen)
        now = self.value(chosen)
        heap = [(-np.inf, i, -1) for i in pool if self._hours[i] <= left * (1.0 + 1e-12)]
        while heap:
            negative, i, seen_at = heapq.heappop(heap)
            if self._source[i] in taken or self._hours[i] > left * (1.0 + 1e-12):
                continue
            if seen_at < len(chosen):
                gain = now - self._with(precision, cells, i)
                heapq.heappush(heap, (-gain / self._hours[i], i, len(chosen)))
                continue
            if -negative * self._hours[i] < _LEAST_GAIN and len(chosen) > 0:
                break
            chosen.append(i)
            taken.add(self._source[i])
            left -= self._hours[i]
            precision, cells = self._precision(chosen), self._cells(chosen)
            now = self.value(chosen)
            watch(min(1.0 - left / budget, 1.0))
        return chosen

    def _most_promising(self, chosen: list[int], pool: Sequence[int]) -> list[int]:
        """Candidates by what each would add, the best first."""
        precision, cells, held = self._precision(chosen), self._cells(chosen), set(chosen)
        added = [(self._with(precision, cells, i), i) for i in pool if i not in held]
        return [i for _, i in sorted(added)]

    def _exchange(self, chosen: list[int], promising: list[int], budget: float) -> list[int]:
        """Replace each flash by the best of the promising ones that fits in its place."""
        chosen = list(chosen)
        spent, best = float(self._hours[chosen].sum()), self.value(chosen)
        for place in range(len(chosen)):
            others = chosen[:place] + chosen[place + 1 :]
            taken = {self._source[i] for i in others}
            room = budget - (spent - self._hours[chosen[place]])
            precision, cells = self._precision(others), self._cells(others)
            fitting = [
                i
                for i in promising
                if self._hours[i] <= room * (1.0 + 1e-12) and self._source[i] not in taken and i not in chosen
            ][:_EXCHANGED_FOR]
            if not fitting:
                continue
            found = min(fitting, key=lambda i: self._with(precision, cells, i))
            value = self.value([*others, found])
            if value < best - _LEAST_GAIN:
                promising.insert(0, chosen[place])
                spent += float(self._hours[found] - self._hours[chosen[place]])
                chosen[place], best = found, value
        return chosen


def evenly_spaced(candidates: Candidates, chosen: Index, depth_m: Array) -> Index:
    """As many flashes as chosen, with the same settings, of sources spread evenly over depth and lines.

    Parameters
    ----------
    candidates : Candidates
    chosen : ndarray of int, shape (flash,)
    depth_m : ndarray, shape (module,)
    """
    sources, first = np.unique(candidates.source, return_index=True)
    ordered = sources[np.argsort(depth_m[candidates.flashes.emitter[first]], kind="stable")]
    at = np.round((np.arange(chosen.size) + 0.5) / chosen.size * sources.size - 0.5).astype(np.int64)
    return _with_settings_of(candidates, chosen, ordered[at])


def at_random(candidates: Candidates, chosen: Index, rng: np.random.Generator) -> Index:
    """As many flashes as chosen, with the same settings, of sources drawn without repetition."""
    sources = rng.permutation(np.unique(candidates.source))[: chosen.size]
    return _with_settings_of(candidates, chosen, sources)


def _with_settings_of(candidates: Candidates, chosen: Index, sources: Index) -> Index:
    flashes = candidates.flashes
    keys = zip(candidates.source, flashes.photons_per_pulse, flashes.pulses, strict=True)
    place = {key: i for i, key in enumerate(keys)}
    return np.array(
        [
            place[(source, flashes.photons_per_pulse[i], flashes.pulses[i])]
            for source, i in zip(sources, chosen, strict=True)
        ],
        dtype=np.int64,
    )
