"""What a flash adds where others have flashed alike: errors of the light model that pairs share.

A(n) = n / (1/w + n k) is the information on the layers (its trace) of n pairs that lie alike, w what counting
one alone would give and k the variance of the light model's error: they err together, so each counts with
n k. It grows as n while counting rules and stops at 1/k where the error does. A run's information is scaled
as a whole by the mean of its pairs, so that it stays positive. That is for choosing: standard deviations come
out within a tenth where the errors rule, and up to a quarter too wide where counts are few; the forecast of
what is chosen is exact (`iceopt.plan.blocks.blocks_together`).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from iceopt.plan.blocks import Block

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_TINY = 1e-300


class Cells:
    """How many pairs of some flashes lie in each cell.

    Parameters
    ----------
    chosen : sequence of Block
    """

    def __init__(self, chosen: Sequence[Block]) -> None:
        joined = np.concatenate([np.zeros(0, dtype=np.int64), *(block.cells for block in chosen)])
        self._cells, self._count = np.unique(joined, return_counts=True)

    def count(self, cells: Index) -> Array:
        """Pairs in each of these cells, shape as given."""
        if self._cells.size == 0:
            return np.zeros(cells.shape)
        at = np.minimum(np.searchsorted(self._cells, cells), self._cells.size - 1)
        return np.where(self._cells[at] == cells, self._count[at], 0).astype(np.float64)

    def added(self, block: Block) -> Block:
        """What one more flash would add."""
        before = self.count(block.cells)
        grown = _information(block, before + block.alike) - _information(block, before)
        return _scaled(block, grown / block.alike)

    def part(self, block: Block) -> Block:
        """A chosen flash's part of what all tell together."""
        total = self.count(block.cells)
        return _scaled(block, _information(block, total) / np.maximum(total, 1.0))


def _information(block: Block, pairs: Array) -> Array:
    """A(n) of each pair's cell, shape (module,)."""
    without_errors = np.maximum(block.counting, _TINY)
    variance = np.maximum(1.0 / np.maximum(block.told, _TINY) - 1.0 / without_errors, 0.0) / block.alike
    return np.asarray(pairs / (1.0 / without_errors + pairs * variance))


def _scaled(block: Block, information: Array) -> Block:
    """A run's information, scaled as the sum of its pairs' is."""
    alone = float(block.told.sum())
    part = float(information.sum()) / alone if alone > 0.0 else 1.0
    return replace(
        block,
        layers=part * block.layers,
        amplitude=part * block.amplitude,
        offset=part * block.offset,
        noise=part * block.noise,
        nuisance=part * block.nuisance,
    )
