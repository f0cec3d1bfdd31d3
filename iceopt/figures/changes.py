"""Seasons over each other, and the change from one to another with the bands that stand out."""

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.compare.comparison import Comparison
from iceopt.compare.profile import Profile
from iceopt.compare.verdict import sentence
from iceopt.figures.style import DARK, GREY, LIGHT, WARM, depth_axis, plain, subplots

Array = NDArray[np.float64]

_LABELS = ("effective scattering length (m)", "absorption length (m)")
_CHANGES = ("change of effective scattering length (%)", "change of absorption length (%)")
_COLOURS = (DARK, WARM, "#4d4d4d", LIGHT)
_LINES = ("-", "--", ":", "-.")


def profiles_together(comparisons: Sequence[Comparison]) -> Figure:
    """Depth profiles of all seasons over each other, each on its own layers: median and 68 %."""
    seasons = [comparisons[0].old, *(c.new for c in comparisons)]
    figure, axes = subplots(7.0, 6.0, 1, 2, sharey=True)
    for kind, ax in enumerate(axes.flat):
        for i, season in enumerate(seasons):
            _season(ax, season, kind, i)
        ax.set_xlabel(_LABELS[kind])
        ax.set_xlim(left=0)
    depth_axis(axes[0, 0])
    _legend(figure, axes[0, 0])
    doubts = [f"{s.name}: {s.doubt}" for s in seasons if s.doubt]
    title = "seasons over each other: median and 68 %"
    if doubts:
        title += "\n" + textwrap.fill(f"NOT final ({'; '.join(doubts)})", 95)
    figure.suptitle(plain(title), fontsize=9, color=WARM if doubts else "black")
    return figure


def change_profile(comparison: Comparison) -> Figure:
    """Change of both lengths against depth with 68 and 95 %; layers and bands that are named are marked."""
    figure, axes = subplots(7.0, 6.0, 1, 2, sharey=True)
    for kind, ax in enumerate(axes.flat):
        _change(ax, comparison, kind)
        ax.set_xlabel(_CHANGES[kind])
    axes[0, 0].set_ylim(comparison.cells_m[-1], comparison.cells_m[0])
    depth_axis(axes[0, 0])
    _legend(figure, *axes.flat)
    final = not (comparison.old.doubt or comparison.new.doubt)
    words = textwrap.fill(sentence(comparison), 95, max_lines=5, placeholder=" ...")
    figure.suptitle(plain(words), fontsize=9, color="black" if final else WARM)
    return figure


def _season(ax: Axes, season: Profile, kind: int, place: int) -> None:
    draws = -season.log_coefficient[kind].reshape(-1, season.edges_m.size - 1)
    low, middle, high = np.exp(np.quantile(draws, [0.16, 0.5, 0.84], axis=0))
    depth = np.repeat(season.edges_m, 2)[1:-1]
    colour, line = _COLOURS[place % len(_COLOURS)], _LINES[place % len(_LINES)]
    ax.fill_betweenx(depth, np.repeat(low, 2), np.repeat(high, 2), color=colour, alpha=0.25, lw=0)
    label = plain(f"{season.season} ({season.name})")
    ax.plot(np.repeat(middle, 2), depth, color=colour, ls=line, lw=1.2, label=label)


def _change(ax: Axes, comparison: Comparison, kind: int) -> None:
    edges = comparison.cells_m
    depth = np.repeat(edges, 2)[1:-1]
    percent = 100 * (
        np.exp(np.quantile(comparison.change[:, kind], (0.025, 0.16, 0.5, 0.84, 0.975), axis=0)) - 1
    )
    low95, low68, middle, high68, high95 = (np.repeat(q, 2) for q in percent)
    ax.fill_betweenx(depth, low95, high95, color=LIGHT, alpha=0.5, lw=0, label="95 %")
    ax.fill_betweenx(depth, low68, high68, color=LIGHT, lw=0, label="68 %")
    ax.plot(middle, depth, color=DARK, lw=1.2, label="median")
    ax.axvline(0, color="black", lw=0.6)
    for band in comparison.bands:
        if band.kind == kind:
            top, bottom = edges[band.first], edges[band.last + 1]
            ax.axhspan(top, bottom, facecolor=WARM, alpha=0.25, lw=0, zorder=0, label="band that changed")
    named = np.flatnonzero(comparison.changed[kind])
    if named.size:
        centres = 0.5 * (edges[1:] + edges[:-1])
        label = f"layer named, rate {comparison.rate:g}"
        ax.plot(percent[2, named], centres[named], "D", ms=4, color=WARM, mec="black", mew=0.5, label=label)
    if not comparison.changed[kind].any() and not any(b.kind == kind for b in comparison.bands):
        ax.text(0.5, 0.01, "no change found", transform=ax.transAxes, ha="center", fontsize=8, color=GREY)


def _legend(figure: Figure, *axes: Axes) -> None:
    """One legend for all axes, each label once."""
    found: dict[str, Artist] = {}
    for ax in axes:
        handles, labels = ax.get_legend_handles_labels()
        found |= dict(zip(labels, handles, strict=True))
    figure.legend(
        found.values(), found.keys(), loc="outside lower center", ncols=min(len(found), 3), fontsize=8
    )
