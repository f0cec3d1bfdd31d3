"""The climb to the maximum with light models that are good around one ice only and made anew on the way.

A climb with the light model made at one ice ends at another; that is a map from ice to ice whose fixed point
is wanted. Far from it the model is made anew after a few steps. Near it the map shrinks distances, slowly
where the counts say little of the difference between neighbouring layers, and Anderson's mixing of the last
iterates (J. Assoc. Comput. Mach. 12, 547 (1965)) takes the slow directions out. How much the counts scatter
is judged with each renewal from there on.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.convergence import SETTLED
from iceopt.fit.dispersion import dispersions
from iceopt.fit.maximum import LARGEST_DECREMENT, MOST_STEPS, Maximum, find_maximum, with_covariance
from iceopt.fit.problem import Problem

Array = NDArray[np.float64]

STEPS_A_RENEWAL = 3
ROUGHLY = 0.5
"""Decrement that ends a climb whose light model will be renewed: far below a tenth of an error a layer."""
_NEAR = 2.0
"""Move, in errors of the layers, below which iterates are mixed, if the climb has ended nearly."""
_NEARLY = 10.0
_MIXED = 4
_STAGE = "maximum"


def climb(
    problem: Problem,
    store: Checkpoint,
    watch: Callable[[str, float | None], None],
    time_left_s: Callable[[], float],
    start: Array | None = None,
) -> tuple[Maximum, tuple[float, ...]]:
    """Climb, renewing the light models until it no longer matters; resumes from the store.

    Parameters
    ----------
    problem : Problem
    store : Checkpoint
    watch : callable
        Told in words what goes on.
    time_left_s : callable
    start : ndarray, shape (parameter,), optional
        Where to begin, if the store holds nothing; by default a uniform ice made of the data.

    Returns
    -------
    maximum : Maximum
        With the covariance of the normal approximation.
    moved : tuple of float
        Root mean square move of the layers by each renewal, in their standard deviations.
    """
    pieces = store.read(_STAGE)
    number, moved = len(pieces), [float(m) for m in pieces[-1]["moved"]] if pieces else []
    scatter = problem.split_pairs(pieces[-1]["dispersion"]) if pieces else problem.no_dispersion()
    judged = bool(pieces[-1]["judged"]) if pieces else not problem.config.error.dispersion
    if pieces:
        vector, made_at = pieces[-1]["vector"], pieces[-1]["made_at"]
    else:
        watch("first guess: uniform ice", None)
        vector = made_at = problem.first_guess() if start is None else start

    def keep(words: str, vector: Array) -> None:
        nonlocal number
        kept = {"vector": vector, "made_at": made_at, "moved": np.array(moved)}
        kept |= {"dispersion": np.concatenate(scatter), "judged": np.array(judged)}
        store.write(_STAGE, number, kept)
        number += 1
        watch(words, None)

    moves = problem.light_moves
    most_steps, enough = (STEPS_A_RENEWAL, ROUGHLY) if moves else (MOST_STEPS, LARGEST_DECREMENT)

    def go(vector: Array) -> Maximum:
        posterior = problem.posterior_at(vector, made_at, scatter)
        return find_maximum(problem, (posterior, vector), keep, most_steps, enough, time_left_s)

    maximum = go(vector)
    if not moves and not judged:
        scatter, judged = dispersions(maximum.posterior, maximum.vector), True
        maximum = go(maximum.vector)
    layers = 2 * maximum.posterior.layers
    begun: list[Array] = []
    ended: list[Array] = []
    while moves and not (judged and _settled(moved, maximum)) and len(moved) < problem.most_renewals:
        if time_left_s() <= 0:
            break
        watch("renewing the light model at the best ice", None)
        sd = np.sqrt(np.diag(maximum.covariance))[:layers]
        made_at = maximum.vector.copy()
        if begun:
            made_at[:layers] = mixed(begun, ended, sd)
        if _near(moved, maximum) and problem.config.error.dispersion:
            scatter, judged = dispersions(maximum.posterior, maximum.vector), True
        maximum = go(made_at)
        moved.append(float(np.sqrt(np.mean(((maximum.vector - made_at)[:layers] / sd) ** 2))))
        keep(f"that moved the layers by {moved[-1]:.2f} of their errors", maximum.vector)
        if _near(moved, maximum):
            begun, ended = [*begun, made_at[:layers]][-_MIXED:], [*ended, maximum.vector[:layers]][-_MIXED:]
    if moves:
        start_again = (maximum.posterior, maximum.vector)
        maximum = find_maximum(problem, start_again, keep, most_steps, LARGEST_DECREMENT, time_left_s)
    watch("finding the covariance", None)
    return with_covariance(maximum), tuple(moved)


def _settled(moved: Sequence[float], maximum: Maximum) -> bool:
    return bool(moved) and moved[-1] < SETTLED and maximum.decrement < ROUGHLY


def _near(moved: Sequence[float], maximum: Maximum) -> bool:
    return bool(moved) and moved[-1] < _NEAR and maximum.decrement < _NEARLY


def mixed(begun: Sequence[Array], ended: Sequence[Array], sd: Array) -> Array:
    """Next place to begin by Anderson's mixing: ends weighted so that their moves nearly cancel.

    Parameters
    ----------
    begun, ended : sequence of ndarray, shape (parameter,)
        Arguments and values of the map, the last one last.
    sd : ndarray, shape (parameter,)
        Scale in which moves are measured.

    Returns
    -------
    ndarray, shape (parameter,)
        The last end, if there is but one.
    """
    moves = [(b - a) / sd for a, b in zip(begun, ended, strict=True)]
    if len(moves) == 1:
        return ended[-1]
    differences = np.stack([moves[-1] - m for m in moves[:-1]], axis=1)
    weights = np.linalg.lstsq(differences, moves[-1], rcond=1e-3)[0]
    return ended[-1] - np.stack([ended[-1] - e for e in ended[:-1]], axis=1) @ weights
