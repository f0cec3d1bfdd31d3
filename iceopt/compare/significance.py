"""Is it chance? Layer by layer, band by band, and all at once."""

from dataclasses import dataclass

import numpy as np
import scipy.stats
from numpy.typing import NDArray

Array = NDArray[np.float64]

_COUNTED = 50
"""A tail of fewer draws than this is not counted but extrapolated."""


def two_sided(mean: Array, sd: Array, effective_draws: float) -> Array:
    """Probability of a change at least this large, either way, if there is none.

    Student's t, since the standard deviation is itself known from so many draws only. Counting draws beyond
    zero would end at one part in as many draws, and many comparisons need less.
    """
    return 2 * scipy.stats.t.sf(abs(mean) / sd, max(effective_draws - 1, 1.0))


def benjamini_hochberg(probability: Array) -> Array:
    """Adjust probabilities for many tests: the false-discovery rate at which each would be named.

    q_(i) = min over j >= i of p_(j) m / j. Benjamini, Hochberg, J. R. Stat. Soc. B 57, 289 (1995); also valid
    for positively dependent tests (Benjamini, Yekutieli, Ann. Stat. 29, 1165 (2001)).

    Parameters
    ----------
    probability : ndarray, any shape

    Returns
    -------
    ndarray, same shape
    """
    flat = probability.ravel()
    order = np.argsort(flat)[::-1]
    scaled = flat[order] * flat.size / np.arange(flat.size, 0, -1)
    adjusted = np.empty_like(flat)
    adjusted[order] = np.minimum.accumulate(np.minimum(scaled, 1.0))
    return adjusted.reshape(probability.shape)


def shrunk_correlation(draws: Array, effective_draws: float) -> Array:
    """Correlation matrix, shrunk towards none by as much as its entries are uncertain.

    Schaefer, Strimmer, Stat. Appl. Genet. Mol. Biol. 4, 32 (2005), with var(r) = (1 - r^2)^2 / n of Gaussian
    draws in place of its estimate, so that draws that hang together count as few.

    Parameters
    ----------
    draws : ndarray, shape (draw, quantity)
    effective_draws : float
    """
    correlation = np.atleast_2d(np.corrcoef(draws, rowvar=False))
    off = correlation[np.tri(len(correlation), k=-1, dtype=np.bool_)]
    uncertain = np.sum((1 - off**2) ** 2) / effective_draws
    kept = 1 - min(1.0, uncertain / max(float(np.sum(off**2)), 1e-300))
    # A trace of the identity stays in any case: equal layers make the matrix singular.
    kept = min(kept, 1 - 1 / effective_draws)
    return kept * correlation + (1 - kept) * np.eye(len(correlation))


def joint_probability(first: Array, second: Array, effective_draws: float) -> float:
    """Probability of changes this far from none, all quantities together, if there are none.

    The distance is x^T S^-1 x with S from one half of the draws (shrunk). What it is if nothing changed is
    seen from the other half's draws about their own mean: those know nothing of the errors of S, so neither
    shrinking nor few draws make the test too sharp. Both halves take both roles, and the mean counts.

    Parameters
    ----------
    first, second : ndarray, shape (draw, quantity)
        Halves of the draws of the changes, independent of one another.
    effective_draws : float
        Of each half.

    Returns
    -------
    float
        Beyond what the draws resolve, the tail is that of a gamma distribution of the same mean and
        variance (Satterthwaite, Biometrics Bull. 2, 110 (1946)).
    """
    middle = 0.5 * (first.mean(axis=0) + second.mean(axis=0))
    return 0.5 * sum(
        _tail(middle, known, other, effective_draws) for known, other in ((first, second), (second, first))
    )


def _tail(middle: Array, known: Array, other: Array, effective_draws: float) -> float:
    sd = known.std(axis=0, ddof=1)
    shrunk = shrunk_correlation(known, effective_draws)

    def distance(x: Array) -> Array:
        scaled = np.atleast_2d(x / sd)
        return np.sum(scaled * np.linalg.solve(shrunk, scaled.T).T, axis=1)

    none = distance(other - other.mean(axis=0))
    found = float(distance(middle)[0])
    counted = (1 + np.sum(none >= found)) / (1 + none.size)
    resolved = _COUNTED / none.size
    if counted > resolved:
        return float(counted)
    scale = none.var() / none.mean()
    return float(min(resolved, scipy.stats.gamma.sf(found, none.mean() / scale, scale=scale)))


@dataclass(frozen=True)
class Band:
    """Cells that lie together and changed together."""

    kind: int
    first: int
    last: int
    """Included."""
    change: Array
    """Draws of the mean log change over the band, shape (draw,)."""
    probability: float
    """That any band would stand out so far somewhere, if there is no change."""


def changed_bands(
    first: Array, second: Array, thickness_m: Array, rate: float, effective_draws: float
) -> list[Band]:
    """Bands of any thickness whose mean changed.

    The mean over a band is far better known than its single layers, so a band shows where none of its layers
    does. All bands of all kinds are looked at, and what the largest of so many comes to by chance is seen
    from the draws about their own mean (Westfall, Young, Resampling-Based Multiple Testing, Wiley (1993)):
    the rate is that of any band being named in error. Standard deviations are those of the other half of the
    draws, as in `joint_probability`. The band that stands out most is taken, then the next that shares no
    layer of the same kind with those taken.

    A mean says that a band changed, not where in it: as neighbouring layers' errors go against one another,
    a wider band can stand out more than what changed in it. The edges are those of the uniform change that
    explains all cells of both kinds best (`likeliest_band`) among bands that share a layer with it.

    Parameters
    ----------
    first, second : ndarray, shape (draw, kind, cell)
        Halves of the draws of the changes, independent of one another.
    thickness_m : ndarray, shape (cell,)
    rate : float
    effective_draws : float
        Of all draws.
    """
    draws = np.concatenate([first, second])
    middle = 0.5 * (first.mean(axis=0) + second.mean(axis=0))
    explained = explained_by_bands(middle, draws, effective_draws)
    roles = [
        _standing_out(middle, known, other, thickness_m)
        for known, other in ((first, second), (second, first))
    ]
    height = 0.5 * (roles[0][0] + roles[1][0])
    bands: list[Band] = []
    while True:
        at = np.unravel_index(height.argmax(), height.shape)
        kind, start, stop = (int(i) for i in at)
        counted = [(1 + np.sum(largest >= mine[at])) / (1 + largest.size) for mine, largest in roles]
        probability = float(np.mean(counted))
        if not (height[at] > 0 and probability <= rate):
            return bands
        begin, end = likeliest_band(explained[kind], start, stop)
        inside = slice(begin, end + 1)
        change = draws[:, kind, inside] @ thickness_m[inside] / thickness_m[inside].sum()
        bands.append(Band(kind, begin, end, change, probability))
        taken = slice(min(start, begin), max(stop, end) + 1)
        for of_bands in (height, explained):
            of_bands[kind, : taken.stop, taken.start :] = 0.0


def explained_by_bands(middle: Array, draws: Array, effective_draws: float) -> Array:
    """How much of all changes a uniform change of one band explains, shape (kind, first cell, last cell).

    With S the covariance of all cells (shrunk) and b one in the band and 0 elsewhere, the least x^T S^-1 x
    that is left by a change of size s in the band is smaller than with none by (b^T S^-1 x)^2 / b^T S^-1 b:
    generalised least squares (Aitken, Proc. R. Soc. Edinb. 55, 42 (1935); from memory). 0 where the last
    cell is above the first.

    Parameters
    ----------
    middle : ndarray, shape (kind, cell)
        The changes.
    draws : ndarray, shape (draw, kind, cell)
    effective_draws : float
    """
    kinds, cells = middle.shape
    flat = draws.reshape(len(draws), -1)
    sd = flat.std(axis=0, ddof=1)
    precision = np.linalg.inv(shrunk_correlation(flat, effective_draws)) / np.outer(sd, sd)
    pull = (precision @ middle.ravel()).reshape(kinds, cells)
    explained = np.zeros((kinds, cells, cells))
    for kind in range(kinds):
        own = precision[kind * cells : (kind + 1) * cells, kind * cells : (kind + 1) * cells]
        pulls = np.pad(np.cumsum(pull[kind]), (1, 0))
        sums = np.pad(np.cumsum(np.cumsum(own, axis=0), axis=1), (1, 0))
        start, stop = np.triu_indices(cells)
        after = stop + 1
        known = sums[after, after] - sums[start, after] - sums[after, start] + sums[start, start]
        explained[kind, start, stop] = (pulls[after] - pulls[start]) ** 2 / known
    return explained


def likeliest_band(explained: Array, start: int, stop: int) -> tuple[int, int]:
    """First and last cell of the band that explains most, among those that share a cell with a given one.

    Parameters
    ----------
    explained : ndarray, shape (first cell, last cell)
    start, stop : int
        First and last cell of the given band.
    """
    near = explained[: stop + 1, start:]
    first, last = np.unravel_index(near.argmax(), near.shape)
    return int(first), int(last) + start


def _standing_out(middle: Array, known: Array, other: Array, thickness_m: Array) -> tuple[Array, Array]:
    """How far each band's mean is from none, shape (kind, first cell, last cell), and the most by chance."""
    kinds, cells = middle.shape

    def integral(x: Array) -> Array:
        return np.pad(np.cumsum(x * thickness_m, axis=-1), [(0, 0)] * (x.ndim - 1) + [(1, 0)])

    found, spread, none = integral(middle), integral(known), integral(other - other.mean(axis=0))
    height = np.zeros((kinds, cells, cells))
    largest = np.zeros(len(other))
    for width in range(1, cells + 1):
        sd = (spread[..., width:] - spread[..., :-width]).std(axis=0, ddof=1)
        start = np.arange(cells - width + 1)
        height[:, start, start + width - 1] = abs(found[:, width:] - found[:, :-width]) / sd
        largest = np.maximum(largest, (abs(none[..., width:] - none[..., :-width]) / sd).max(axis=(1, 2)))
    return height, largest
