"""Draw docs/figures/change.png: a synthetic pair of seasons with two bands that changed.

    python docs/make_compare_figure.py

The ice is invented, and so are the posteriors: Gaussian, of 5 % a layer, in which neighbouring layers go
against one another. Scattering length falls by a fifth from 1540 to 1570 m, absorption length from 1630 to
1660 m.
"""

from pathlib import Path

import numpy as np

from iceopt.compare.comparison import compare
from iceopt.compare.profile import Profile
from iceopt.figures.changes import change_profile
from iceopt.figures.style import look

EDGES_M = np.linspace(1400.0, 1700.0, 31)
FIGURE = Path(__file__).parent / "figures/change.png"


def season(truth: np.ndarray, year: int, rng: np.random.Generator) -> Profile:
    """Posterior of a true ln(1/length), shape (kind, layer)."""
    layers = truth.shape[1]
    apart = abs(np.subtract.outer(np.arange(layers), np.arange(layers)))
    root = 0.05 * np.linalg.cholesky(np.kron([[1.0, 0.4], [0.4, 1.0]], (-0.5) ** apart + 0.2))
    middle = truth.ravel() + root @ rng.standard_normal(2 * layers)
    draws = middle + rng.standard_normal((4, 1000, 2 * layers)) @ root.T
    return Profile(
        name=f"skarv_{year}.h5",
        season=f"Skarv Dome {year}",
        edges_m=EDGES_M,
        log_coefficient=draws.reshape(4, 1000, 2, layers).transpose(2, 0, 1, 3),
        effective_draws=4000.0,
        doubt="",
        verdict="synthetic",
    )


rng = np.random.default_rng(2)
wave = 0.3 * np.sin(np.arange(30) / 4.0)
before = np.array([wave - np.log(22.0), wave - np.log(100.0)])
after = before.copy()
after[0, 14:17] += np.log(1.25)
after[1, 23:26] += np.log(1.25)
with look():
    figure = change_profile(compare(season(before, 2040, rng), season(after, 2041, rng), 0.05, 1))
    figure.savefig(FIGURE, dpi=110)
