"""Depth profiles of scattering and absorption."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.figures.style import DARK, GREY, LIGHT, WARM, depth_axis, subplots, titled
from iceopt.result.layers import Layers, Lengths, read_layers
from iceopt.result.read import Result

Array = NDArray[np.float64]


def depth_profiles(result: Result) -> Figure:
    """Scattering and absorption length against depth: median, 68 and 95 % bands, prior, reach of the data.

    Layers of which the counts say next to nothing are hatched; those whose draws are too few are crossed.
    """
    layers = read_layers(result)
    figure, axes = subplots(7.0, 6.5, 1, 2, sharey=True)
    for ax, lengths, label in zip(
        axes.flat,
        (layers.scattering, layers.absorption),
        ("effective scattering length (m)", "absorption length (m)"),
        strict=True,
    ):
        _prior(ax, lengths)
        _bands(ax, layers.edges_m, lengths.quantiles_m)
        _by_prior(ax, layers, lengths)
        _not_converged(ax, layers, lengths)
        _reach(ax, layers)
        ax.set_xlabel(label)
        ax.set_xlim(0, 1.1 * _longest_m(lengths))
    axes[0, 0].set_ylim(layers.edges_m[-1], layers.edges_m[0])
    depth_axis(axes[0, 0])
    named = {label: h for ax in axes.flat for h, label in zip(*ax.get_legend_handles_labels(), strict=True)}
    figure.legend(named.values(), named.keys(), loc="outside lower center", ncols=4, fontsize=8)
    wavelength = result.attribute("wavelength_nm")
    return titled(figure, result, f"depth profiles at {wavelength:g} nm")


def _longest_m(lengths: Lengths) -> float:
    """Top of the 95 % bands; where the prior speaks of the 68 % band, lest its width squeeze the rest."""
    *_, high68, high95 = lengths.quantiles_m
    return float(np.where(lengths.by_prior, high68, high95).max())


def _prior(ax: Axes, lengths: Lengths) -> None:
    low95, low68, _, high68, high95 = lengths.prior_m
    ax.axvspan(low95, high95, color="#f2f2f2", lw=0, zorder=0, label="prior, 95 %")
    ax.axvspan(low68, high68, color="#e4e4e4", lw=0, zorder=0, label="prior, 68 %")


def _bands(ax: Axes, edges_m: Array, quantiles_m: Array) -> None:
    depth_m = np.repeat(edges_m, 2)[1:-1]
    low95, low68, median, high68, high95 = (np.repeat(q, 2) for q in quantiles_m)
    ax.fill_betweenx(depth_m, low95, high95, color=LIGHT, alpha=0.5, lw=0, label="95 %")
    ax.fill_betweenx(depth_m, low68, high68, color=LIGHT, lw=0, label="68 %")
    ax.plot(median, depth_m, color=DARK, lw=1.2, label="median")


def _by_prior(ax: Axes, layers: Layers, lengths: Lengths) -> None:
    """Hatch the layers of which the counts say next to nothing."""
    label = "counts say next to nothing"
    for low, high in _stretches(layers.edges_m, lengths.by_prior):
        ax.axhspan(low, high, facecolor="none", edgecolor=GREY, hatch="///", lw=0, label=label)
        label = "_"


def _stretches(edges_m: Array, chosen: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Top and bottom (m) of each unbroken run of chosen layers."""
    steps = np.flatnonzero(np.diff(np.r_[False, chosen, False]))
    return [(float(edges_m[a]), float(edges_m[b])) for a, b in steps.reshape(-1, 2)]


def _not_converged(ax: Axes, layers: Layers, lengths: Lengths) -> None:
    bad = ~lengths.converged
    if bad.any():
        middle_m = 0.5 * (layers.edges_m[1:] + layers.edges_m[:-1])
        ax.plot(
            lengths.quantiles_m[2, bad],
            middle_m[bad],
            "x",
            color=WARM,
            ms=5,
            mew=1.5,
            label="not converged (R-hat, sample size)",
        )


def _reach(ax: Axes, layers: Layers) -> None:
    """Draw a bar on the axis over the depths that hold emitters or receivers."""
    ax.plot(
        [0, 0],
        layers.reach_m,
        color="black",
        lw=4,
        solid_capstyle="butt",
        transform=ax.get_yaxis_transform(),
        clip_on=False,
        label="emitters and receivers",
    )
