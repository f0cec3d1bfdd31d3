"""Depth profiles of scattering and absorption."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.figures.style import DARK, GREY, LIGHT, depth_axis, subplots, titled
from iceopt.result.read import Result

_QUANTILES = (0.025, 0.16, 0.5, 0.84, 0.975)


def depth_profiles(result: Result) -> Figure:
    """Scattering and absorption length against depth, with 68 and 95 % bands."""
    figure, axes = subplots(7.0, 6.0, 1, 2, sharey=True)
    edges = _edges(result)
    reach = result.values("constant_data", "data_depth")
    for ax, name, label in zip(
        axes.flat,
        ("scattering_length", "absorption_length"),
        ("effective scattering length (m)", "absorption length (m)"),
        strict=True,
    ):
        _bands(ax, edges, result.quantiles(name, _QUANTILES))
        _out_of_reach(ax, edges, reach)
        ax.set_xlabel(label)
        ax.set_xlim(left=0)
    axes[0, 0].set_ylim(edges[-1], edges[0])
    handles, labels = axes[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=len(labels), fontsize=8)
    depth_axis(axes[0, 0])
    wavelength = result.attribute("wavelength_nm")
    return titled(figure, result, f"depth profiles at {wavelength:g} nm")


def _edges(result: Result) -> NDArray[np.float64]:
    top, bottom = (result.values("constant_data", n) for n in ("layer_top", "layer_bottom"))
    return np.r_[top, bottom[-1]]


def _bands(ax: Axes, edges: NDArray[np.float64], quantiles: NDArray[np.float64]) -> None:
    depth = np.repeat(edges, 2)[1:-1]
    low95, low68, median, high68, high95 = (np.repeat(q, 2) for q in quantiles)
    ax.fill_betweenx(depth, low95, high95, color=LIGHT, alpha=0.5, lw=0, label="95 %")
    ax.fill_betweenx(depth, low68, high68, color=LIGHT, lw=0, label="68 %")
    ax.plot(median, depth, color=DARK, lw=1.2, label="median")


def _out_of_reach(ax: Axes, edges: NDArray[np.float64], reach: NDArray[np.float64]) -> None:
    """Hatch the depths without a fitted emitter or receiver: there the prior speaks."""
    for low, high in ((edges[0], reach[0]), (reach[1], edges[-1])):
        if high > low:
            ax.axhspan(low, high, facecolor="none", edgecolor=GREY, hatch="///", lw=0, alpha=0.5)
