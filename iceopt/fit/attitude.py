"""The attitude of the ice from the counts: one Gauss-Newton step from where a fit is.

To first order the logs of the counts change linearly with slope and stretch, as they do with the layers. What
the counts say of them beyond what layers and nuisances can follow is one step in all of these together; from
level ice the step's worth is the score test of level ice (Rao, Proc. Camb. Philos. Soc. 44, 50 (1948); from
memory).
"""

from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.curvature import Metric, slopes_of
from iceopt.fit.posterior import Posterior
from iceopt.fit.problem import Part, Problem
from iceopt.ice.attitude import Attitude
from iceopt.ice.layers import Ice
from iceopt.light.model import LogSlopes, windows
from iceopt.light.moments.carried import TimeShapes
from iceopt.light.moments.laplace import CHEAPER_ORDER, RATES_PER_NS, LaplaceMoments
from iceopt.light.scene import scene_of

Array = NDArray[np.float64]

_PRIOR_SD = 0.05
"""Of each number: beds of deep ice slope by a few degrees, and light is nearly alike in all directions."""
_STEP = 1e-3
_FARTHEST = 0.03
"""Of one step: what is linear ends where layers have moved by themselves."""


@dataclass(frozen=True)
class AttitudeStep:
    """Where a step in attitude and layers leads."""

    change: Array
    """Of the four numbers of an `Attitude`, zero for those that are not free; shortened if need be."""
    covariance: Array
    """Of the free numbers, shape (4, 4); zero for the others."""
    layers: Array
    """Shape (2 x layers,): what ln le and ln la of the layers change along with it."""
    worth: float
    """Twice the log density that the whole step promises; of order 4 by chance alone."""


def attitude_step(problem: Problem, posterior: Posterior, vector: Array) -> AttitudeStep:
    """Step from a vector near the maximum, at the problem's attitude, to the best attitude.

    Parameters
    ----------
    problem : Problem
    posterior : Posterior
        Of the problem, with its reference at the vector.
    vector : ndarray, shape (parameter,)

    Returns
    -------
    AttitudeStep
    """
    n, ice, errors = 2 * posterior.layers, posterior.ice(vector), posterior.errors(vector)
    signals = posterior.signals(ice)
    found, by_signals, _ = posterior.marginal.evaluate_vjp(signals, errors)
    metric = Metric(posterior, found, errors, climbing=True)
    of_layers = slopes_of(posterior, vector)
    of_attitude = [
        attitude_slopes(part, problem.attitude, ice, signal)
        for part, signal in zip(problem.parts, signals, strict=True)
    ]
    by_windows = [
        windows(by_signal * signal, part.observations.first, part.observations.stop)
        for part, signal, by_signal in zip(problem.parts, signals, by_signals, strict=True)
    ]
    by_layers, by_attitude = (
        sum(slopes.pulled_back(by) for slopes, by in zip(of, by_windows, strict=True))
        for of in (of_layers, of_attitude)
    )
    by_layers = by_layers + posterior.log_prior(vector)[1][:n]
    by_attitude = by_attitude - problem.attitude.values / _PRIOR_SD**2
    weighted = metric.weigh(of_attitude)
    between = metric.product(weighted, of_attitude, of_layers)
    own = metric.product(weighted, of_attitude, of_attitude) + np.eye(4) / _PRIOR_SD**2
    root = scipy.linalg.cho_factor(metric.information(of_layers) + posterior.prior_precision(vector))
    follow = scipy.linalg.cho_solve(root, between.T)
    free = np.flatnonzero(problem.config.attitude.free)
    covariance = np.zeros((4, 4))
    left = (own - between @ follow)[np.ix_(free, free)]
    covariance[np.ix_(free, free)] = np.linalg.inv(left)
    change = covariance @ (by_attitude - follow.T @ by_layers)
    worth = float(change[free] @ left @ change[free])
    change *= min(1.0, _FARTHEST / max(np.abs(change).max(), _FARTHEST))
    return AttitudeStep(change, covariance, scipy.linalg.cho_solve(root, by_layers) - follow @ change, worth)


def attitude_slopes(part: Part, attitude: Attitude, ice: Ice, signal: Array) -> LogSlopes:
    """Derivatives of ln(counts) of a campaign's windows to the four numbers of the attitude.

    By central differences of Laplace moments of a low order, as changes of the ice are carried
    (`iceopt.light.moments.carried`).
    """
    seen = part.observations

    def moments(at: Attitude) -> Array:
        scene = scene_of(part.campaign, at).of_pairs(seen.pair)
        return LaplaceMoments(scene, CHEAPER_ORDER, RATES_PER_NS).expected(ice)

    here = moments(attitude)
    moves = np.zeros((*here.shape, 4))
    for i, step in enumerate(_STEP * np.eye(4)):
        ahead, behind = moments(attitude.moved(step)), moments(attitude.moved(-step))
        good = (ahead > 0.0) & (behind > 0.0)
        ratio = np.divide(ahead, behind, out=np.ones_like(here), where=good)
        moves[:, :, i] = np.log(ratio) / (2.0 * _STEP)
    shapes = TimeShapes(seen.scene, RATES_PER_NS, signal, here).in_windows(signal, seen.first, seen.stop)
    return LogSlopes(shapes, moves)
