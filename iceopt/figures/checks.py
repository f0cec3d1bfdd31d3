"""Whether the fit describes the counts: pulls and time profiles."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.figures.style import DARK, LIGHT, WARM, subplots, titled
from iceopt.result.read import Result

Array = NDArray[np.float64]

_CHOSEN = 9


def _charges(result: Result) -> tuple[Array, Array]:
    """Counts and expected counts of each pair in its used bins."""
    used = result.values("observed_data", "used") > 0
    seen = np.sum(result.values("observed_data", "counts") * used, axis=1)
    return seen, np.sum(result.values("posterior_predictive", "counts_mean") * used, axis=1)


def charge_pulls(result: Result) -> Array:
    """(seen - expected) over the standard deviation of counts and model error, per pair."""
    seen, expected = _charges(result)
    error = result.values("posterior_predictive", "charge_error")
    return (seen - expected) / np.sqrt(expected + (error * expected) ** 2)


def pulls(result: Result) -> Figure:
    """Pulls of the pairs' charges by distance, by depth and in a histogram; of the bins by time."""
    figure, axes = subplots(8.0, 6.0, 2, 2)
    pull = charge_pulls(result)
    distance = result.values("constant_data", "distance")
    depth = result.values("constant_data", "depth")[result.values("constant_data", "pair_module")]
    _running(axes[0, 0], distance, pull, "distance (m)")
    _running(axes[0, 1], depth, pull, "depth of the receiver (m)")
    grid = np.linspace(-5, 5, 51)
    axes[1, 0].hist(np.clip(pull, -5, 5), grid, density=True, color=LIGHT, label="pairs")
    axes[1, 0].plot(grid, np.exp(-0.5 * grid**2) / np.sqrt(2 * np.pi), color=DARK, lw=1, label="normal")
    axes[1, 0].set(xlabel="pull of the charge", ylabel="density")
    axes[1, 0].legend(fontsize=8)
    _ratio_by_time(axes[1, 1], result)
    return titled(figure, result, "pulls of charges, light-model error included")


def _running(ax: Axes, x: Array, pull: Array, label: str) -> None:
    """Every pair as a dot, and median with 68 % range in bins of equal numbers."""
    ax.plot(x, np.clip(pull, -6, 6), ".", ms=1.5, color=LIGHT, rasterized=True)
    parts = np.array_split(np.argsort(x), min(15, max(len(x) // 20, 1)))
    centre = [np.median(x[p]) for p in parts]
    low, middle, high = np.array([np.quantile(pull[p], [0.16, 0.5, 0.84]) for p in parts]).T
    ax.errorbar(centre, middle, [middle - low, high - middle], fmt="o", ms=3, lw=1, color=DARK)
    ax.axhline(0, color="black", lw=0.6)
    ax.set(xlabel=label, ylabel="pull", ylim=(-6, 6))


def _ratio_by_time(ax: Axes, result: Result) -> None:
    """Seen over expected, summed over all pairs, against time after the flash."""
    used = result.values("observed_data", "used") > 0
    seen = np.sum(result.values("observed_data", "counts") * used, axis=0)
    expected = np.sum(result.values("posterior_predictive", "counts_mean") * used, axis=0)
    time = 0.5 * (result.values("constant_data", "bin_start") + result.values("constant_data", "bin_stop"))
    some = expected > 0
    ax.plot(time[some], seen[some] / expected[some], drawstyle="steps-mid", color=DARK, lw=1)
    ax.axhline(1, color="black", lw=0.6)
    ax.set(xlabel="time after the flash (ns)", ylabel="seen / expected, all pairs")


def time_profiles(result: Result) -> Figure:
    """Counts seen and expected against time for pairs spread evenly over distance."""
    figure, axes = subplots(9.0, 7.0, 3, 3, sharex=True)
    start, stop = (result.values("constant_data", n) for n in ("bin_start", "bin_stop"))
    time = 0.5 * (start + stop)
    distance = result.values("constant_data", "distance")
    order = np.argsort(distance)
    places = np.linspace(0.02, 0.98, _CHOSEN) * (order.size - 1)
    modules, runs = (result.values("constant_data", n) for n in ("site_module", "campaign_run"))
    for ax, pair in zip(axes.flat, order[places.astype(int)], strict=True):
        seen = result.values("observed_data", "counts", int(pair))
        used = result.values("observed_data", "used", int(pair)) > 0
        mean, sd = (result.values("posterior_predictive", f"counts_{n}", int(pair)) for n in ("mean", "sd"))
        shown = time > 0
        ax.step(time[shown], seen[shown], where="mid", color=LIGHT, lw=1.2, label="seen")
        ax.plot(time[used], seen[used], ".", ms=2.5, color=DARK, label="seen, fitted")
        ax.plot(time[shown], mean[shown], color=WARM, lw=1, ls="--", label="expected")
        ax.fill_between(
            time[shown],
            (mean - 2 * sd)[shown],
            (mean + 2 * sd)[shown],
            color=WARM,
            alpha=0.3,
            lw=0,
            label="95 %",
        )
        run = runs[result.values("constant_data", "pair_run", int(pair))]
        module = modules[result.values("constant_data", "pair_module", int(pair))]
        ax.set_title(f"{run} at {module}, {distance[pair]:.0f} m", fontsize=8)
        ax.set_xlim(0, stop[-1])
    axes[0, 0].legend(fontsize=7)
    for ax in axes[-1]:
        ax.set_xlabel("time after the flash (ns)")
    for ax in axes[:, 0]:
        ax.set_ylabel("photoelectrons a bin")
    return titled(figure, result, "time profiles")
