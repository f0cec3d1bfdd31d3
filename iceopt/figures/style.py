"""One look for all figures: colour-blind safe, readable in grey, a verdict where numbers are."""

import textwrap
from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.result.read import Result

DARK, LIGHT, WARM, GREY = "#0b3c6f", "#7fb2d9", "#d55e00", "#8a8a8a"
"""Dark and light blue and vermilion differ in lightness, so they differ in grey as well."""

_LOOK: Any = {
    "savefig.dpi": 200,
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.alpha": 0.3,
    "grid.linewidth": 0.5,
    "legend.frameon": False,
    "pdf.fonttype": 42,
}


def look() -> AbstractContextManager[None]:
    """Context in which figures are drawn and saved."""
    return mpl.rc_context(_LOOK)


def subplots(
    width: float, height: float, rows: int, columns: int, **shared: Any
) -> tuple[Figure, NDArray[Any]]:
    """Figure of inches by inches with a grid of axes, shape (rows, columns); no window is opened."""
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, np.asarray(figure.subplots(rows, columns, squeeze=False, **shared))


def titled(figure: Figure, result: Result, what: str) -> Figure:
    """Give a figure its title, and a warning in it if its numbers are not final."""
    title = f"{result.attribute('site')} {result.attribute('season')}: {what}"
    if not result.final:
        width = int(13.5 * figure.get_figwidth())
        verdict = textwrap.fill(result.verdict, width, max_lines=5, placeholder=" ...")
        title += "\n" + verdict
    figure.suptitle(plain(title), fontsize=9, color="black" if result.final else WARM)
    return figure


def name_some(ax: Axes, names: Sequence[str], most: int, **font: Any) -> None:
    """Label some of many names along x, evenly."""
    every = max(1, -(-len(names) // most))
    ax.set_xticks(range(0, len(names), every), [plain(n) for n in names[::every]], **font)


def plain(text: str) -> str:
    """Text from a file so that it is drawn as it stands, not as a formula."""
    return text.replace("$", r"\$")


def depth_axis(axes: Axes) -> None:
    """Depth downwards."""
    axes.set_ylabel("depth below the surface (m)")
    if not axes.yaxis_inverted():
        axes.invert_yaxis()
