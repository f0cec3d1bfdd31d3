"""All figures by name, and how they are saved."""

import os
from collections.abc import Callable
from pathlib import Path

from matplotlib.figure import Figure

from iceopt.figures.array import array_map, nuisances
from iceopt.figures.chains import traces
from iceopt.figures.checks import pulls, time_profiles
from iceopt.figures.profiles import depth_profiles
from iceopt.figures.style import look
from iceopt.result.read import Result

FIGURES: dict[str, Callable[[Result], Figure]] = {
    "depth_profiles": depth_profiles,
    "pulls": pulls,
    "time_profiles": time_profiles,
    "traces": traces,
    "nuisances": nuisances,
    "array_map": array_map,
}


def draw(name: str, result: Result) -> Figure:
    """Draw one figure in the common look."""
    with look():
        return FIGURES[name](result)


def save(figure: Figure, stem: Path) -> list[Path]:
    """Write a figure as PDF and PNG, each under a temporary name first; returns the paths."""
    paths = []
    with look():
        for kind in ("pdf", "png"):
            path = stem.with_suffix(f".{kind}")
            temporary = path.with_name(path.name + ".part")
            figure.savefig(temporary, format=kind)
            os.replace(temporary, path)
            paths.append(path)
    return paths
