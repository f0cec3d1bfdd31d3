"""How the log of the light bends as the layers move: coordinates in which the counts see it as straight.

With d the layers' coordinates, 0 at the maximum, and y the log of the counts in groups,
y = J d + q(d, d) / 2. A quadratic log likelihood of J d is wrong where layers are badly known, since q is not
small there. But most of q lies where a move of the layers could have put y: with M the curvature of the log
likelihood in y, nuisances marginalised, the move that comes nearest to q is

    G(d, d) = (J^T M J)^-1 J^T M q(d, d),

and with b = d + G(d, d) / 2 the likelihood is nearly quadratic in b: what is taken out is the nonlinearity
that lies in the parameters and not in the problem (Bates, Watts, J. R. Stat. Soc. B 42, 1 (1980)). q is found
from differences of J along the few directions in which the layers are known worst. Across all these only the
bend of each direction along itself is taken: small each, but together they shift all draws alike. Far from
the maximum b grows only linearly, as it might turn back otherwise. How M changes with the sizes of the
model's errors is expanded too.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.curvature import Metric, slopes_of
from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.fit.maximum import Maximum
from iceopt.fit.posterior import Posterior
from iceopt.light.model import LightModel, LogSlopes, windows

Array = NDArray[np.float64]
Index = NDArray[np.int64]

DIRECTIONS = 30
_POWER = 0.5
"""The log of the light is linear in 1 / la for one path, and bends back as it finds clearer ones."""
_REACH = 0.7
_ERROR_REACH = 1.5
_LONGEST_REACH = 2.5
"""Moves at which differences are taken, and the farthest for which they are good, in standard deviations."""
_BENDS_TO = 3.0
"""Move along a direction, in standard deviations, that bends the light no further."""
_LEAST_VARIANCE = 1e-12
_LEAST_BEND = 0.003
_TOGETHER = 8
"""Directions whose own bends are held in memory together."""
_RIDGE = 1.0
"""Curvature below which the counts say nothing of a move."""


def straightened(log_moves: Array) -> tuple[Array, Array]:
    """Coordinates of moves of (ln le, ln la), shape (..., 2 layer), and their derivatives.

    ln le stays as it is; ln la becomes a move of 2 (1 - sqrt(la0 / la)), which is the same for small ones.
    """
    layers = log_moves.shape[-1] // 2
    slope = np.ones_like(log_moves)
    slope[..., layers:] = np.exp(-_POWER * log_moves[..., layers:])
    moves = log_moves.copy()
    moves[..., layers:] = (1.0 - slope[..., layers:]) / _POWER
    return moves, slope


def log_moves(moves: Array) -> Array:
    """Inverse of `straightened`."""
    layers = moves.size // 2
    logs = moves.copy()
    logs[layers:] = -np.log(np.maximum(1.0 - _POWER * moves[layers:], 1e-3)) / _POWER
    return logs


@dataclass(frozen=True)
class Bending:
    """Second-order expansion of the light around a maximum, as the counts see it."""

    directions: Array
    """Orthonormal, shape (layer parameter, direction)."""
    reach: Array
    """Move along each direction that bends no further, shape (direction,)."""
    direction: Index
    """Direction that each term of G is along, in order, shape (term,)."""
    terms: tuple[Array, Array]
    """G along a direction sums its terms' (second vector) (first vector . move), each (term, parameter)."""
    others: Array
    """Orthonormal, across all those, shape (layer parameter, other direction)."""
    others_reach: Array
    """As `reach`."""
    own_bends: Array
    """G of each other direction with itself, shape (other direction, layer parameter)."""
    bias: Array
    """What the residuals at the maximum take off the information, same shape for both."""
    by_errors: Array
    """First and second derivatives of the information to each error size, shape (error, 2, ...)."""
    error_reach: Array
    """Farthest moves of the error sizes for which they are good, shape (error,)."""

    def bent(self, moves: Array) -> Array:
        """Coordinates b of moves, shape (many, layer parameter)."""
        along = moves @ self.directions
        held = self.reach * np.tanh(along / self.reach)
        taken = (2.0 * moves - along @ self.directions.T) @ self.terms[0].T
        across = self.others_reach * np.tanh(moves @ self.others / self.others_reach)
        bends = (held[:, self.direction] * taken) @ self.terms[1] + across**2 @ self.own_bends
        return moves + 0.5 * bends

    def bent_vjp(self, moves: Array) -> tuple[Array, Callable[[Array], Array]]:
        """Coordinates b of one move, and the pull-back of a gradient to them."""
        along = self.directions.T @ moves
        held = self.reach * np.tanh(along / self.reach)
        held_of_terms = held[self.direction]
        taken = self.terms[0] @ (2.0 * moves - self.directions @ along)
        across = self.others_reach * np.tanh(self.others.T @ moves / self.others_reach)

        def pull_back(by_bent: Array) -> Array:
            given = self.terms[1] @ by_bent
            by_other = (held_of_terms * given) @ self.terms[0]
            by_held = np.bincount(self.direction, taken * given, held.size)
            by_along = (1.0 - (held / self.reach) ** 2) * by_held - self.directions.T @ by_other
            by_across = across * (1.0 - (across / self.others_reach) ** 2) * (self.own_bends @ by_bent)
            return by_bent + by_other + 0.5 * (self.directions @ by_along) + self.others @ by_across

        bends = (held_of_terms * taken) @ self.terms[1] + across**2 @ self.own_bends
        return moves + 0.5 * bends, pull_back

    def softening(self, error_moves: Array) -> tuple[Array, Array]:
        """Weights of `by_errors` for moves of the error sizes, shape (..., error, 2), and their slopes."""
        held = np.clip(error_moves, -self.error_reach, self.error_reach)
        free = (held == error_moves).astype(np.float64)
        return np.stack([held, 0.5 * held**2], axis=-1), np.stack([free, free * held], axis=-1)


def find_bending(maximum: Maximum) -> Bending:
    """Expand the light of a posterior around its maximum.

    Costs two sets of slopes for each of the few directions, and two evaluations for each of the others. The
    slopes of a cheaper model will do: it bends as the light model does, to some per cent.
    """
    posterior, vector = maximum.posterior, maximum.vector
    n, few = 2 * posterior.layers, min(DIRECTIONS, 2 * posterior.layers)
    spread, axes = scipy.linalg.eigh(maximum.covariance[:n, :n])
    directions, others = axes[:, ::-1][:, :few], axes[:, ::-1][:, few:]
    sd, others_sd = np.split(np.sqrt(np.maximum(spread[::-1], _LEAST_VARIANCE)), [few])
    cheaper = [term.model.cheaper for term in posterior.terms]
    error_sd = np.sqrt(np.diag(maximum.covariance)[-len(ERROR_NAMES) :])
    by_errors = np.zeros((len(ERROR_NAMES), 2, n, n))
    pulled, biased = np.zeros((few, n, n)), np.zeros((n, few))
    changes = slopes_of(posterior, vector)
    metric, scores = _seen(posterior, vector)
    weighted = metric.weigh(changes)
    information = metric.product(weighted, changes, changes)
    for i, step in enumerate(_ERROR_REACH * np.diag(error_sd)):
        up, down = (
            _seen(posterior, np.r_[vector[: -step.size], vector[-step.size :] + move])[0].information(changes)
            for move in (step, -step)
        )
        by_errors[i] = (up - down) / (2.0 * step[i]), (up + down - 2.0 * information) / step[i] ** 2
    for k in range(few):
        ahead, behind = (
            _straight_slopes(posterior, cheaper, vector, move * sd[k] * directions[:, k])
            for move in (_REACH, -_REACH)
        )
        bends = [a.minus(b).scaled(0.5 / (_REACH * sd[k])) for a, b in zip(ahead, behind, strict=True)]
        pulled[k] = metric.product(weighted, changes, bends)
        biased[:, k] = sum(bend.pulled_back(score) for score, bend in zip(scores, bends, strict=True))
    own_pulled, own_biased = np.zeros((others_sd.size, n)), np.zeros(others_sd.size)
    middle = _grouped(posterior, vector)
    for k in range(0, others_sd.size, _TOGETHER):
        part = slice(k, k + _TOGETHER)
        bends = _own_bends(posterior, vector, middle, others_sd[part], others[:, part])
        own_pulled[part] = metric.product(weighted, changes, bends).T
        for score, bend in zip(scores, bends, strict=True):
            own_biased[part] += bend.pulled_back(score)
    values, vectors = scipy.linalg.eigh(information)
    inverse = (vectors * (values / (values**2 + _RIDGE**2))) @ vectors.T
    along = biased @ directions.T
    bias = 2.0 * along - directions @ (directions.T @ along) + (others * own_biased) @ others.T
    direction, terms = principal_terms(inverse @ pulled, sd, maximum.covariance[:n, :n])
    return Bending(
        directions=directions,
        reach=_BENDS_TO * sd,
        direction=direction,
        terms=terms,
        others=others,
        others_reach=_BENDS_TO * others_sd,
        own_bends=own_pulled @ inverse,
        bias=0.5 * (bias + bias.T),
        by_errors=by_errors,
        error_reach=_LONGEST_REACH * error_sd,
    )


def principal_terms(connection: Array, sd: Array, covariance: Array) -> tuple[Index, tuple[Array, Array]]:
    """Terms of rank one of matrices, one a direction, that matter to draws of a normal distribution.

    Parameters
    ----------
    connection : ndarray, shape (direction, parameter, parameter)
    sd : ndarray, shape (direction,)
        Of moves along each direction.
    covariance : ndarray, shape (parameter, parameter)

    Returns
    -------
    direction : ndarray of int, shape (term,)
    terms : tuple of two ndarrays, shape (term, parameter)
        As in `Bending`. What is left out moves draws by less than `_LEAST_BEND` of their errors a term.
    """
    root = scipy.linalg.cholesky(covariance, lower=True)
    whitened = scipy.linalg.solve_triangular(
        root, (connection @ root).transpose(1, 0, 2).reshape(len(root), -1), lower=True
    )
    whitened = whitened.reshape(len(root), len(sd), -1).transpose(1, 0, 2) * sd[:, None, None]
    left, size, right = np.linalg.svd(whitened)
    direction, kept = np.nonzero(size > _LEAST_BEND)
    taking = scipy.linalg.solve_triangular(root, right[direction, kept].T, lower=True, trans="T").T
    scale = size[direction, kept] / sd[direction]
    return direction, (scale[:, None] * taking, left[direction, :, kept] @ root.T)


def _straight_slopes(
    posterior: Posterior, models: Sequence[LightModel], vector: Array, move: Array
) -> list[LogSlopes]:
    """Slopes of light models to the straightened coordinates at a move of them."""
    stretch = straightened(log_moves(move))[1]
    return [c.scaled(1.0 / stretch) for c in slopes_of(posterior, _after(vector, move), models)]


def _own_bends(
    posterior: Posterior, vector: Array, middle: Sequence[Array], sd: Array, directions: Array
) -> list[LogSlopes]:
    """Second derivatives of each campaign's ln(counts) by group, to straightened moves along directions.

    `middle` are the counts by group at the vector itself.
    """
    many = len(sd)
    bends = [np.zeros((*counts.shape, many)) for counts in middle]
    for k, (step, direction) in enumerate(zip(_REACH * sd, directions.T, strict=True)):
        ahead, behind = (_grouped(posterior, _after(vector, move * direction)) for move in (step, -step))
        for bend, a, m, b in zip(bends, ahead, middle, behind, strict=True):
            lit = (a > 0) & (m > 0) & (b > 0)
            bend[:, :, k] = np.log(np.divide(a * b, m**2, out=np.ones_like(m), where=lit)) / step**2
    return [LogSlopes(b, np.broadcast_to(np.eye(many), (len(b), many, many))) for b in bends]


def _grouped(posterior: Posterior, vector: Array) -> list[Array]:
    """Counts of each campaign's light model by group, shape (pair, group)."""
    seen = [term.likelihood.observations for term in posterior.terms]
    signals = posterior.signals(posterior.ice(vector))
    return [windows(signal, of.first, of.stop) for signal, of in zip(signals, seen, strict=True)]


def _after(vector: Array, move: Array) -> Array:
    """Vector after a straightened move of its layers."""
    moved = vector.copy()
    moved[: move.size] += log_moves(move)
    return moved


def _seen(posterior: Posterior, vector: Array) -> tuple[Metric, list[Array]]:
    """Metric and gradient of the log likelihood in each campaign's ln(counts) by group."""
    ice, errors = posterior.ice(vector), posterior.errors(vector)
    signals = [term.model.expected(ice) for term in posterior.terms]
    found, by_signals, _ = posterior.marginal.evaluate_vjp(signals, errors)
    scores = []
    for term, signal, by_signal in zip(posterior.terms, signals, by_signals, strict=True):
        seen = term.likelihood.observations
        scores.append(windows(by_signal * signal, seen.first, seen.stop))
    return Metric(posterior, found, errors), scores
