"""Affine-invariant ensembles (emcee) in coordinates whitened by the normal approximation.

Goodman, Weare, Commun. Appl. Math. Comput. Sci. 5, 65 (2010); Foreman-Mackey et al., Publ. Astron. Soc.
Pac. 125, 306 (2013). Walkers of one ensemble are not independent, so a chain of the result is an ensemble,
and there are several.
"""

import time
from collections.abc import Callable

import emcee
import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.checkpoint import Checkpoint, pack_random_state, unpack_random_state
from iceopt.fit.config import SamplerConfig
from iceopt.fit.convergence import split_rhat
from iceopt.fit.limits import LARGEST_RHAT
from iceopt.fit.sampler import Run, Target

Array = NDArray[np.float64]

_STAGE = "ensembles"
_SAVE_EVERY_S = 20.0
_LEAST_STEPS = 100
_BURN_IN_TAUS = 3.0
_MOST_REDRAWS = 1000
_GOLDEN_SECTION = 0.5 * (5.0**0.5 - 1.0)
_KEEP_EVERY = 10
"""Steps between those that are kept: neighbouring steps are nearly the same."""


class Ensembles:
    """Independent ensembles with stretch and differential-evolution moves; a `Sampler`.

    Parameters
    ----------
    config : SamplerConfig
    seed : int
    """

    evaluates = True
    extends = False

    def __init__(self, config: SamplerConfig, seed: int) -> None:
        self._config, self._seed = config, seed

    def run(
        self,
        target: Target,
        start: Array,
        covariance: Array,
        store: Checkpoint,
        time_left_s: Callable[[], float],
        watch: Callable[[str], None],
        draws: int,
    ) -> Run:
        """Walk until every ensemble is longer than `taus` autocorrelation times; see `Sampler.run`."""
        root = scipy.linalg.cholesky(covariance, lower=True)
        walk = _Walk(self._config, self._seed, lambda y: target.log_densities(start + y @ root.T), start.size)
        walk.restore(store)
        next_look = max(_LEAST_STEPS, walk.steps)
        while True:
            if walk.steps >= min(next_look, self._config.most_steps) or (
                walk.steps > 0 and time_left_s() <= 0
            ):
                tau = walk.autocorrelation_time()
                rhat = walk.worst_rhat()
                watch(f"ensembles: step {walk.steps}, tau {tau:.0f}, R-hat {rhat:.3f}")
                converged = walk.steps > self._config.taus * tau and rhat < LARGEST_RHAT
                reason = self._reason(walk.steps, tau, rhat, time_left_s(), converged)
                if reason:
                    walk.save(store)
                    break
                next_look = int(1.2 * next_look) + 1
            walk.advance()
            walk.save_if_due(store)
        places, log_density = walk.draws(tau, draws)
        return Run(
            start + places @ root.T,
            log_density,
            walk.steps,
            float(tau),
            walk.acceptance(),
            bool(converged),
            reason,
        )

    def _reason(self, steps: int, tau: float, rhat: float, left_s: float, converged: bool) -> str:
        """Why to stop, in words; empty to go on."""
        if converged:
            return f"{steps} steps are {steps / tau:.0f} autocorrelation times, R-hat {rhat:.3f}"
        finite = np.isfinite(tau)
        known = f"the autocorrelation time is {tau:.0f} steps" if finite else "some walkers are stuck"
        need = f", about {self._config.taus * tau:.0f} steps are needed" if finite else ""
        if left_s <= 0:
            return f"the time limit came after {steps} steps: {known}{need}"
        if steps >= self._config.most_steps:
            return f"the step limit came after {steps} steps: {known}{need}"
        return ""


class _Walk:
    """The ensembles' state and their chains so far, in whitened coordinates."""

    def __init__(
        self, config: SamplerConfig, seed: int, log_densities: Callable[[Array], Array], size: int
    ) -> None:
        self._walkers = config.walkers or 2 * size + 2
        moves = [(emcee.moves.DEMove(), 0.6), (emcee.moves.StretchMove(), 0.4)]
        self._samplers, self._states = [], []
        for child in np.random.SeedSequence(seed).spawn(config.ensembles):
            sampler = emcee.EnsembleSampler(self._walkers, size, log_densities, moves=moves, vectorize=True)
            random = np.random.RandomState(child.generate_state(8))
            self._samplers.append(sampler)
            start = _possible(random, (self._walkers, size), log_densities)
            self._states.append(emcee.State(start, random_state=random.get_state()))
        self._log_densities = log_densities
        self._size = size
        self._chain: list[Array] = []
        self._values: list[Array] = []
        self._accepted = 0.0
        self._saved, self._pieces, self._last_save = 0, 0, time.monotonic()

    def advance(self) -> None:
        """Move every ensemble on by `_KEEP_EVERY` steps and keep where it is then."""
        for k, sampler in enumerate(self._samplers):
            before = self._states[k].coords.copy()
            for state in sampler.sample(self._states[k], iterations=_KEEP_EVERY, store=False):
                self._accepted += float(np.any(state.coords != before, axis=1).mean()) / _KEEP_EVERY
                before = state.coords.copy()
            self._states[k] = state
        self._chain.append(np.stack([s.coords for s in self._states]))
        self._values.append(np.stack([s.log_prob for s in self._states]))

    @property
    def steps(self) -> int:
        """Steps of each ensemble so far."""
        return _KEEP_EVERY * len(self._chain)

    def chain(self) -> Array:
        """Shape (kept step, ensemble, walker, parameter)."""
        return np.stack(self._chain)

    def autocorrelation_time(self) -> float:
        """Longest over ensembles and parameters, in steps; NaN if any is not finite."""
        chain = self.chain()
        taus = [emcee.autocorr.integrated_time(chain[:, k], quiet=True, tol=0) for k in range(chain.shape[1])]
        stuck = np.ptp(chain, axis=0).min() == 0
        return np.nan if stuck or not np.isfinite(taus).all() else _KEEP_EVERY * float(np.max(taus))

    def worst_rhat(self) -> float:
        """Largest split R-hat over the parameters, the ensembles as chains, walkers one after another."""
        chain = self.chain()
        thin = max(1, chain.shape[0] // 200)
        rows = chain[::thin].transpose(1, 0, 2, 3).reshape(chain.shape[1], -1, self._size)
        return float(np.max([split_rhat(rows[:, :, i]) for i in range(self._size)]))

    def acceptance(self) -> float:
        """Part of the walkers that moved in a step."""
        return self._accepted / max(len(self._chain) * len(self._samplers), 1)

    def draws(self, tau: float, wanted: int) -> tuple[Array, Array]:
        """Draws spread evenly over the steps after the burn-in, walkers in turn, in an order that jumps.

        Neighbouring draws are then as independent as can be, and the first ones already cover all steps.
        """
        chain, values = self.chain(), np.stack(self._values)
        kept = chain.shape[0]
        burn = min(int(_BURN_IN_TAUS * tau / _KEEP_EVERY), kept // 2) if np.isfinite(tau) else kept // 2
        # Multiples of the golden section fill an interval evenly, however many there are.
        step = burn + ((np.arange(wanted) * _GOLDEN_SECTION % 1.0) * (kept - burn)).astype(int)
        walker = (np.arange(wanted) * 7919) % self._walkers
        return chain[step, :, walker].transpose(1, 0, 2), values[step, :, walker].T

    def save_if_due(self, store: Checkpoint) -> None:
        """Write what is new, every so often and when told to stop."""
        if store.stopping or time.monotonic() - self._last_save > _SAVE_EVERY_S:
            self.save(store)

    def save(self, store: Checkpoint) -> None:
        """Write the new steps and the random states as one piece."""
        if len(self._chain) == self._saved:
            return
        arrays = {
            "chain": np.stack(self._chain[self._saved :]),
            "values": np.stack(self._values[self._saved :]),
            "accepted": np.array(self._accepted),
        }
        for k, state in enumerate(self._states):
            packed = pack_random_state(state.random_state)
            arrays |= {f"{name}_{k}": value for name, value in packed.items()}
        store.write(_STAGE, self._pieces, arrays)
        self._pieces, self._saved, self._last_save = self._pieces + 1, len(self._chain), time.monotonic()

    def restore(self, store: Checkpoint) -> None:
        """Go on where the stored pieces end."""
        pieces = store.read(_STAGE)
        if not pieces:
            return
        self._chain = list(np.concatenate([p["chain"] for p in pieces]))
        self._values = list(np.concatenate([p["values"] for p in pieces]))
        last = pieces[-1]
        self._accepted = float(last["accepted"])
        self._saved = len(self._chain)
        self._pieces = len(pieces)
        for k in range(len(self._states)):
            packed = {name: last[f"{name}_{k}"] for name in ("random_keys", "random_rest")}
            self._states[k] = emcee.State(
                self._chain[-1][k], log_prob=self._values[-1][k], random_state=unpack_random_state(packed)
            )


def _possible(
    random: np.random.RandomState, shape: tuple[int, int], log_densities: Callable[[Array], Array]
) -> Array:
    """Standard normal places, drawn again where the density is zero: a walker there might never move."""
    places = random.standard_normal(shape)
    for _ in range(_MOST_REDRAWS):
        bad = ~np.isfinite(log_densities(places))
        if not bad.any():
            break
        places[bad] = random.standard_normal((int(bad.sum()), shape[1]))
    return places
