"""Small complex matrices, many at once: one matrix a lane, lanes innermost.

A matrix is a run of entries in a flat array of doubles; an entry is `LANES` real parts followed by
`LANES` imaginary parts, so that each step below is one vector instruction a part. Loops in Python source
do not reach that (the compiler cannot prove that operands do not overlap), hence the three primitives
written as vector code. Offsets and strides count entries.

Factors are L D L^T without pivoting: every matrix that is factored here belongs to a passive medium (an
impedance, or a loss matrix), its signed form is quasi-definite, and such matrices have that factorisation
in any order (Vanderbei, SIAM J. Optim. 5, 100, 1995; for complex ones the real part plays that role).
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.extending import intrinsic

LANES = 16
ENTRY = 2 * LANES
"""Doubles in an entry."""

jit = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz", "arcp", "reassoc"})

_DOUBLE = ir.DoubleType()
_INDEX = ir.IntType(64)
_VECTOR = ir.VectorType(_DOUBLE, LANES)
_FUSE = ("contract",)


class _Emitter:
    """Emits loads, stores and arithmetic on entries of flat arrays."""

    def __init__(self, context: Any, builder: Any, signature: Any, arguments: Any) -> None:
        self.builder = builder
        self._bases = {
            i: context.make_array(kind)(context, builder, value).data
            for i, (kind, value) in enumerate(zip(signature.args, arguments, strict=True))
            if isinstance(kind, types.Array)
        }

    def pointer(self, argument: int, entry: Any, part: int) -> Any:
        b = self.builder
        offset = b.add(b.mul(entry, ir.Constant(_INDEX, ENTRY)), ir.Constant(_INDEX, part * LANES))
        return b.bitcast(b.gep(self._bases[argument], [offset]), _VECTOR.as_pointer())

    def load(self, argument: int, entry: Any) -> tuple[Any, Any]:
        return tuple(self.builder.load(self.pointer(argument, entry, part), align=8) for part in (0, 1))

    def store(self, argument: int, entry: Any, value: tuple[Any, Any]) -> None:
        for part in (0, 1):
            self.builder.store(value[part], self.pointer(argument, entry, part), align=8)

    def load_doubles(self, argument: int, place: Any) -> Any:
        b = self.builder
        return b.load(b.bitcast(b.gep(self._bases[argument], [place]), _VECTOR.as_pointer()), align=8)

    def load_real(self, argument: int, entry: Any) -> Any:
        return self.load_doubles(argument, self.builder.mul(entry, ir.Constant(_INDEX, LANES)))

    def store_real(self, argument: int, entry: Any, value: Any) -> None:
        b = self.builder
        place = b.gep(self._bases[argument], [b.mul(entry, ir.Constant(_INDEX, LANES))])
        b.store(value, b.bitcast(place, _VECTOR.as_pointer()), align=8)

    def sum_of_lanes(self, value: Any) -> Any:
        """Sum of a vector's lanes, by halves."""
        b, undefined, width = self.builder, ir.Constant(_VECTOR, ir.Undefined), LANES
        while width > 1:
            width //= 2
            lanes = [(i + width) % LANES for i in range(LANES)]
            mask = ir.Constant(ir.VectorType(ir.IntType(32), LANES), lanes)
            value = b.fadd(value, b.shuffle_vector(value, undefined, mask))
        return b.extract_element(value, ir.Constant(ir.IntType(32), 0))

    def fused(self, x: Any, y: Any, z: Any) -> Any:
        b = self.builder
        return b.fadd(b.fmul(x, y, flags=_FUSE), z, flags=_FUSE)

    def multiply_add(self, x: tuple[Any, Any], y: tuple[Any, Any], z: tuple[Any, Any]) -> tuple[Any, Any]:
        """Complex x y + z."""
        real = self.fused(self.builder.fneg(x[1]), y[1], self.fused(x[0], y[0], z[0]))
        imaginary = self.fused(x[1], y[0], self.fused(x[0], y[1], z[1]))
        return real, imaginary

    def splat(self, value: Any) -> Any:
        b, undefined = self.builder, ir.Constant(_VECTOR, ir.Undefined)
        first = b.insert_element(undefined, value, ir.Constant(ir.IntType(32), 0))
        return b.shuffle_vector(
            first, undefined, ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
        )


_ZERO = ir.Constant(_VECTOR, [0.0] * LANES)


def _dot(typing: Any, out: Any, io: Any, keep: Any, scale: Any, a: Any, ia: Any, sa: Any, b: Any, ib: Any,
         sb: Any, n: Any) -> tuple[Any, Callable]:  # fmt: skip
    """out[io] = keep out[io] + scale sum_p<n a[ia + p sa] b[ib + p sb]."""
    i, d = types.intp, types.float64
    signature = types.void(out, i, d, d, a, i, i, b, i, i, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, keep, scale, _, ia, sa, _, ib, sb, n = arguments
        sums = [cgutils.alloca_once_value(builder, _ZERO) for _ in range(2)]
        for place in sums:
            builder.store(_ZERO, place)
        with cgutils.for_range(builder, n, intp=_INDEX) as loop:
            x = e.load(4, builder.add(ia, builder.mul(loop.index, sa)))
            y = e.load(7, builder.add(ib, builder.mul(loop.index, sb)))
            total = e.multiply_add(x, y, tuple(builder.load(place) for place in sums))
            for place, value in zip(sums, total, strict=True):
                builder.store(value, place)
        old, k, f = e.load(0, io), e.splat(keep), e.splat(scale)
        e.store(0, io, tuple(e.fused(f, builder.load(sums[p]), builder.fmul(k, old[p])) for p in (0, 1)))
        return context.get_dummy_value()

    return signature, code


def _times(typing: Any, out: Any, io: Any, a: Any, ia: Any, b: Any, ib: Any) -> tuple[Any, Callable]:
    """out[io] = a[ia] b[ib]."""
    i = types.intp
    signature = types.void(out, i, a, i, b, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, _, ia, _, ib = arguments
        e.store(0, io, e.multiply_add(e.load(2, ia), e.load(4, ib), (_ZERO, _ZERO)))
        return context.get_dummy_value()

    return signature, code


def _axpy(typing: Any, out: Any, io: Any, keep: Any, scale: Any, a: Any, ia: Any) -> tuple[Any, Callable]:
    """out[io] = keep out[io] + scale a[ia]."""
    i, d = types.intp, types.float64
    signature = types.void(out, i, d, d, a, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, keep, scale, _, ia = arguments
        old, new, k, f = e.load(0, io), e.load(4, ia), e.splat(keep), e.splat(scale)
        e.store(0, io, tuple(e.fused(f, new[p], builder.fmul(k, old[p])) for p in (0, 1)))
        return context.get_dummy_value()

    return signature, code


def _real_dot(typing: Any, out: Any, io: Any, keep: Any, scale: Any, a: Any, ia: Any, sa: Any, b: Any,
              ib: Any, sb: Any, n: Any) -> tuple[Any, Callable]:  # fmt: skip
    """out[io] = keep out[io] + scale sum_p<n a[ia + p sa] b[ib + p sb], of real lanes."""
    i, d = types.intp, types.float64
    signature = types.void(out, i, d, d, a, i, i, b, i, i, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, keep, scale, _, ia, sa, _, ib, sb, n = arguments
        total = cgutils.alloca_once_value(builder, _ZERO)
        builder.store(_ZERO, total)
        with cgutils.for_range(builder, n, intp=_INDEX) as loop:
            x = e.load_real(4, builder.add(ia, builder.mul(loop.index, sa)))
            y = e.load_real(7, builder.add(ib, builder.mul(loop.index, sb)))
            builder.store(e.fused(x, y, builder.load(total)), total)
        old = builder.fmul(e.splat(keep), e.load_real(0, io))
        e.store_real(0, io, e.fused(e.splat(scale), builder.load(total), old))
        return context.get_dummy_value()

    return signature, code


def _weighted_dot(
    typing: Any, a: Any, ia: Any, b: Any, ib: Any, n: Any, w: Any, iw: Any
) -> tuple[Any, Callable]:
    """Sum over lanes of w[iw + lane] sum_p<n a[ia + p] b[ib + p], of real lanes; iw counts doubles."""
    i = types.intp
    signature = types.float64(a, i, b, i, i, w, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, ia, _, ib, n, _, iw = arguments
        total = cgutils.alloca_once_value(builder, _ZERO)
        builder.store(_ZERO, total)
        with cgutils.for_range(builder, n, intp=_INDEX) as loop:
            x = e.load_real(0, builder.add(ia, loop.index))
            y = e.load_real(2, builder.add(ib, loop.index))
            builder.store(e.fused(x, y, builder.load(total)), total)
        weighted = builder.fmul(builder.load(total), e.load_doubles(5, iw))
        return e.sum_of_lanes(weighted)

    return signature, code


dot = intrinsic(_dot)
real_dot = intrinsic(_real_dot)
weighted_dot = intrinsic(_weighted_dot)
times = intrinsic(_times)
axpy = intrinsic(_axpy)


@jit
def workspace(entries):
    """Give a flat array of that many entries."""
    return np.zeros(entries * ENTRY)


@jit
def reciprocal(a, i):
    """Replace an entry by its reciprocal."""
    re = i * ENTRY
    im = re + LANES
    for x in range(LANES):
        norm = 1.0 / (a[re + x] ** 2 + a[im + x] ** 2)
        a[re + x] *= norm
        a[im + x] *= -norm


@jit
def factor(a, oa, n):
    """Factor a symmetric matrix: lower triangle L, diagonal 1 / D, upper triangle (L D)^T."""
    for i in range(n):
        for j in range(i):
            upper = oa + j * n + i
            dot(a, upper, 1.0, -1.0, a, oa + i, n, a, oa + j * n, 1, j)
            times(a, oa + i * n + j, a, upper, a, oa + j * n + j)
        diagonal = oa + i * n + i
        dot(a, diagonal, 1.0, -1.0, a, oa + i, n, a, oa + i * n, 1, i)
        reciprocal(a, diagonal)


@jit
def solve(f, of, b, ob, n, m):
    """Replace the n x m matrix b by A^-1 b, with A factored in f."""
    for i in range(1, n):
        for c in range(m):
            dot(b, ob + i * m + c, 1.0, -1.0, f, of + i * n, 1, b, ob + c, m, i)
    for i in range(n - 1, -1, -1):
        for c in range(m):
            entry = ob + i * m + c
            times(b, entry, b, entry, f, of + i * n + i)
            dot(b, entry, 1.0, -1.0, f, of + (i + 1) * n + i, n, b, ob + (i + 1) * m + c, m, n - 1 - i)


@jit
def transposed_product(a, oa, b, ob, scale, out, oo, n):
    """Set out to scale a^T b, which must be symmetric: half of it is computed."""
    for i in range(n):
        for j in range(i + 1):
            entry = oo + i * n + j
            dot(out, entry, 0.0, scale, a, oa + i, n, b, ob + j, n, n)
            axpy(out, oo + j * n + i, 0.0, 1.0, out, entry)


@jit
def combine(out, oo, keep, scale, a, oa, entries):
    """Set out to keep out + scale a, entry by entry."""
    for i in range(entries):
        axpy(out, oo + i, keep, scale, a, oa + i)
