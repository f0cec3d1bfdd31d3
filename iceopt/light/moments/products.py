"""Products of small matrices and vectors, one a lane; offsets count entries as in `lanes`."""

from iceopt.light.moments.lanes import LANES, axpy, copy_entry, dots, jit, real


@jit
def multiply_vector(a, oa, v, ov, keep, scale, out, oo, n):
    """Set out to keep out + scale a v."""
    dots(out, oo, keep, scale, v, ov, 1, a, oa, 1, n, n, n)


@jit
def add_constant(v, ov, values):
    """Add a real constant vector in every lane."""
    for i in range(values.size):
        entry = real(v, ov + i)
        for x in range(LANES):
            entry[x] += values[i]


@jit
def symmetrize(a, oa, n):
    """Replace a by (a + a^T) / 2."""
    for i in range(n):
        for j in range(i):
            axpy(a, oa + i * n + j, 0.5, 0.5, a, oa + j * n + i)
            copy_entry(a, oa + j * n + i, a, oa + i * n + j)


@jit
def clear(a, oa, entries):
    """Set entries to zero."""
    a[oa : oa + entries] = 0.0


@jit
def add_outer(out, oo, scale, a, oa, b, ob, n):
    """Add scale a b^T to out."""
    for i in range(n):
        dots(out, oo + i * n, 1.0, scale, a, oa + i, 1, b, ob, 1, 1, 1, n)


@jit
def multiply(a, oa, b, ob, keep, scale, out, oo, n):
    """Set out to keep out + scale a b."""
    for i in range(n):
        dots(out, oo + i * n, keep, scale, a, oa + i * n, 1, b, ob, n, n, 1, n)


@jit
def multiply_transposed(a, oa, b, ob, keep, scale, out, oo, n):
    """Set out to keep out + scale a b^T."""
    for i in range(n):
        dots(out, oo + i * n, keep, scale, a, oa + i * n, 1, b, ob, 1, n, n, n)


@jit
def multiply_vector_transposed(a, oa, v, ov, keep, scale, out, oo, n):
    """Set out to keep out + scale a^T v."""
    dots(out, oo, keep, scale, v, ov, 1, a, oa, n, n, 1, n)


@jit
def lane_sum(a, entry):
    """Sum of the real parts of an entry: loss rates change by real amounts."""
    total = 0.0
    parts = real(a, entry)
    for x in range(LANES):
        total += parts[x]
    return total


@jit
def largest(a, oa, entries):
    """Largest real or imaginary part of some entries by size."""
    most = 0.0
    for i in range(oa, oa + entries):
        for x in range(LANES):
            if a.ndim == 2:  # noqa: SIM108
                most = max(most, abs(a[i, x]))
            else:
                most = max(most, abs(a[i, 0, x]), abs(a[i, 1, x]))
    return most
