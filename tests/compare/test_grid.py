"""Grids brought together: means of 1/length are kept, cells are the coarser layers, cuts widen."""

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from iceopt.compare.grid import averaging, cell_means, common_cells

edges = st.lists(st.integers(0, 60), min_size=3, max_size=20, unique=True).map(
    lambda e: np.sort(np.array(e, dtype=float)) * 5.0
)


def integral(edges_m, coefficient, top_m, bottom_m):
    """Of a layered coefficient between two depths, on a grid of all edges."""
    cuts = np.unique(np.r_[edges_m[(edges_m > top_m) & (edges_m < bottom_m)], top_m, bottom_m])
    layer = np.searchsorted(edges_m, 0.5 * (cuts[1:] + cuts[:-1])) - 1
    return np.sum(np.diff(cuts) * coefficient[layer])


@given(edges, edges, st.randoms(use_true_random=False))
def test_averages_are_means_of_one_over_length(fine, coarse, random):
    cells = common_cells(fine, coarse)
    if cells.size < 2:
        return
    for grid in (fine, coarse):
        coefficient = np.array([random.uniform(0.01, 0.1) for _ in grid[1:]])
        weights = averaging(grid, cells)
        np.testing.assert_allclose(weights.mean.sum(axis=1), 1.0)
        expected = [integral(grid, coefficient, a, b) / (b - a) for a, b in itertools.pairwise(cells)]
        np.testing.assert_allclose(weights.mean @ coefficient, expected)


@given(edges, edges)
def test_cells_are_the_layers_of_the_coarser_grid_within_both(first, second):
    cells = common_cells(first, second)
    inside = [e[(e >= max(first[0], second[0])) & (e <= min(first[-1], second[-1]))] for e in (first, second)]
    assert cells.size == min(map(len, inside))
    assert any(np.array_equal(cells, e) for e in inside)
    np.testing.assert_array_equal(common_cells(first, first), first)


def test_equal_grids_change_nothing_and_nested_ones_need_no_slope():
    edges_m = np.arange(1400.0, 1501.0, 10.0)
    draws = np.random.default_rng(1).normal(-3.0, 0.1, (50, 10))
    rng = np.random.default_rng(2)
    np.testing.assert_allclose(cell_means(draws, averaging(edges_m, edges_m), rng), draws, rtol=1e-12)
    by_two = averaging(edges_m, edges_m[::2])
    assert not by_two.slope.any()
    expected = np.log(np.exp(draws).reshape(50, 5, 2).mean(axis=2))
    np.testing.assert_allclose(cell_means(draws, by_two, rng), expected, rtol=1e-12)


def test_a_gradient_across_a_cut_layer_is_within_the_spread_drawn_for_it():
    """True coefficient linear in depth: the error of taking layers as flat is like the slopes drawn."""
    edges_m = np.arange(0.0, 201.0, 20.0)
    true = 0.03 + 2e-4 * np.arange(0.0, 200.0)  # a value a metre
    layered = np.log(true.reshape(10, 20).mean(axis=1))
    cells = np.arange(30.0, 171.0, 20.0)  # every layer cut in half
    draws = cell_means(np.tile(layered, (4000, 1)), averaging(edges_m, cells), np.random.default_rng(1))
    exact = np.log(true[30:170].reshape(7, 20).mean(axis=1))
    off = (exact - draws.mean(axis=0)) / draws.std(axis=0)
    assert (abs(off) < 2).all()
    assert (draws.std(axis=0) > 0.005).all()


def test_halves_of_a_cut_layer_go_against_one_another():
    """What one cell gains by the slope its neighbour loses: their sum is known."""
    edges_m = np.array([0.0, 20.0, 40.0, 60.0])
    layered = np.log([0.02, 0.05, 0.02])
    weights = averaging(edges_m, np.array([0.0, 30.0, 60.0]))
    draws = np.exp(cell_means(np.tile(layered, (2000, 1)), weights, np.random.default_rng(1)))
    assert np.corrcoef(draws.T)[0, 1] < -0.99
    np.testing.assert_allclose(draws.sum(axis=1), draws.sum(axis=1)[0], rtol=1e-12)
