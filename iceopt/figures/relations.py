"""How the layers' lengths hang together: the dust line, correlations, joint distributions of a few."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullLocator, ScalarFormatter
from numpy.typing import NDArray

from iceopt.errors import InputError
from iceopt.figures.style import DARK, GREY, LIGHT, WARM, subplots, titled
from iceopt.fit.priors import DUST_REFERENCE_M
from iceopt.result.layers import read_layers
from iceopt.result.prior import LENGTHS
from iceopt.result.read import Result

Array = NDArray[np.float64]

_DEPTH_COLOURS = "cividis"
_SIGNED_COLOURS = LinearSegmentedColormap.from_list("signed", [WARM, "white", DARK])
_DOTTED_BELOW = -0.3
"""Correlations below this get a dot, as in grey a negative one looks like a weaker positive one."""
_SYMBOLS = ("le", "la")
_MOST_KERNELS = 2000
_MOST_NUMBERS = 10
"""Layers up to which the correlation matrix has its numbers written in."""


def dust(result: Result) -> Figure:
    """Absorption against scattering length of all layers, 68 % bars, with the dust line and its scatter."""
    figure, axes = subplots(6.5, 5.0, 1, 1)
    ax = axes[0, 0]
    layers = read_layers(result)
    x, y = layers.scattering.quantiles_m, layers.absorption.quantiles_m
    bars = [(q[2] - q[1], q[3] - q[2]) for q in (x, y)]
    ax.errorbar(x[2], y[2], bars[1], bars[0], fmt="none", ecolor=GREY, elinewidth=0.7, zorder=2)
    middle_m = 0.5 * (layers.edges_m[1:] + layers.edges_m[:-1])
    dots = ax.scatter(x[2], y[2], c=middle_m, cmap=_DEPTH_COLOURS, s=28, ec="black", lw=0.5, zorder=3)
    bar = figure.colorbar(dots, label="depth (m)")
    bar.ax.invert_yaxis()
    ax.set(
        xscale="log", yscale="log", xlabel="effective scattering length (m)", ylabel="absorption length (m)"
    )
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 1.5, 2.0, 3.0, 5.0, 7.0)))
        axis.set_minor_locator(NullLocator())
        axis.set_major_formatter(ScalarFormatter())
    if "dust_slope" not in result.names("posterior"):
        return titled(figure, result, "absorption against scattering; this fit has no dust line")
    ln_le = np.linspace(np.log(x[1].min()) - 0.05, np.log(x[3].max()) + 0.05, 40)
    slope, level, scatter = (
        result.draws(n)[:, None] for n in ("dust_slope", "ln_dust_absorption", "ln_dust_scatter")
    )
    line = level + slope * (ln_le - np.log(DUST_REFERENCE_M))
    low, middle, high = np.exp(np.quantile(line, [0.16, 0.5, 0.84], axis=0))
    around = np.exp(np.median(np.exp(scatter)))
    le = np.exp(ln_le)
    ax.fill_between(le, low, high, color=LIGHT, alpha=0.6, lw=0, label="dust line, 68 %")
    ax.plot(le, middle, color=DARK, lw=1.2, label=f"dust line, slope {np.median(slope):.2f}")
    ax.plot(le, middle * around, color=DARK, lw=0.8, ls=":", label="scatter of the layers around it")
    ax.plot(le, middle / around, color=DARK, lw=0.8, ls=":")
    ax.legend(fontsize=8)
    return titled(figure, result, "absorption against scattering length of the layers")


def correlations(result: Result) -> Figure:
    """Posterior correlations of the layers' ln lengths: scattering first, then absorption."""
    figure, axes = subplots(7.0, 6.2, 1, 1)
    ax = axes[0, 0]
    draws = np.log(np.concatenate([result.draws(name) for name in LENGTHS], axis=1))
    matrix = np.corrcoef(draws, rowvar=False)
    layers = matrix.shape[0] // 2
    picture = ax.imshow(matrix, cmap=_SIGNED_COLOURS, vmin=-1, vmax=1, interpolation="nearest")
    figure.colorbar(picture, label=f"correlation (dotted below {_DOTTED_BELOW:g})")
    rows, columns = np.nonzero(matrix < _DOTTED_BELOW)
    ax.plot(columns, rows, ".", color="black", ms=min(4.0, 120.0 / matrix.shape[0]))
    ax.axhline(layers - 0.5, color="black", lw=0.8)
    ax.axvline(layers - 0.5, color="black", lw=0.8)
    if layers <= _MOST_NUMBERS:
        for (i, j), value in np.ndenumerate(matrix):
            colour = "white" if value > 0.5 else "black"
            ax.text(j, i, f"{100 * value:.0f}", ha="center", va="center", fontsize=5.5, color=colour)
    top = result.values("constant_data", "layer_top")
    every = max(1, -(-layers // 8))
    places = [i + half * layers for half in (0, 1) for i in range(0, layers, every)]
    words = [f"{_SYMBOLS[i // layers]} {top[i % layers]:.0f} m" for i in places]
    ax.set_xticks(places, words, rotation=90, fontsize=7)
    ax.set_yticks(places, words, fontsize=7)
    ax.set_xlabel("le: scattering, la: absorption, top of the layer")
    ax.grid(False)
    note = ", in percent" if layers <= _MOST_NUMBERS else ""
    return titled(figure, result, f"correlations of the layers' ln lengths{note}")


def corner(result: Result, depths_m: Sequence[float] = ()) -> Figure:
    """Joint distributions of both lengths of chosen layers: densest 68 and 95 % of the draws.

    Parameters
    ----------
    result : Result
    depths_m : sequence of float, optional
        Depths whose layers are shown; by default the layers with the best, middling and worst known
        scattering.

    Raises
    ------
    InputError
        If a depth lies outside the layers.
    """
    chosen = _chosen(result, depths_m)
    top, bottom = (result.values("constant_data", f"layer_{end}") for end in ("top", "bottom"))
    columns = [result.draws(name)[:, i] for i in chosen for name in LENGTHS]
    labels = [f"{s}, {top[i]:.0f}-{bottom[i]:.0f} m\n(m)" for i in chosen for s in _SYMBOLS]
    size = len(columns)
    figure, axes = subplots(1.4 * size + 0.6, 1.4 * size + 0.6, size, size, sharex="col")
    for row in range(size):
        for column in range(size):
            ax = axes[row, column]
            ax.tick_params(labelsize=6)
            ax.locator_params(nbins=3)
            if column > row:
                ax.set_axis_off()
                continue
            if column == row:
                _histogram(ax, columns[row])
            else:
                _densest(ax, columns[column], columns[row])
            if row == size - 1:
                ax.set_xlabel(labels[column], fontsize=7)
            if column == 0 and row > 0:
                ax.set_ylabel(labels[row], fontsize=7)
            elif column != row:
                ax.tick_params(labelleft=False)
    return titled(figure, result, "joint distributions of chosen layers, densest 68 and 95 % of the draws")


def _chosen(result: Result, depths_m: Sequence[float]) -> list[int]:
    top, bottom = (result.values("constant_data", f"layer_{end}") for end in ("top", "bottom"))
    if not depths_m:
        low, middle, high = result.quantiles("scattering_length", (0.16, 0.5, 0.84))
        order = np.argsort((high - low) / middle)
        return sorted({int(order[0]), int(order[order.size // 2]), int(order[-1])})
    found = []
    for depth in depths_m:
        if not top[0] <= depth <= bottom[-1]:
            raise InputError(
                f"no layer lies at {depth:g} m; the layers of {result.path} run from {top[0]:g} to "
                f"{bottom[-1]:g} m"
            )
        found.append(min(int(np.searchsorted(bottom, depth, side="right")), top.size - 1))
    return sorted(set(found))


def _histogram(ax: Axes, values: Array) -> None:
    ax.hist(values, bins=30, color=LIGHT)
    for q, style in zip((0.16, 0.5, 0.84), ("--", "-", "--"), strict=True):
        ax.axvline(np.quantile(values, q), color=DARK, lw=0.8, ls=style)
    ax.set_yticks([])


def _densest(ax: Axes, x: Array, y: Array) -> None:
    """Contours of a kernel density at heights that the named parts of the draws themselves exceed."""
    import scipy.stats  # takes longer to import than most figures to draw

    pair = np.array([x, y])[:, :: max(1, x.size // _MOST_KERNELS)]
    density = scipy.stats.gaussian_kde(pair)
    high68, high95 = np.quantile(density(pair), [0.32, 0.05])
    grids = [np.linspace(v.min(), v.max(), 40) for v in pair]
    mesh = np.meshgrid(*grids)
    height = density(np.array([m.ravel() for m in mesh])).reshape(mesh[0].shape)
    ax.contourf(*mesh, height, [high95, high68, np.inf], colors=[LIGHT + "80", LIGHT])
    ax.contour(*mesh, height, [high95, high68], colors=DARK, linewidths=0.7)
