"""The chains themselves: traces with R-hat and effective sample sizes."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.figures.style import DARK, LIGHT, WARM, subplots, titled
from iceopt.result.read import Result

_TINTS = (DARK, LIGHT, WARM, "#555555")
_WORST = 5


def traces(result: Result) -> Figure:
    """Log density and the parameters with the worst R-hat against draw, a line a chain."""
    figure, axes = subplots(8.0, 8.0, _WORST + 1, 1, sharex=True)
    names, rhat, ess = (result.values("diagnostics", n) for n in ("parameter", "rhat", "ess_bulk"))
    _lines(axes[0, 0], result.values("sample_stats", "lp"))
    axes[0, 0].set_ylabel("log density", fontsize=7)
    order = np.argsort(np.where(np.isfinite(rhat), -rhat, -np.inf), kind="stable")
    for ax, i in zip(axes[1:, 0], order, strict=False):
        _lines(ax, _parameter(result, names[i]))
        ax.set_title(f"{names[i]}: R-hat {rhat[i]:.3f}, effective sample size {ess[i]:.0f}", fontsize=7)
    axes[-1, 0].set_xlabel("draw")
    return titled(figure, result, f"traces of the {_WORST} parameters with the worst R-hat")


def _lines(ax: Axes, draws: NDArray[Any]) -> None:
    for k, chain in enumerate(draws):
        ax.plot(chain, lw=0.5, color=_TINTS[k % len(_TINTS)])


def _parameter(result: Result, name: str) -> NDArray[Any]:
    """Draws of a parameter of the fit, shape (chain, draw)."""
    for prefix, variable in (
        ("ln_scattering_length[", "scattering_length"),
        ("ln_absorption_length[", "absorption_length"),
    ):
        if name.startswith(prefix):
            layer = int(name.removeprefix(prefix).rstrip("]"))
            return np.log(result.values("posterior", variable)[:, :, layer])
    return result.values("posterior", name)
