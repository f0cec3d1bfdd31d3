"""All figures by name, and how they are saved."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from iceopt.figures.array import array_map, nuisances
from iceopt.figures.chains import convergence, traces
from iceopt.figures.checks import pulls, time_profiles
from iceopt.figures.deviance import deviance
from iceopt.figures.profiles import depth_profiles
from iceopt.figures.relations import corner, correlations, dust
from iceopt.figures.style import look
from iceopt.result.read import Result

FIGURES: dict[str, Callable[..., Figure]] = {
    "depth_profiles": depth_profiles,
    "pulls": pulls,
    "deviance": deviance,
    "time_profiles": time_profiles,
    "array_map": array_map,
    "nuisances": nuisances,
    "dust": dust,
    "correlations": correlations,
    "corner": corner,
    "convergence": convergence,
    "traces": traces,
}

OF_CAMPAIGN = ("pulls", "deviance", "time_profiles", "array_map", "nuisances")
"""Figures of what belongs to one campaign: drawn once for each of several."""


def views(name: str, result: Result) -> list[tuple[str, Result]]:
    """What a figure is to be drawn of, each with the name of its picture: `NAME`, or `NAME_1`, `NAME_2`."""
    campaigns = result.campaigns() if name in OF_CAMPAIGN else [result]
    if len(campaigns) == 1:
        return [(name, result)]
    return [(f"{name}_{number}", view) for number, view in enumerate(campaigns, start=1)]


def draw(name: str, result: Result, **choice: Any) -> Figure:
    """Draw one figure in the common look; a choice (pairs, depths) goes to the figure's function."""
    with look():
        return FIGURES[name](result, **choice)


def save(figure: Figure, stem: Path) -> list[Path]:
    """Fix a figure's layout and write it as PDF and PNG, by way of temporary names; returns the paths."""
    paths = []
    with look():
        figure.draw_without_rendering()
        figure.set_layout_engine("none")  # found once, it serves both files
        for kind in ("pdf", "png"):
            path = stem.with_suffix(f".{kind}")
            temporary = path.with_name(path.name + ".part")
            figure.savefig(temporary, format=kind)
            os.replace(temporary, path)
            paths.append(path)
    return paths
