"""One season against another: draws of the change, and what they add up to."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from iceopt.compare.grid import averaging, cell_means, common_cells
from iceopt.compare.notes import notes
from iceopt.compare.profile import KINDS, Profile
from iceopt.compare.shared import SharedModules, drift, shared_modules, with_same_modules
from iceopt.compare.significance import (
    Band,
    benjamini_hochberg,
    changed_bands,
    joint_probability,
    two_sided,
)
from iceopt.errors import InputError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Comparison:
    """What changed from an old profile to a new one."""

    old: Profile
    new: Profile
    rate: float
    cells_m: Array
    """Edges of the cells, shape (cell + 1,)."""
    change: Array
    """Draws of ln(new length / old length), shape (draw, kind, cell)."""
    probability: Array
    """Of a change this large by chance, shape (kind, cell)."""
    q: Array
    """False-discovery rate at which the cell would be named, shape (kind, cell)."""
    joint: float
    """Probability of all changes together by chance."""
    joint_of_kind: tuple[float, ...]
    bands: tuple[Band, ...]
    shared: int
    """Modules whose efficiencies were held together."""
    drift: float
    """Standard deviation of ln efficiency's drift between the seasons."""
    notes: tuple[str, ...]
    """What was assumed and what is doubtful, a sentence each."""

    @property
    def changed(self) -> NDArray[np.bool_]:
        """Cells named at the rate, shape (kind, cell)."""
        return self.q <= self.rate

    @property
    def anything(self) -> bool:
        """Whether any layer or band is named."""
        return bool(self.changed.any()) or bool(self.bands)


def compare(old: Profile, new: Profile, rate: float, seed: int) -> Comparison:
    """Compare two seasons.

    The posteriors are of independent counts, so every draw of the one goes with every draw of the other; they
    are paired at random, chain halves apart. Correlations between layers are those of the draws.

    Parameters
    ----------
    old, new : Profile
    rate : float
        False-discovery rate over layers, and rate of naming any band in error.
    seed : int

    Raises
    ------
    InputError
        If the wavelengths differ or no layer is common.
    """
    _require_comparable(old, new)
    cells = common_cells(old.edges_m, new.edges_m)
    if cells.size < 2:
        raise InputError(
            f"{old.name} ({old.edges_m[0]:g}-{old.edges_m[-1]:g} m) and {new.name} ({new.edges_m[0]:g}-"
            f"{new.edges_m[-1]:g} m) have no layer in common"
        )
    rng = np.random.default_rng(seed)
    halves = [_paired(old, new, half, cells, rng) for half in (0, 1)]
    change = np.concatenate([half.change for half in halves])
    effective = min(old.effective_draws, new.effective_draws)
    together = _shared(old, new, [half.log_efficiency for half in halves], effective)
    if together is not None:
        change = with_same_modules(change.reshape(len(change), -1), together, rng).reshape(change.shape)
    probability = two_sided(change.mean(axis=0), change.std(axis=0, ddof=1), effective)
    first, second = change[: len(halves[0].change)], change[len(halves[0].change) :]
    shared = 0 if together is None else together.depth_m.size
    return Comparison(
        old=old,
        new=new,
        rate=rate,
        cells_m=cells,
        change=change,
        probability=probability,
        q=benjamini_hochberg(probability),
        joint=joint_probability(_flat(first), _flat(second), effective / 2),
        joint_of_kind=tuple(
            joint_probability(first[:, k], second[:, k], effective / 2) for k in range(len(KINDS))
        ),
        bands=tuple(changed_bands(first, second, np.diff(cells), rate, effective)),
        shared=shared,
        drift=0.0 if together is None else drift(together),
        notes=notes(old, new, cells, shared),
    )


@dataclass(frozen=True)
class _Half:
    change: Array
    """Shape (draw, kind, cell)."""
    log_efficiency: tuple[Array, Array] | None
    """Old and new, each of shape (draw, module)."""


def _paired(old: Profile, new: Profile, half: int, cells: Array, rng: np.random.Generator) -> _Half:
    """Pair draws of one half of the chains of either profile at random."""
    ours, theirs = _half(old, old.log_coefficient, half), _half(new, new.log_coefficient, half)
    draws = min(ours.shape[1], theirs.shape[1])
    mine = np.linspace(0, ours.shape[1] - 1, draws).astype(int)
    its = rng.permutation(np.linspace(0, theirs.shape[1] - 1, draws).astype(int))
    before, after = averaging(old.edges_m, cells), averaging(new.edges_m, cells)
    change = [
        cell_means(ours[kind, mine], before, rng) - cell_means(theirs[kind, its], after, rng)
        for kind in range(len(KINDS))
    ]
    efficiency = None
    if old.log_efficiency is not None and new.log_efficiency is not None:
        efficiency = (
            _half(old, old.log_efficiency[None], half)[0, mine],
            _half(new, new.log_efficiency[None], half)[0, its],
        )
    return _Half(np.stack(change, axis=1), efficiency)


def _half(profile: Profile, values: Array, half: int) -> Array:
    """Draws of one half of the chains, joined; shape (lead, draw, column). A lone chain is cut in two."""
    lead, chains, _, columns = values.shape
    axis = 1 if chains > 1 else 2
    part = np.array_split(np.arange(values.shape[axis]), 2)[half]
    return np.take(values, part, axis=axis).reshape(lead, -1, columns)


def _shared(
    old: Profile, new: Profile, halves: list[tuple[Array, Array] | None], effective: float
) -> SharedModules | None:
    if any(half is None for half in halves) or old.module_depth_m is None:
        return None
    mine, its = (np.concatenate([half[i] for half in halves if half is not None]) for i in (0, 1))
    if len(set(old.modules) & set(new.modules)) < 2:
        return None
    return shared_modules((mine, old.modules), (its, new.modules), old.module_depth_m, effective)


def _flat(change: Array) -> Array:
    return change.reshape(len(change), -1)


def _require_comparable(old: Profile, new: Profile) -> None:
    known = old.wavelength_nm is not None and new.wavelength_nm is not None
    if known and old.wavelength_nm != new.wavelength_nm:
        raise InputError(
            f"{old.name} is at {old.wavelength_nm:g} nm and {new.name} at {new.wavelength_nm:g} nm; compare "
            "at one wavelength: `iceopt export --wavelength` carries layers to another"
        )
