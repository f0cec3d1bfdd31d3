"""Two layer grids brought to one: cells on which both results say something, and means over them.

The cells are the layers of the coarser grid. A coarse layer's value is taken as the mean of 1/length over the
layer, which is what light feels, so the fine grid's 1/length is averaged over it and like is compared with
like. A refined grid of all edges would ask a coarse result for detail that it does not have, and would count
one measured number as several tests.

A layer of the averaged grid that a cell's edge cuts gives each side a part of itself, and how 1/length varies
inside it is not known. There a slope is drawn, as large as the steps to the layer's neighbours; so a mismatch
of grids widens the intervals rather than passing for a change.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SAME_M = 1e-6
_STEEPEST = 1.9
"""Slopes are kept below 2 a layer, where 1/length would be negative at one end."""


@dataclass(frozen=True)
class Averaging:
    """From layers to cells."""

    mean: Array
    """Shape (cell, layer): part of the cell that lies in the layer."""
    slope: Array
    """Shape (cell, layer): the same times the part's distance from the layer's centre, in its thickness."""


def common_cells(first_m: Array, second_m: Array) -> Array:
    """Edges of the cells: the coarser grid's layers that lie wholly in both grids.

    Parameters
    ----------
    first_m, second_m : ndarray, shape (layer + 1,)
        Layer edges, increasing (m).

    Returns
    -------
    ndarray, shape (cell + 1,)
        Of size below 2 if the grids do not overlap by a layer. Equally many layers: the first grid's.
    """
    top, bottom = max(first_m[0], second_m[0]), min(first_m[-1], second_m[-1])
    inside = [e[(e >= top - _SAME_M) & (e <= bottom + _SAME_M)] for e in (first_m, second_m)]
    return min(inside, key=len)


def averaging(edges_m: Array, cells_m: Array) -> Averaging:
    """Weights that average a layered quantity over cells; both grids by their edges (m)."""
    low = np.maximum(cells_m[:-1, None], edges_m[None, :-1])
    high = np.minimum(cells_m[1:, None], edges_m[None, 1:])
    overlap = np.maximum(high - low, 0.0)
    mean = overlap / np.diff(cells_m)[:, None]
    off_centre = (0.5 * (low + high) - 0.5 * (edges_m[1:] + edges_m[:-1])) / np.diff(edges_m)
    return Averaging(mean, np.where(abs(off_centre) < _SAME_M, 0.0, mean * off_centre))


def cell_means(log_coefficient: Array, weights: Averaging, rng: np.random.Generator) -> Array:
    """Log of the mean coefficient over cells, draw by draw.

    Parameters
    ----------
    log_coefficient : ndarray, shape (draw, layer)
        ln(1/length).
    weights : Averaging
    rng : numpy.random.Generator
        For the slopes inside layers that are cut.

    Returns
    -------
    ndarray, shape (draw, cell)
    """
    coefficient = np.exp(log_coefficient)
    steps = np.diff(np.median(log_coefficient, axis=0))
    around = np.array([np.r_[steps[:1], steps], np.r_[steps, steps[-1:]]])
    typical = np.sqrt(np.mean(around**2, axis=0)) if steps.size else np.zeros(1)
    slope = np.clip(typical * rng.standard_normal(coefficient.shape), -_STEEPEST, _STEEPEST)
    return np.log(coefficient @ weights.mean.T + (coefficient * slope) @ weights.slope.T)
