"""The array: its modules, their efficiencies and clock offsets, and those that were left out."""

import numpy as np
from matplotlib.figure import Figure

from iceopt.figures.style import DARK, LIGHT, WARM, depth_axis, name_some, plain, subplots, titled
from iceopt.result.read import Result
from iceopt.result.summary import mean_and_sd

_MOST_NAMED = 30
"""Of the modules in one state: more names than this would hide the map."""
_MARKERS = {"dead": "x", "silent": "X", "noisy": "^", "mistimed": "s"}


def array_map(result: Result) -> Figure:
    """Modules by line and depth, and from above; those left out are marked with why."""
    figure, axes = subplots(8.0, 5.0, 1, 2)
    x, y, depth = (result.values("constant_data", n) for n in ("x", "y", "depth"))
    line = result.values("constant_data", "line")
    lines, column = np.unique(line, return_inverse=True)
    states, names = (result.values("constant_data", n) for n in ("module_state", "site_module"))
    names = np.array([plain(n) for n in names], dtype=object)
    side, above = axes[0]
    good = states == "ok"
    side.plot(column[good], depth[good], "o", ms=3, color=LIGHT, label="used")
    for state in sorted(set(states) - {"ok"}):
        bad = states == state
        side.plot(
            column[bad], depth[bad], _MARKERS.get(state, "D"), ms=6, color=WARM, mec="black", label=state
        )
        for i in np.flatnonzero(bad)[:_MOST_NAMED]:
            side.annotate(
                names[i], (column[i], depth[i]), xytext=(4, 2), textcoords="offset points", fontsize=6
            )
    name_some(side, list(lines), 12, fontsize=7)
    side.set_xlabel("line")
    depth_axis(side)
    side.legend(loc="upper center", bbox_to_anchor=(0.5, -0.1), ncols=3, fontsize=7)
    first = [int(np.argmax(line == name)) for name in lines]
    above.plot(x[first], y[first], "o", color=DARK)
    for name, at in zip(lines, first, strict=True):
        above.annotate(plain(name), (x[at], y[at]), xytext=(4, 4), textcoords="offset points", fontsize=7)
    above.margins(0.15)
    above.set(xlabel="x (m)", ylabel="y (m)", aspect="equal")
    return titled(figure, result, "the array and what was left out")


def nuisances(result: Result) -> Figure:
    """Efficiencies and clock offsets of the modules, brightnesses of the runs."""
    figure, axes = subplots(8.0, 7.0, 3, 1)
    for ax, name, label in zip(
        axes.flat,
        ("efficiency", "time_offset", "brightness"),
        ("relative efficiency", "clock offset (ns)", "brightness"),
        strict=True,
    ):
        mean, sd = mean_and_sd(result, name)
        where = np.arange(mean.size)
        ax.errorbar(where, mean, sd, fmt=".", ms=3, lw=0.7, color=DARK)
        ax.set_ylabel(label)
        ax.set_xlim(-1, where.size)
        names = result.values("posterior", "run" if name == "brightness" else "module")
        name_some(ax, list(names), 12, fontsize=6)
    return titled(figure, result, "efficiencies, clock offsets and brightnesses, mean and standard deviation")
