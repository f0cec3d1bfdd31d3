"""The chains themselves: traces, R-hat and effective sample sizes."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.figures.style import DARK, GREY, LIGHT, WARM, depth_axis, subplots, titled
from iceopt.fit.limits import LARGEST_RHAT, LEAST_ESS
from iceopt.result.layers import read_layers
from iceopt.result.prior import LENGTHS
from iceopt.result.read import Result

_TINTS = (DARK, LIGHT, WARM, "#555555")
_WORST = 5
_LEAST_EXCESS = 1e-4
_NO_RHAT = 10.0


def traces(result: Result) -> Figure:
    """Log density and the parameters with the worst R-hat against draw, a line a chain."""
    figure, axes = subplots(8.0, 8.0, _WORST + 1, 1, sharex=True)
    names, rhat, ess = (result.values("diagnostics", n) for n in ("parameter", "rhat", "ess_bulk"))
    _lines(axes[0, 0], result.values("sample_stats", "lp"))
    axes[0, 0].set_ylabel("log density", fontsize=7)
    # A NaN is the worst: chains that do not move.
    order = np.argsort(np.where(np.isfinite(rhat), -rhat, -np.inf), kind="stable")
    for ax, i in zip(axes[1:, 0], order, strict=False):
        _lines(ax, _parameter(result, names[i]))
        ax.set_title(f"{names[i]}: R-hat {rhat[i]:.3f}, effective sample size {ess[i]:.0f}", fontsize=7)
    axes[-1, 0].set_xlabel("draw")
    return titled(figure, result, f"traces of the {_WORST} parameters with the worst R-hat")


def convergence(result: Result) -> Figure:
    """R-hat and effective sample size of every parameter with their limits; layers by depth, others by name.

    Parameters whose chains do not move have neither; they stand in the column of the worst.
    """
    figure, axes = subplots(8.0, 7.0, 2, 2, sharex="col", sharey="row", height_ratios=(3, 2))
    layers = read_layers(result)
    middle_m = 0.5 * (layers.edges_m[1:] + layers.edges_m[:-1])
    for lengths, label, style in (
        (layers.scattering, "scattering", {"marker": "o", "color": DARK}),
        (layers.absorption, "absorption", {"marker": "D", "color": WARM, "mfc": "none"}),
    ):
        axes[0, 0].plot(_excess(lengths.rhat), middle_m, ls="", ms=4, label=label, **style)
        axes[0, 1].plot(_size(lengths.ess), middle_m, ls="", ms=4, label=label, **style)
    depth_axis(axes[0, 0])
    axes[0, 1].legend(fontsize=8)
    names, rhat, bulk, tail = (
        result.values("diagnostics", n) for n in ("parameter", "rhat", "ess_bulk", "ess_tail")
    )
    others = np.array([not name.startswith(tuple(f"ln_{n}[" for n in LENGTHS)) for name in names])
    places = np.arange(others.sum())
    axes[1, 0].plot(_excess(rhat[others]), places, "o", ms=4, color=GREY)
    axes[1, 1].plot(_size(np.minimum(bulk, tail)[others]), places, "o", ms=4, color=GREY)
    axes[1, 0].set_yticks(places, names[others], fontsize=7)
    axes[1, 0].set_ylim(-0.7, places.size - 0.3)
    for ax in axes.flat:
        ax.set_xscale("log")
    _shade(axes[:, 0], LARGEST_RHAT - 1.0, above=True)
    _shade(axes[:, 1], LEAST_ESS, above=False)
    axes[1, 0].set_xlabel("R-hat - 1 (rank-normalised, split)")
    axes[1, 1].set_xlabel("effective sample size, the smaller of bulk and tail")
    return titled(figure, result, "convergence of the parameters; shaded: not enough")


def _excess(rhat: NDArray[Any]) -> NDArray[Any]:
    """R-hat - 1 for a log axis; R-hat may be below 1 by chance."""
    return np.where(np.isfinite(rhat), np.maximum(rhat - 1.0, _LEAST_EXCESS), _NO_RHAT)


def _size(ess: NDArray[Any]) -> NDArray[Any]:
    return np.where(np.isfinite(ess), np.maximum(ess, 1.0), 1.0)


def _shade(axes: NDArray[Any], limit: float, above: bool) -> None:
    """Shade the side of a limit on which chains have not converged, in axes that share x."""
    low, high = axes[0].get_xlim()
    low, high = min(low, limit / 2.0), max(high, 2.0 * limit)
    for ax in axes:
        ax.axvline(limit, color="black", lw=0.8)
        ax.axvspan(limit if above else low, high if above else limit, color=WARM, alpha=0.12, lw=0)
        ax.set_xlim(low, high)


def _lines(ax: Axes, draws: NDArray[Any]) -> None:
    for k, chain in enumerate(draws):
        ax.plot(chain, lw=0.5, color=_TINTS[k % len(_TINTS)])


def _parameter(result: Result, name: str) -> NDArray[Any]:
    """Draws of a parameter of the fit, shape (chain, draw)."""
    for length in LENGTHS:
        if name.startswith(f"ln_{length}["):
            layer = int(name.removeprefix(f"ln_{length}[").rstrip("]"))
            return np.log(result.values("posterior", length)[:, :, layer])
    return result.values("posterior", name)
