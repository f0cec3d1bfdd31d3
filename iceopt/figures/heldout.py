"""How well flashes that were left out are predicted."""

import numpy as np
import scipy.stats
from matplotlib.figure import Figure

from iceopt.figures.style import DARK, GREY, LIGHT, WARM, name_some, plain, subplots
from iceopt.fit.crossvalidation import Fold


def held_out(folds: list[Fold], title: str) -> Figure:
    """Pulls of the left-out runs: all in a histogram, and the root mean square of each run."""
    figure, axes = subplots(8.0, 3.4, 1, 2)
    runs = [run for fold in folds for run in fold.runs]
    pulls = np.concatenate([run.pulls for run in runs])
    grid = np.linspace(-5.0, 5.0, 41)
    axes[0, 0].hist(np.clip(pulls, -5, 5), grid, density=True, color=LIGHT, label="left-out pairs")
    axes[0, 0].plot(grid, scipy.stats.norm.pdf(grid), color=DARK, lw=1, label="normal")
    axes[0, 0].set(xlabel="pull of a pair's charge, correlations taken out", ylabel="density")
    axes[0, 0].legend(fontsize=8)
    ax, place = axes[0, 1], np.arange(len(runs))
    size = np.array([run.pulls.size for run in runs])
    low, high = (np.sqrt(scipy.stats.chi2.ppf(q, size) / size) for q in (0.025, 0.975))
    ax.vlines(place, low, high, color=GREY, lw=2, alpha=0.6, label="95 % of right fits")
    rms = np.array([np.sqrt(np.mean(run.pulls**2)) for run in runs])
    ax.plot(place, rms, "o", ms=4, color=WARM, mec="black", label="root mean square of the pulls")
    ax.set(xlabel="run", ylim=(0.0, 1.35 * max(rms.max(), high.max())))
    name_some(ax, [run.run for run in runs], 10, fontsize=6)
    ax.legend(fontsize=7)
    figure.suptitle(plain(title), fontsize=9)
    return figure
