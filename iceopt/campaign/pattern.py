"""What the pairs of a campaign have in common, without any model of light.

Two numbers of a pair, the logarithm of its light and the time at which it begins, are described by a sum of
terms that are linear in unknowns: what each depth slice does to light on its way, what the slices at the
two ends do (the same at either end: light goes both ways alike), the direction, and one term per run and
per module. Robust weights keep faulty runs and modules from bending what the others say. This is good to
about a tenth of the light, whatever the ice, which is all that finding faults needs; the physics comes in
the fit.
"""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import block_diag

from iceopt.campaign.model import Campaign
from iceopt.campaign.outliers import robust_sd
from iceopt.campaign.seen import Seen

_ITERATIONS = 12
_TAIL = 3.0
"""Degrees of freedom of the Student t distribution of the scatter: far outliers count next to nothing."""

_LEAST_FREEDOM = 0.05
"""Floor of the share of residual degrees of freedom, for campaigns with hardly more pairs than unknowns."""

_MOST_SLICES = 100


@dataclass(frozen=True)
class Terms:
    """What a pair's value is a sum of, besides its module's own term."""

    columns: sp.csr_array
    """Shape (pair, term): first those of the runs."""
    prior: NDArray[np.float64]
    """Shape (term, term): prior precision."""
    runs: int
    """How many of the terms are runs'."""
    module: NDArray[np.int64]
    """Shape (pair,)."""
    modules: int


@dataclass(frozen=True)
class Pattern:
    """A fitted sum of terms."""

    common: NDArray[np.float64]
    """Shape (pair,): the part due to the place of emitter and receiver."""
    run: NDArray[np.float64]
    """Shape (run,): the part of each run; of length 0 if runs have none."""
    module: NDArray[np.float64]
    """Shape (module,): the part of each module."""
    covariance: NDArray[np.float64]
    """Shape (term, term): of the terms' coefficients."""
    module_slope: NDArray[np.float64]
    """Shape (module, term): change of `module` with the coefficients."""
    module_variance: NDArray[np.float64]
    """Shape (module,): of `module` if the coefficients were known."""

    def run_sd(self, contrast: sp.csr_array) -> NDArray[np.float64]:
        """Standard errors of combinations of the runs' parts, given as rows."""
        runs = self.run.size
        return sd_of_rows(contrast.toarray(), self.covariance[:runs, :runs])

    def module_sd(self, contrast: sp.csr_array) -> NDArray[np.float64]:
        """Standard errors of combinations of the modules' parts, given as rows."""
        return np.hypot(
            sd_of_rows(contrast @ self.module_slope, self.covariance),
            np.sqrt(contrast.power(2) @ self.module_variance),
        )


def sd_of_rows(rows: NDArray[np.float64], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard error of each row's combination of quantities that have this covariance."""
    return np.sqrt(np.maximum(((rows @ covariance) * rows).sum(axis=1), 0))


def light_terms(campaign: Campaign, seen: Seen) -> Terms:
    """Terms of ln(light x distance / photons), with one of each run's own."""
    edges_m = _slice_edges(campaign)
    nearness = (np.median(seen.distance_m) / seen.distance_m)[:, None]
    directions = [seen.cosines, seen.cosines**2]
    if seen.cosines.shape[1] > 1:  # a beam is sharper near the emitter
        directions += [column * nearness for column in directions]
    plain = np.hstack([np.ones(nearness.shape), np.log(nearness), *directions])
    path = _path_in_slices(seen, edges_m) / np.median(seen.distance_m)
    runs = len(campaign.flashes.run)
    one_hot = sp.csr_array(
        (np.ones(seen.run.size), (np.arange(seen.run.size), seen.run)), (seen.run.size, runs)
    )
    return Terms(
        sp.hstack([one_hot, plain, path, _ends(seen, edges_m)]).tocsr(),
        block_diag(np.eye(runs), 1e-6 * np.eye(plain.shape[1]), *_smoothness(edges_m.size - 1, ends_sd=1.0)),
        runs,
        seen.module,
        len(campaign.modules.name),
    )


def delay_terms(campaign: Campaign, seen: Seen) -> Terms:
    """Terms of the delay over a straight flight; runs have none, as their flash is the zero of time.

    In a scattering medium the delay grows as the square of the distance, hence path x distance; it is won on
    the way and hardly at the ends.
    """
    edges_m = _slice_edges(campaign)
    distance = (seen.distance_m / np.median(seen.distance_m))[:, None]
    along = seen.cosines[:, :1] ** 2
    plain = np.hstack([np.ones(distance.shape), distance, seen.cosines, seen.cosines**2, along * distance])
    path = _path_in_slices(seen, edges_m).multiply(distance / np.median(seen.distance_m))
    return Terms(
        sp.hstack([plain, path, _ends(seen, edges_m)]).tocsr(),
        block_diag(1e-6 * np.eye(plain.shape[1]), *_smoothness(edges_m.size - 1, ends_sd=0.1)),
        0,
        seen.module,
        len(campaign.modules.name),
    )


def fit_pattern(
    value: NDArray[np.float64],
    sd: NDArray[np.float64],
    use: NDArray[np.bool_],
    terms: Terms,
    module_prior_sd: float,
) -> Pattern:
    """Fit the terms and the modules to the used pairs by reweighted least squares.

    Parameters
    ----------
    value, sd : ndarray, shape (pair,)
        What is described and its scatter (up to one common factor, which is found).
    use : ndarray of bool, shape (pair,)
    terms : Terms
    module_prior_sd : float
        How far modules may differ; wide, as it only fixes what the data leave open.

    Notes
    -----
    The modules' terms are eliminated exactly (each pair has one module), so the system that is solved has
    only as many unknowns as there are terms. Weights: Lange, Little, Taylor, J. Am. Stat. Assoc. 84, 881
    (1989).
    """
    a, y, s, module = terms.columns[use], value[use], sd[use], terms.module[use]
    by_module = sp.csr_array(
        (np.ones(module.size), (module, np.arange(module.size))), (terms.modules, module.size)
    )
    weight = s**-2
    for _ in range(_ITERATIONS):
        wa = sp.diags_array(weight) @ a
        own = by_module @ weight + module_prior_sd**-2
        mixed = (by_module @ wa).toarray()
        right_module = by_module @ (weight * y)
        reduced = (a.T @ wa).toarray() + terms.prior - mixed.T @ (mixed / own[:, None])
        covariance = np.linalg.inv(reduced)
        slope = -mixed / own[:, None]
        unknown = covariance @ (a.T @ (weight * y) + slope.T @ right_module)
        module_term = right_module / own + slope @ unknown
        pull = (y - a @ unknown - module_term[module]) / s
        # what the priors do not take is fitted: residuals are smaller than errors by that
        fitted = unknown.size - np.sum(covariance * terms.prior)
        fitted += own.size - np.sum(1 / own + ((slope @ covariance) * slope).sum(axis=1)) / module_prior_sd**2
        freedom = max(1 - fitted / y.size, _LEAST_FREEDOM)
        scale = max(robust_sd(pull), 1e-3) / np.sqrt(freedom)
        weight = (_TAIL + 1) / (_TAIL + (pull / scale) ** 2) / (s * scale) ** 2
    return Pattern(
        common=terms.columns[:, terms.runs :] @ unknown[terms.runs :],
        run=unknown[: terms.runs],
        module=module_term,
        covariance=covariance,
        module_slope=slope,
        module_variance=1 / own,
    )


def _slice_edges(campaign: Campaign) -> NDArray[np.float64]:
    """Edges of depth slices as thick as the modules of a line are apart, shape (slice + 1,)."""
    depth_m, line = campaign.modules.position_m[:, 2], np.array(campaign.modules.line)
    steps = np.concatenate([np.diff(np.sort(depth_m[line == name])) for name in np.unique(line)])
    spacing = float(np.median(steps)) if steps.size else 1.0
    slices = int(np.clip(np.ptp(depth_m) / max(spacing, 1e-9), 1, _MOST_SLICES))
    return np.linspace(depth_m.min() - 1e-3, depth_m.max() + 1e-3, slices + 1)


def _smoothness(slices: int, ends_sd: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Prior precisions of path and ends: neighbouring slices differ by order 1 and by `ends_sd`."""
    difference = np.diff(np.eye(slices), axis=0)
    rough = difference.T @ difference
    return rough + 1e-3 * np.eye(slices), rough / ends_sd**2 + 0.1 * np.eye(slices)


def _path_in_slices(seen: Seen, edges_m: NDArray[np.float64]) -> sp.csr_array:
    """Length of the straight path in each slice, shape (pair, slice) (m)."""
    top = np.minimum(seen.emitter_depth_m, seen.receiver_depth_m)[:, None]
    bottom = np.maximum(seen.emitter_depth_m, seen.receiver_depth_m)[:, None]
    # a level path lies in one slice: give it a thickness that cannot matter
    top, bottom = top - 5e-4, bottom + 5e-4
    overlap = np.clip(np.minimum(bottom, edges_m[1:]) - np.maximum(top, edges_m[:-1]), 0, None)
    return sp.csr_array(overlap / (bottom - top) * seen.distance_m[:, None])


def _ends(seen: Seen, edges_m: NDArray[np.float64]) -> sp.csr_array:
    """How many of the two ends lie in each slice, shape (pair, slice)."""
    pair, slices = np.arange(seen.run.size), edges_m.size - 1
    shape = (pair.size, slices)
    ends = (seen.emitter_depth_m, seen.receiver_depth_m)
    places = [np.searchsorted(edges_m, depth_m, side="right") - 1 for depth_m in ends]
    return sum(sp.csr_array((np.ones(pair.size), (pair, place)), shape) for place in places)
