"""From Laplace variables on the imaginary axis to counts in time bins.

Laguerre expansion (Weeks, J. ACM 13, 419, 1966): a function f(t) with transform F(s) is

    f(t) = exp(-b t) sum_n a_n L_n(2 b t),   sum_n a_n z^n = 2 b F(s) / (1 - z),  s = b (1 + z) / (1 - z),

so that the a_n are Fourier coefficients of F on the imaginary axis at s = i b cot(theta / 2). All
singularities of transport lie left of that axis for every order and every wavenumber (the moment
equations are hyperbolic with loss); contours bent to the left, which serve diffusion, cross them.

Light needs a time to arrive: F(s) exp(s t0) with t0 = r / v is expanded instead, each group of entries
with its own t0. The fronts of the moment equations are sharper than the bins; what is faster than
`bandwidth` is filtered smoothly, by exp(-(w / bandwidth)^4), which leaves moments of the time profile up to
the third untouched.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class LaplaceNodes:
    """Nodes s = i frequency on the upper half of the imaginary axis."""

    scale: float
    """b of the Laguerre functions (1/ns)."""
    terms: int
    bandwidth: float
    """Angular frequency (1/ns)."""

    @property
    def _angles(self) -> NDArray[np.float64]:
        angles = (2 * np.arange(self.terms) + 1) * np.pi / (2 * self.terms)
        frequency = self.scale / np.tan(angles / 2)
        # Beyond this the filter is below 1e-5.
        return angles[frequency < 1.85 * self.bandwidth]

    @property
    def frequency(self) -> NDArray[np.float64]:
        """Angular frequencies of the nodes in use, decreasing (1/ns)."""
        return self.scale / np.tan(self._angles / 2)

    def binning(self, edges_ns: NDArray[np.float64], delay_ns: float) -> NDArray[np.float64]:
        """Give the real matrix from (real, imaginary) F at the nodes to the integrals over bins.

        Parameters
        ----------
        edges_ns : array, shape (bin + 1,)
        delay_ns : float
            Nothing arrives earlier.

        Returns
        -------
        array, shape (node, 2, bin)
        """
        angles, frequency = self._angles, self.frequency
        gain = np.exp(1j * frequency * delay_ns - (frequency / self.bandwidth) ** 4)
        phase = np.exp(-1j * np.outer(np.arange(self.terms), angles))
        kernel = phase * (2 * self.scale / (1 - np.exp(1j * angles)) * gain / self.terms)
        shifted = np.maximum(edges_ns - delay_ns, 0.0)
        integrals = laguerre_integrals(shifted, self.scale, self.terms)
        complex_matrix = kernel.T @ integrals
        return np.stack([complex_matrix.real, -complex_matrix.imag], axis=1)


def laguerre_integrals(edges_ns: NDArray[np.float64], scale: float, terms: int) -> NDArray[np.float64]:
    """Integrate exp(-scale t) L_n(2 scale t) over bins, shape (terms, bin).

    With u_n = exp(-x / 2) L_n(x), L_n' - L_n-1' = -L_n-1 gives the integrals J_n of u_n from 0 to x:
    J_n = -J_n-1 - 2 (u_n - u_n-1), J_0 = 2 (1 - u_0). Exact for bins of any width.
    """
    x = 2 * scale * edges_ns
    previous, current = np.zeros_like(x), np.exp(-0.5 * x)
    integral = 2.0 * (1.0 - current)
    result = np.empty((terms, edges_ns.size - 1))
    for n in range(terms):
        result[n] = np.diff(integral) / (2 * scale)
        previous, current = current, ((2 * n + 1 - x) * current - n * previous) / (n + 1)
        integral = -integral - 2.0 * (current - previous)
    return result
