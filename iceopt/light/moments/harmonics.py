"""Real spherical harmonics up to order N and how transport couples them.

The radiance of horizontal wavenumber k along x is expanded in orthonormal harmonics R_lm(direction),
m = 0..l (cosines in azimuth; the sines never couple). Multiplying by a direction cosine couples
neighbours only (Case, Zweifel, Linear Transport Theory, 1967; the Legendre recurrence):

    u_z R_lm = a(l + 1, m) R_l+1,m + a(l, m) R_l-1,m,   a(l, m)^2 = (l^2 - m^2) / (4 l^2 - 1)

and u_x couples l +- 1, m +- 1. Moments with l + m even ("even", E) are unchanged by a reflection in z,
those with l + m odd ("odd", O) change sign: u_z couples E with O only, u_x keeps the class.

With i taken out of every moment of odd m all couplings are real, and after a change of sign of the rows
of odd m they are symmetric as well: `sign` carries that.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from iceopt.errors import DomainError

MAX_ORDER = 9


@dataclass(frozen=True)
class Couplings:
    """Constant matrices of order N for the symmetric real form of the moment equations.

    In a layer with total loss rates s_l the moments obey, with d/dz written ', M_O and M_E below and
    sources q (the `sign` of a source with m = 0 is +1)::

        M_E c_E + vertical   c_O' = q_E,    M_E = diag(even_sign * s[even_l]) - k even_horizontal
        M_O c_O + vertical^T c_E' = q_O,    M_O = diag(odd_sign  * s[odd_l])  - k odd_horizontal
    """

    order: int
    even_moments: tuple[tuple[int, int], ...]
    odd_moments: tuple[tuple[int, int], ...]
    even_l: NDArray[np.int64]
    even_sign: NDArray[np.float64]
    even_horizontal: NDArray[np.float64]
    odd_l: NDArray[np.int64]
    odd_sign: NDArray[np.float64]
    odd_horizontal: NDArray[np.float64]
    vertical: NDArray[np.float64]
    """Shape (even, odd)."""


def moment_indices(order: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Give (l, m) of the even and of the odd moments; (0, 0) and (1, 0) come first."""
    pairs = [(degree, m) for degree in range(order + 1) for m in range(degree + 1)]
    pairs.sort(key=lambda lm: (lm[1] % 2, lm[1], lm[0]))
    even = [lm for lm in pairs if sum(lm) % 2 == 0]
    odd = [lm for lm in pairs if sum(lm) % 2 == 1]
    return even, odd


def vertical_coupling(first: tuple[int, int], second: tuple[int, int]) -> float:
    """Integral of R_first u_z R_second over all directions."""
    (l1, m1), (l2, m2) = first, second
    if m1 != m2 or abs(l1 - l2) != 1:
        return 0.0
    high = max(l1, l2)
    return float(np.sqrt((high**2 - m1**2) / (4 * high**2 - 1)))


def horizontal_coupling(first: tuple[int, int], second: tuple[int, int]) -> float:
    """Integral of R_first u_x R_second over all directions."""
    (l1, m1), (l2, m2) = sorted((first, second))
    if abs(m1 - m2) != 1 or l2 - l1 != 1:
        return 0.0
    if m2 == m1 + 1:
        value = -np.sqrt((l1 + m1 + 1) * (l1 + m1 + 2) / ((2 * l1 + 1) * (2 * l1 + 3)))
    else:
        value = np.sqrt((l1 - m1 + 1) * (l1 - m1 + 2) / ((2 * l1 + 1) * (2 * l1 + 3)))
    # Complex harmonics carry the Condon-Shortley phase; the real ones here do not. The step between
    # m = 0 and m = 1 gains sqrt(2) from the normalisation of the cosine.
    return float(abs(value) * np.sign(m2 - m1) * 0.5 * (np.sqrt(2.0) if 0 in (m1, m2) else 1.0))


@cache
def couplings(order: int) -> Couplings:
    """Build the constant matrices of an order.

    Raises
    ------
    DomainError
        If the order is not a whole number from 1 to 9.
    """
    if order not in range(1, MAX_ORDER + 1):
        raise DomainError(f"order {order!r} is not offered; expected a whole number from 1 to {MAX_ORDER}")
    even, odd = moment_indices(order)

    def matrix(
        rows: list[tuple[int, int]], columns: list[tuple[int, int]], vertical: bool
    ) -> NDArray[np.float64]:
        entry = vertical_coupling if vertical else horizontal_coupling
        return np.array([[entry(a, b) for b in columns] for a in rows])

    def sign(moments: list[tuple[int, int]]) -> NDArray[np.float64]:
        return np.array([1.0 if m % 2 == 0 else -1.0 for _, m in moments])

    return Couplings(
        order=order,
        even_moments=tuple(even),
        odd_moments=tuple(odd),
        even_l=np.array([degree for degree, _ in even]),
        even_sign=sign(even),
        even_horizontal=matrix(even, even, vertical=False),
        odd_l=np.array([degree for degree, _ in odd]),
        odd_sign=sign(odd),
        odd_horizontal=matrix(odd, odd, vertical=False),
        vertical=sign(even)[:, None] * matrix(even, odd, vertical=True),
    )
