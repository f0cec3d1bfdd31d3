"""The climb to the maximum with light models that are good around one ice only and made anew on the way.

It begins with an approach, on which errors and prior are held: they can be judged near the best ice only.
A climb with the light model made at one ice ends at another; that is a map from ice to ice whose fixed point
is wanted. Far from it the model is made anew after a few steps. Near it the map shrinks distances, slowly
where the counts say little of the difference between neighbouring layers, and Anderson's mixing of the last
iterates (J. Assoc. Comput. Mach. 12, 547 (1965)) takes the slow directions out. How much the counts scatter
is judged with each renewal from there on. Until then rough light models will do, where there are some.

How the ice lies is asked near the fixed point, by rough light models and again by the best; where the counts
speak up for a slope or a stretch, the fit goes on with ice that lies like that.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.attitude import attitude_step
from iceopt.fit.checkpoint import Checkpoint
from iceopt.fit.dispersion import dispersions
from iceopt.fit.limits import SETTLED
from iceopt.fit.maximum import LARGEST_DECREMENT, MOST_STEPS, Maximum, find_maximum, with_covariance
from iceopt.fit.posterior import Posterior
from iceopt.fit.problem import Problem
from iceopt.ice.attitude import Attitude

Array = NDArray[np.float64]

STEPS_A_RENEWAL = 3
ROUGHLY = 0.5
"""Decrement that ends a climb whose light model will be renewed: far below a tenth of an error a layer."""
_NEAR = 2.0
"""Move, in errors of the layers, below which iterates are mixed, if the climb has ended nearly."""
_NEARLY = 10.0
_MIXED = 4
_MOST_APPROACHES = 15
_MOST_LAYINGS = 6
_LYING, _LAID = 30.0, 1.0
"""Worth of a step in attitude (chi-square of 4 by chance) from which ice lies otherwise than it was taken to,
and below which it need not be laid again."""
_FARTHEST_LAYERS = 0.3
_BY_ROUGH, _BY_BEST = 1, 2
_STAGE = "maximum"


class Climbed(NamedTuple):
    """Where a climb has ended."""

    maximum: Maximum
    """With the posterior for draws, and the covariance of the normal approximation."""
    moved: tuple[float, ...]
    """Root mean square move of the layers by each renewal, in their standard deviations."""
    problem: Problem
    """In ice that lies as was found."""
    attitude_covariance: Array
    """Shape (4, 4); zero for what was not found of the attitude."""


def climb(
    problem: Problem,
    store: Checkpoint,
    watch: Callable[[str, float | None], None],
    time_left_s: Callable[[], float],
    profile: Array | None = None,
) -> Climbed:
    """Climb, renewing the light models until it no longer matters; resumes from the store.

    Parameters
    ----------
    problem : Problem
    store : Checkpoint
    watch : callable
        Told in words what goes on.
    time_left_s : callable
    profile : ndarray, shape (2 x layers,), optional
        ln le, then ln la, of the ice to begin with, if the store holds nothing; uniform by default. Only
        their course with depth counts: their levels are made of the data.

    Returns
    -------
    Climbed
    """
    way = _Way(problem, store, watch, time_left_s)
    way.begin(profile)
    if problem.light_moves:
        while not way.settled and len(way.moved) < problem.most_renewals and time_left_s() > 0:
            way.renew()
        way.finish()
    elif not way.judged:
        way.judge_scatter()
    watch("finding the covariance", None)
    last = way.maximum
    for_draws = replace(last, posterior=way.problem.steered(last.posterior, last.vector))
    return Climbed(with_covariance(for_draws), tuple(way.moved), way.problem, way.attitude_covariance)


class _Way:
    """Where a climb is, and its next stretch."""

    maximum: Maximum
    """Of the last stretch."""

    def __init__(
        self,
        problem: Problem,
        store: Checkpoint,
        watch: Callable[[str, float | None], None],
        time_left_s: Callable[[], float],
    ) -> None:
        self.problem, self._store, self._watch, self._time_left_s = problem, store, watch, time_left_s
        self._number = 0
        self._begun: list[Array] = []
        self._ended: list[Array] = []
        self._scatter = problem.no_dispersion()
        self._rough = problem.rough_lights
        self._approaching = True
        self._laid = 0
        self.attitude_covariance = np.zeros((4, 4))
        self.moved: list[float] = []
        """Move of the layers by each renewal, in their errors."""
        self.judged = not problem.config.error.dispersion
        """Whether it is known how much the counts scatter."""

    def begin(self, profile: Array | None) -> None:
        """Climb from what the store holds or else the first guess, with light models made there."""
        pieces = self._store.read(_STAGE)
        self._number = len(pieces)
        if pieces:
            last = pieces[-1]
            vector, self._made_at = last["vector"], last["made_at"]
            self._lie(Attitude(*last["attitude"].tolist()))
            self._laid, self.attitude_covariance = int(last["laid"]), last["attitude_covariance"]
            self.moved = [float(m) for m in last["moved"]]
            self._scatter = self.problem.split_pairs(last["dispersion"])
            self.judged, self._rough = bool(last["judged"]), bool(last["rough"])
            self._approaching = bool(last["approaching"])
        else:
            self._watch("first guess", None)
            vector = self.problem.first_guess(profile)
        if self._approaching:
            vector = self._made_at = self._approached(vector)
        self._go(vector)

    def _approached(self, vector: Array) -> Array:
        """Ice from which the errors' sizes can be judged: the best while they are held and have no tails.

        Errors of half the light look likely around an ice that is all wrong, and tails let the pairs that
        say so go. With errors of one size the counts are close to least squares in their logarithms, which
        leads back from afar.
        """
        problem = self.problem.with_normal_errors()
        for _ in range(_MOST_APPROACHES):
            self._made_at = vector
            posterior = problem.posterior_at(vector, vector, self._scatter, self._rough)
            found = find_maximum(
                problem,
                (posterior, vector),
                self._keep,
                STEPS_A_RENEWAL,
                _NEARLY,
                self._time_left_s,
                held=True,
            )
            vector = found.vector
            if found.decrement < _NEARLY or self._time_left_s() <= 0:
                break
        self._approaching = False
        return vector

    @property
    def near(self) -> bool:
        """Whether the fixed point is near enough for the best light, to judge the scatter, and for mixing."""
        return bool(self.moved) and self.moved[-1] < _NEAR and self.maximum.decrement < _NEARLY

    @property
    def settled(self) -> bool:
        """Whether another renewal would change nothing that matters."""
        still = bool(self.moved) and self.moved[-1] < SETTLED and self.maximum.decrement < ROUGHLY
        return still and self.judged and not self._rough

    def renew(self) -> None:
        """Make the light models anew where the fixed point should be, and climb with them."""
        self._watch("renewing the light model at the best ice", None)
        if self.near and self._laid < (_BY_ROUGH if self._rough else _BY_BEST):
            self._lay()
        if self.near and self._rough:
            self._rough, self._begun, self._ended = False, [], []
        elif self.near and self.problem.config.error.dispersion:
            self._scatter, self.judged = dispersions(self.maximum.posterior, self.maximum.vector), True
        layers = 2 * self.maximum.posterior.layers
        sd = np.sqrt(np.diag(self.maximum.covariance))[:layers]
        self._made_at = self.maximum.vector.copy()
        if self._begun:
            self._made_at[:layers] = mixed(self._begun, self._ended, sd)
        self._go(self._made_at)
        away = (self.maximum.vector - self._made_at)[:layers] / sd
        self.moved.append(float(np.sqrt(np.mean(away**2))))
        self._keep(f"that moved the layers by {self.moved[-1]:.2f} of their errors", self.maximum.vector)
        if self.near:
            self._begun = [*self._begun, self._made_at[:layers]][-_MIXED:]
            self._ended = [*self._ended, self.maximum.vector[:layers]][-_MIXED:]

    def _lay(self) -> None:
        """Find how the ice lies, with the light models of now; no more by the best ones if it is level."""
        given = self.problem.config.attitude
        for _ in range(_MOST_LAYINGS if any(given.free) else 0):
            level = self.problem.attitude == given.given
            step = attitude_step(self.problem, self.maximum.posterior, self.maximum.vector)
            if step.worth < (_LYING if level else _LAID) or self._time_left_s() <= 0:
                break
            self.attitude_covariance = step.covariance
            self._lie(self.problem.attitude.moved(step.change))
            self._made_at = self.maximum.vector.copy()
            self._made_at[: step.layers.size] += np.clip(step.layers, -_FARTHEST_LAYERS, _FARTHEST_LAYERS)
            self._begun, self._ended = [], []
            self._go(self._made_at)
        self._laid = _BY_ROUGH if self._rough and self.problem.attitude != given.given else _BY_BEST
        self._keep(self.problem.attitude.words, self.maximum.vector)

    def _lie(self, attitude: Attitude) -> None:
        """Go on in ice of an attitude."""
        if attitude != self.problem.attitude:
            self.problem = self.problem.lying(attitude)

    def judge_scatter(self) -> None:
        """Find how much the counts scatter, and climb on with that."""
        self._scatter, self.judged = dispersions(self.maximum.posterior, self.maximum.vector), True
        self._go(self.maximum.vector)

    def finish(self) -> None:
        """Climb to the end with the last light models."""
        self._climb(self.maximum.posterior, self.maximum.vector, LARGEST_DECREMENT)

    def _go(self, vector: Array) -> None:
        posterior = self.problem.posterior_at(vector, self._made_at, self._scatter, self._rough)
        self._climb(posterior, vector, ROUGHLY if self.problem.light_moves else LARGEST_DECREMENT)

    def _climb(self, posterior: Posterior, vector: Array, enough: float) -> None:
        most_steps = STEPS_A_RENEWAL if self.problem.light_moves else MOST_STEPS
        self.maximum = find_maximum(
            self.problem, (posterior, vector), self._keep, most_steps, enough, self._time_left_s
        )

    def _keep(self, words: str, vector: Array) -> None:
        kept = {
            "vector": vector,
            "made_at": self._made_at,
            "moved": np.array(self.moved),
            "dispersion": np.concatenate(self._scatter),
            "judged": np.array(self.judged),
            "rough": np.array(self._rough),
            "approaching": np.array(self._approaching),
            "attitude": self.problem.attitude.values,
            "attitude_covariance": self.attitude_covariance,
            "laid": np.array(self._laid),
        }
        self._store.write(_STAGE, self._number, kept)
        self._number += 1
        self._watch(words, None)


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
