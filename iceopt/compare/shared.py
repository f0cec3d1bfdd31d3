"""Modules that both seasons have: their efficiencies are the same but for a drift, which tells about the ice.

How bright a module looks depends on the ice around it, so within each posterior efficiencies and lengths go
together. If the posteriors of two seasons are to describe the same modules, pairs of draws that disagree on
the efficiencies by more than modules drift are unlikely. For Gaussian posteriors that is one linear update of
every pair of draws (Matheron's rule; Kalman, J. Basic Eng. 82, 35 (1960)). The modules are grouped by depth:
how the lengths go with few group means can be told from a finite number of draws, with hundreds of modules it
cannot.

Both posteriors hold the same prior of the efficiencies, which then counts twice. That matters only where it
is as narrow as what the counts tell.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_MOST_GROUPS = 20
_DRAWS_A_GROUP = 20
_NEGLIGIBLE = 1e-10
_DRIFTS = np.geomspace(1e-4, 1.0, 200)
"""Drifts that are tried; the least is none for all purposes."""


@dataclass(frozen=True)
class SharedModules:
    """Efficiencies of the modules that both results have."""

    log_ratio: Array
    """Shape (draw, module): ln(new / old) of the relative efficiencies; their mean over modules is 0."""
    depth_m: Array
    """Shape (module,)."""
    effective_draws: float


def shared_modules(
    old: tuple[Array, tuple[str, ...]],
    new: tuple[Array, tuple[str, ...]],
    depth_m: Array,
    effective_draws: float,
) -> SharedModules:
    """Line up two results' efficiencies.

    Parameters
    ----------
    old, new : (ndarray of shape (draw, module), names)
        Logs of the efficiencies.
    depth_m : ndarray
        Of the old result's modules.
    effective_draws : float
    """
    place = {name: i for i, name in enumerate(new[1])}
    both = [(i, place[name]) for i, name in enumerate(old[1]) if name in place]
    mine, its = np.array(both, dtype=np.intp).reshape(-1, 2).T
    ratio = new[0][:, its] - old[0][:, mine]
    return SharedModules(ratio - ratio.mean(axis=1, keepdims=True), depth_m[mine], effective_draws)


def drift(shared: SharedModules) -> float:
    """Estimate the standard deviation of ln efficiency's drift from one season to the other.

    Along the principal axes of the posteriors' spread the differences are independent, of variance eigenvalue
    plus drift^2; the drift of the largest likelihood is found on a grid. Too few draws make the small
    eigenvalues too small and so the drift too large, which holds the modules together less than could be.
    """
    spread = np.cov(shared.log_ratio, rowvar=False)
    variance, axes = np.linalg.eigh(spread)
    # The axis along which all modules move together is fixed at 0 and tells nothing.
    seen = (axes.T @ shared.log_ratio.mean(axis=0))[1:] ** 2
    total = np.maximum(variance[1:], 0.0) + _DRIFTS[:, None] ** 2
    misfit = np.sum(np.log(total) + seen / total, axis=1)
    return float(_DRIFTS[misfit.argmin()])


def depth_groups(depth_m: Array, effective_draws: float) -> Array:
    """Weights of group means, shape (group, module): modules in groups of like size, by depth.

    There is one group for `_DRAWS_A_GROUP` effective draws, and `_MOST_GROUPS` at most; none if too few.
    """
    groups = int(min(_MOST_GROUPS, effective_draws / _DRAWS_A_GROUP, depth_m.size / 2))
    weights = np.zeros((max(groups, 0), depth_m.size))
    for row, members in zip(
        weights, np.array_split(np.argsort(depth_m, kind="stable"), max(groups, 1)), strict=False
    ):
        row[members] = 1 / members.size
    return weights


def with_same_modules(change: Array, shared: SharedModules, rng: np.random.Generator) -> Array:
    """Update draws of a change by the knowledge that the modules are the same.

    The spread is enlarged by what a regression on that many groups (k) from that many draws (n) hides and
    adds: within the draws it leaves 1 - k/n of the variance, for others it makes 1 + k/n.

    Parameters
    ----------
    change : ndarray, shape (draw, quantity)
        Paired with `shared.log_ratio`.
    shared : SharedModules
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (draw, quantity)
    """
    groups = depth_groups(shared.depth_m, shared.effective_draws)
    if len(groups) < 2:
        return change
    seen = shared.log_ratio @ groups.T
    drifted = drift(shared) * rng.standard_normal(shared.log_ratio.shape)
    misfit = seen - (drifted - drifted.mean(axis=1, keepdims=True)) @ groups.T
    centred = misfit - misfit.mean(axis=0)
    inverse = np.linalg.pinv(centred.T @ centred, rcond=_NEGLIGIBLE, hermitian=True)
    gain = inverse @ (centred.T @ (change - change.mean(axis=0)))
    updated = change - misfit @ gain
    lost = (len(groups) - 1) / shared.effective_draws
    middle = updated.mean(axis=0)
    return middle + (updated - middle) * np.sqrt((1 + lost) / (1 - lost))
