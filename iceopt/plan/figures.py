"""Figures of a plan."""

from collections.abc import Callable

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.figures.style import DARK, GREY, LIGHT, WARM, depth_axis, name_some, plain, subplots
from iceopt.plan.plan import Plan
from iceopt.plan.words import sources

Array = NDArray[np.float64]

_LENGTHS = ("effective scattering length", "absorption length")
_CONTOURS = (1, 2, 5, 10, 20, 50, 100)


def precision_against_budget(plan: Plan) -> Figure:
    """Precision of the layers that matter as detector time is spent, and of other choices."""
    figure, axes = subplots(6.0, 4.0, 1, 1)
    ax = axes[0, 0]
    choice, comparison = plan.choice, plan.comparison
    name = "worst layer" if plan.scenario.criterion.worst else "geometric mean of the layers"
    ax.step(choice.hours[1:], _percent(choice.value[1:]), where="post", color=DARK, label="chosen")
    if comparison is not None:
        at = choice.hours[comparison.flashes]
        ax.plot(at, _percent(comparison.evenly), "s--", ms=4, color=WARM, label="evenly spaced")
        low, middle, high = np.quantile(_percent(comparison.random), [0, 0.5, 1], axis=1)
        ax.fill_between(at, low, high, color=GREY, alpha=0.3, lw=0)
        ax.plot(at, middle, ":", color="black", label=f"at random, {comparison.random.shape[1]} draws")
    ax.set(
        xlabel="detector time (h)",
        ylabel=f"standard deviation (%), {name}",
        yscale="log",
        title="Precision against budget",
    )
    ax.legend()
    return figure


def layers_against_depth(plan: Plan) -> Figure:
    """Expected lengths with the intervals that the flashes would leave, and the relative precision."""
    figure, axes = subplots(8.0, 6.0, 2, 2, sharey=True)
    ice, edges = plan.scenario.site.ice, plan.scenario.site.ice.edges_m
    lengths = (ice.scattering_length_m, ice.absorption_length_m)
    for column, (name, length) in enumerate(zip(_LENGTHS, lengths, strict=True)):
        sd = plan.forecast.sd[column]
        top, bottom = axes[0, column], axes[1, column]
        top.stairs(length * np.exp(2 * sd), edges, baseline=length * np.exp(-2 * sd), fill=True,
                   orientation="horizontal", color=LIGHT, label="95 %")  # fmt: skip
        top.stairs(length, edges, orientation="horizontal", baseline=None, color=DARK, label="expected")
        top.set_xlabel(f"{name} (m)")
        bottom.stairs(
            100 * sd, edges, orientation="horizontal", baseline=None, color=DARK, label="with the flashes"
        )
        bottom.stairs(
            100 * plan.prior_sd[column], edges, orientation="horizontal", baseline=None, color=GREY, ls="--",
            label="prior alone",
        )  # fmt: skip
        bottom.set(xlabel=f"standard deviation of the {name} (%)", xscale="log")
    depth = plan.scenario.site.modules.position_m[
        plan.scenario.candidates.flashes.emitter[plan.choice.which], 2
    ]
    axes[0, 0].plot(
        np.zeros(depth.size), depth, ">", ms=4, color=WARM, transform=axes[0, 0].get_yaxis_transform(),
        clip_on=False, label="flash",
    )  # fmt: skip
    for row in axes:
        depth_axis(row[0])
        row[0].legend(fontsize=7)
    figure.suptitle("Forecast of the layers")
    return figure


def flashes_and_layers(plan: Plan) -> Figure:
    """Which flash tells of which layer: its share of the information, nuisances held."""
    count = plan.choice.which.size
    figure, axes = subplots(9.0, 5.0, 1, 2, sharey=True)
    flashes, modules = plan.scenario.candidates.flashes, plan.scenario.site.modules
    emitter = flashes.emitter[plan.choice.which]
    order = np.argsort(modules.position_m[emitter, 2], kind="stable")
    names = sources(plan)
    edges = plan.scenario.site.ice.edges_m
    for ax, name, share in zip(axes[0], _LENGTHS, plan.share, strict=True):
        mesh = ax.pcolormesh(np.arange(count + 1) - 0.5, edges, 100 * share[order].T, cmap="cividis", vmin=0)
        ax.plot(np.arange(count), modules.position_m[emitter[order], 2], "w.", ms=3)
        name_some(ax, [names[i] for i in order], 25, rotation=90, fontsize=6)
        ax.set(title=name, xlabel="flash (white: depth of its emitter)")
        ax.grid(visible=False)
        figure.colorbar(mesh, ax=ax, label="share of the information (%)")
    depth_axis(axes[0, 0])
    return figure


def detection_power(plan: Plan) -> Figure:
    """Smallest change of a band that a comparison would find, over depth and thickness."""
    figure, axes = subplots(9.0, 5.0, 1, 2, sharey=True)
    found, scenario = plan.detection, plan.scenario
    for ax, name, change in zip(axes[0], _LENGTHS, found.change, strict=True):
        percent = 100 * np.expm1(np.minimum(change, np.log(100.0)))
        mesh = ax.pcolormesh(
            found.thickness_m, found.centre_m, percent, norm="log", cmap="viridis_r", shading="gouraud"
        )
        lines = ax.contour(
            found.thickness_m, found.centre_m, percent, levels=_CONTOURS, colors="black", linewidths=0.7
        )
        ax.clabel(lines, fmt="%g %%", fontsize=7)
        ax.set(title=name, xlabel="thickness of the band (m)", xscale="log")
        figure.colorbar(mesh, ax=ax, label="smallest change found (%)")
    depth_axis(axes[0, 0])
    axes[0, 0].set_ylabel("depth of the band's middle (m)")
    against = "an earlier season like this one" if scenario.earlier is None else plain(scenario.earlier.name)
    figure.suptitle(
        f"Changes found with {100 * scenario.power:g} % chance at an error rate of "
        f"{100 * scenario.error_rate:g} % a band, against {against}",
        fontsize=9,
    )
    return figure


FIGURES: dict[str, tuple[Callable[[Plan], Figure], str]] = {
    "precision_against_budget": (
        precision_against_budget,
        "What an hour of detector time buys, and what other choices of as many flashes would.",
    ),
    "layers_against_depth": (
        layers_against_depth,
        "Expected ice with the intervals that a fit would state. Where the prior alone is as narrow, the "
        "flashes tell nothing.",
    ),
    "flashes_and_layers": (
        flashes_and_layers,
        "Which flash sees which layer: its share of the information on the layer, nuisances held.",
    ),
    "detection_power": (
        detection_power,
        "Smallest change of one length over a band that is looked at by itself, the rest of the ice as it "
        "was. Look at many bands and the error rate holds for each, not for all.",
    ),
}
"""Figures by name: how they are drawn and what they are for."""


def _percent(criterion: Array) -> Array:
    """Standard deviation in percent from a criterion, an ln variance."""
    return np.asarray(100 * np.exp(0.5 * criterion))
