"""Whether the fit describes the counts: pulls and time profiles."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from iceopt.errors import InputError
from iceopt.figures.style import DARK, GREY, LIGHT, WARM, plain, subplots, titled
from iceopt.result.deviance import charge_pulls, charges, profile_error
from iceopt.result.read import Result

Array = NDArray[np.float64]

_CHOSEN = 9
_LEAST_EXPECTED = 5.0
"""Bins with fewer expected counts are too far from normal for a pull."""


def _times(result: Result) -> Array:
    return 0.5 * (result.values("constant_data", "bin_start") + result.values("constant_data", "bin_stop"))


def pulls(result: Result) -> Figure:
    """Pulls of the pairs' charges by distance, by depth and in a histogram; of the bins by time."""
    figure, axes = subplots(8.0, 6.0, 2, 2)
    pull = charge_pulls(result)
    depth = result.values("constant_data", "depth")[result.values("constant_data", "pair_module")]
    _running(axes[0, 0], result.values("constant_data", "distance"), pull, dots=True)
    axes[0, 0].set(xlabel="distance (m)", ylabel="pull of a pair's charge")
    _running(axes[0, 1], depth, pull, dots=True)
    axes[0, 1].set(xlabel="depth of the receiver (m)", ylabel="pull of a pair's charge")
    _running(axes[1, 0], *_bin_pulls(result), dots=False)
    axes[1, 0].set(xlabel="time after the flash (ns)", ylabel="pull of a bin's share of the charge")
    grid = np.linspace(-5, 5, 51)
    axes[1, 1].hist(np.clip(pull, -5, 5), grid, density=True, color=LIGHT, label="pairs' charges")
    axes[1, 1].plot(grid, np.exp(-0.5 * grid**2) / np.sqrt(2 * np.pi), color=DARK, lw=1, label="normal")
    axes[1, 1].set(xlabel="pull of a pair's charge", ylabel="density")
    axes[1, 1].legend(fontsize=8)
    return titled(
        figure, result, "pulls, light-model error included; bars: median, 68 % (thick) and 95 % of the pulls"
    )


def _bin_pulls(result: Result) -> tuple[Array, Array]:
    """Times and pulls of the used bins, each pair's expectation scaled to its counts."""
    used = result.values("observed_data", "used") > 0
    seen, expected = charges(result)
    scale = np.divide(seen, expected, out=np.ones_like(expected), where=expected > 0)
    mean = result.values("posterior_predictive", "counts_mean") * scale[:, None]
    some = used & (mean > _LEAST_EXPECTED)
    counting = result.values("constant_data", "dispersion")[:, None] * mean
    sd = np.sqrt(counting[some] + (profile_error(result) * mean[some]) ** 2)
    pull = (result.values("observed_data", "counts")[some] - mean[some]) / sd
    return np.broadcast_to(_times(result), some.shape)[some], pull


def _running(ax: Axes, x: Array, pull: Array, dots: bool) -> None:
    """Median with 68 and 95 % ranges of the pulls in bins of equal numbers; every pull as a dot."""
    if dots:
        ax.plot(x, np.clip(pull, -6, 6), ".", ms=1.5, color=LIGHT, rasterized=True)
    ax.axhspan(-1, 1, color=GREY, alpha=0.15, lw=0)
    ax.axhline(0, color="black", lw=0.6)
    ax.set_ylim(-6, 6)
    parts = [p for p in np.array_split(np.argsort(x, kind="stable"), min(15, max(x.size // 20, 1))) if p.size]
    if not parts:
        return
    centre = [np.median(x[p]) for p in parts]
    at = [0.025, 0.16, 0.5, 0.84, 0.975]
    low95, low, middle, high, high95 = np.array([np.quantile(pull[p], at) for p in parts]).T
    ax.vlines(centre, low95, high95, color=DARK, lw=0.8)
    ax.vlines(centre, low, high, color=DARK, lw=2.2)
    ax.plot(centre, middle, "o", ms=4, color="white", mec=DARK)


def time_profiles(result: Result, pairs: Sequence[tuple[str, str]] = ()) -> Figure:
    """Counts seen and expected against time.

    Parameters
    ----------
    result : Result
    pairs : sequence of (run, module), optional
        Which pairs; by default some spread evenly over distance.

    Raises
    ------
    InputError
        If a pair is not in the fit.
    """
    chosen = _named_pairs(result, pairs) if pairs else _spread_pairs(result)
    columns = min(3, len(chosen))
    rows = -(-len(chosen) // columns)
    figure, axes = subplots(3.0 * columns + 0.5, 2.2 * rows + 0.8, rows, columns, sharex=True)
    for ax, pair in zip(axes.flat, chosen, strict=False):
        _time_profile(ax, result, pair)
    for ax in axes.flat[len(chosen) :]:
        ax.set_axis_off()
    for ax in axes[-1]:
        ax.set_xlabel("time after the flash (ns)")
    for ax in axes[:, 0]:
        ax.set_ylabel("photoelectrons a bin")
    figure.legend(*axes[0, 0].get_legend_handles_labels(), loc="outside lower center", ncols=5, fontsize=8)
    return titled(figure, result, "time profiles")


def _spread_pairs(result: Result) -> list[int]:
    order = np.argsort(result.values("constant_data", "distance"))
    places = np.linspace(0.02, 0.98, min(_CHOSEN, order.size)) * (order.size - 1)
    return [int(i) for i in order[places.astype(int)]]


def names_of_pairs(result: Result) -> list[tuple[str, str]]:
    """Run and module of each pair."""
    runs, modules = (result.values("constant_data", n) for n in ("campaign_run", "site_module"))
    of_runs, of_modules = (result.values("constant_data", f"pair_{n}") for n in ("run", "module"))
    return list(zip(runs[of_runs], modules[of_modules], strict=True))


def _named_pairs(result: Result, pairs: Sequence[tuple[str, str]]) -> list[int]:
    index = {names: i for i, names in enumerate(names_of_pairs(result))}
    for run, module in pairs:
        if (run, module) not in index:
            raise InputError(
                f"run {run!r} at module {module!r} is not among the pairs that entered {result.path}"
            )
    return [index[pair] for pair in pairs]


def _time_profile(ax: Axes, result: Result, pair: int) -> None:
    time = _times(result)
    seen = result.values("observed_data", "counts", pair)
    used = result.values("observed_data", "used", pair) > 0
    mean, sd = (result.values("posterior_predictive", f"counts_{n}", pair) for n in ("mean", "sd"))
    model = np.hypot(result.values("posterior_predictive", "charge_error", pair), profile_error(result))
    shown = time > 0
    counting = result.values("constant_data", "dispersion", pair) * mean
    total = np.sqrt(counting + sd**2 + (model * mean) ** 2)
    for spread, alpha, label in (
        (total, 0.15, "95 %, light model's error and counting included"),
        (sd, 0.45, "95 %, fit alone"),
    ):
        low, high = np.maximum(mean - 2 * spread, 0), mean + 2 * spread
        ax.fill_between(time[shown], low[shown], high[shown], color=WARM, alpha=alpha, lw=0, label=label)
    ax.plot(time[shown], mean[shown], color=WARM, lw=1, ls="--", label="expected")
    ax.step(time[shown], seen[shown], where="mid", color=LIGHT, lw=1.0, label="seen")
    ax.plot(time[used], seen[used], ".", ms=2.5, color=DARK, label="seen, fitted")
    run = result.values("constant_data", "campaign_run")[result.values("constant_data", "pair_run", pair)]
    module = result.values("constant_data", "site_module")[
        result.values("constant_data", "pair_module", pair)
    ]
    distance = result.values("constant_data", "distance", pair)
    ax.set_title(plain(f"{run} at {module}, {distance:.0f} m"), fontsize=8)
    ax.set_xlim(0, result.values("constant_data", "bin_stop")[-1])
