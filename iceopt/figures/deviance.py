"""Where the fit describes the counts worse than it says."""

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import LogFormatter

from iceopt.figures.style import DARK, LIGHT, WARM, name_some, subplots, titled
from iceopt.result.deviance import Deviances, Misfit
from iceopt.result.read import Result


def deviance(result: Result) -> Figure:
    """Poisson deviance a bin by distance, by time and by receiver, beside what the fitted errors lead to."""
    figure, axes = subplots(8.0, 7.5, 3, 1)
    found = Deviances(result)
    _beside(axes[0, 0], found.by_distance(), "-")
    axes[0, 0].set_xlabel("distance (m), cells of equal numbers of pairs")
    _beside(axes[1, 0], found.by_time(), "-")
    axes[1, 0].set_xlabel("time after the flash (ns)")
    names, by_module = found.by_module()
    _beside(
        axes[2, 0], Misfit(by_module.place.argsort().astype(float), by_module.seen, by_module.expected), ""
    )
    name_some(axes[2, 0], names, 12, fontsize=6)
    axes[2, 0].set_xlabel("receiver")
    axes[0, 0].legend(fontsize=8)
    return titled(figure, result, "Poisson deviance a bin (1 if only counting scatters)")


def _beside(ax: Axes, misfit: Misfit, line: str) -> None:
    ax.axhline(1.0, color="black", lw=0.6)
    words = "by counting and the light model's fitted errors"
    ax.plot(misfit.place, misfit.expected, "D", ls=line, ms=4, mfc="none", color=WARM, label=words)
    ax.plot(misfit.place, misfit.seen, "o", ls=line, ms=4, color=DARK, mfc=LIGHT, label="seen")
    ax.set_yscale("log")
    ax.yaxis.set_major_formatter("{x:g}")
    ax.yaxis.set_minor_formatter(LogFormatter(minor_thresholds=(1.5, 0.5)))
    ax.set_ylabel("deviance a bin")
