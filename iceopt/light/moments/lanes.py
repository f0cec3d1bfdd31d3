"""Small matrices, many at once: one matrix a lane, lanes innermost; complex ones and real ones.

A workspace is an array of entries, and an entry is one element of `LANES` matrices, so that each step below
is one vector instruction a part. The kind is in the type: complex workspaces have shape (entry, 2, LANES),
real parts before imaginary ones, real workspaces have shape (entry, LANES). Every kernel is compiled for
both from one source; where `a.ndim` is asked, the compiler drops the other branch. Loops in Python source do
not become vector code (the compiler cannot prove that operands do not overlap), hence the primitives below.
Offsets and strides count entries.

Factors are L D L^T without pivoting: every matrix that is factored here belongs to a passive medium (an
impedance, or a loss matrix), its signed form is quasi-definite, and such matrices have that factorisation
in any order (Vanderbei, SIAM J. Optim. 5, 100, 1995; for complex ones the real part plays that role).
"""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.core import cgutils
from numba.extending import intrinsic, overload

LANES = 16
_ABREAST = 3
"""Sums that `dots` takes at once: they hide each other's latency and share a factor. 6 and 9 fields are
multiples of it."""

_compile = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nsz", "arcp", "reassoc"})


def jit(kernel: Callable[..., Any]) -> Any:
    """Compile a kernel, for each kind of workspace once.

    Left to itself numba compiles anew for each pattern of constants among the arguments, up to nine times.
    """
    compiled: Any = _compile(kernel)
    template = compiled.get_call_template

    def without_constants(args: tuple[Any, ...], named: dict[str, Any]) -> Any:
        return template(
            tuple(map(types.unliteral, args)), {k: types.unliteral(kind) for k, kind in named.items()}
        )

    compiled.get_call_template = without_constants
    return compiled


_INDEX = ir.IntType(64)
_VECTOR = ir.VectorType(ir.DoubleType(), LANES)
_ZERO = ir.Constant(_VECTOR, [0.0] * LANES)
_FUSE = ("contract",)

Entry = tuple[Any, ...]
"""The vectors of an entry: one, or a real and an imaginary one."""


class _Emitter:
    """Emits loads, stores and arithmetic on entries of workspaces."""

    def __init__(self, context: Any, builder: Any, signature: Any, arguments: Any) -> None:
        self.builder = builder
        self._bases = {
            i: context.make_array(kind)(context, builder, value).data
            for i, (kind, value) in enumerate(zip(signature.args, arguments, strict=True))
            if isinstance(kind, types.Array)
        }
        self.parts = signature.args[0].ndim - 1

    def pointer(self, argument: int, entry: Any, part: int) -> Any:
        b = self.builder
        offset = b.mul(entry, ir.Constant(_INDEX, self.parts * LANES))
        offset = b.add(offset, ir.Constant(_INDEX, part * LANES))
        return b.bitcast(b.gep(self._bases[argument], [offset]), _VECTOR.as_pointer())

    def load(self, argument: int, entry: Any) -> Entry:
        return tuple(
            self.builder.load(self.pointer(argument, entry, part), align=8) for part in range(self.parts)
        )

    def store(self, argument: int, entry: Any, value: Entry) -> None:
        for part, vector in enumerate(value):
            self.builder.store(vector, self.pointer(argument, entry, part), align=8)

    def load_doubles(self, argument: int, place: Any) -> Any:
        b = self.builder
        return b.load(b.bitcast(b.gep(self._bases[argument], [place]), _VECTOR.as_pointer()), align=8)

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

    def multiply_add(self, x: Entry, y: Entry, z: Entry) -> Entry:
        """Give x y + z."""
        if self.parts == 1:
            return (self.fused(x[0], y[0], z[0]),)
        real = self.fused(self.builder.fneg(x[1]), y[1], self.fused(x[0], y[0], z[0]))
        imaginary = self.fused(x[1], y[0], self.fused(x[0], y[1], z[1]))
        return real, imaginary

    def blend(self, keep: Any, old: Entry, scale: Any, new: Entry) -> Entry:
        """Give keep old + scale new, with vectors `keep` and `scale` of real numbers."""
        return tuple(self.fused(scale, y, self.builder.fmul(keep, x)) for x, y in zip(old, new, strict=True))

    def splat(self, value: Any) -> Any:
        b, undefined = self.builder, ir.Constant(_VECTOR, ir.Undefined)
        first = b.insert_element(undefined, value, ir.Constant(ir.IntType(32), 0))
        return b.shuffle_vector(
            first, undefined, ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
        )

    def sums(
        self, n: Any, terms: Callable[[Any], tuple[Entry, Sequence[Entry]]], abreast: int
    ) -> list[Entry]:
        """Sums over p < n of x y_c, with x and all y_c given by terms(p)."""
        places = [
            [cgutils.alloca_once_value(self.builder, _ZERO) for _ in range(self.parts)]
            for _ in range(abreast)
        ]
        for place in places:
            for p in place:
                self.builder.store(_ZERO, p)
        with cgutils.for_range(self.builder, n, intp=_INDEX) as loop:
            x, ys = terms(loop.index)
            for y, place in zip(ys, places, strict=True):
                total = self.multiply_add(x, y, tuple(self.builder.load(p) for p in place))
                for value, p in zip(total, place, strict=True):
                    self.builder.store(value, p)
        return [tuple(self.builder.load(p) for p in place) for place in places]


def _same_kind(*arrays: Any) -> bool:
    """Whether all are workspaces of one kind; an intrinsic that is given others does not compile."""
    return all(isinstance(a, types.Array) and a.layout == "C" and a.ndim == arrays[0].ndim for a in arrays)


def _dots(typing: Any, out: Any, io: Any, keep: Any, scale: Any, a: Any, ia: Any, sa: Any, b: Any, ib: Any,
          sb: Any, n: Any, step: Any, count: Any) -> tuple[Any, Callable] | None:  # fmt: skip
    """out[io + c] = keep out[io + c] + scale sum_p<n a[ia + p sa] b[ib + p sb + c step], c < count."""
    if not _same_kind(out, a, b):
        return None
    i, d = types.intp, types.float64
    signature = types.void(out, i, d, d, a, i, i, b, i, i, i, i, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, keep, scale, _, ia, sa, _, ib, sb, n, step, count = arguments
        keeps, scales = e.splat(keep), e.splat(scale)

        def some(first: Any, abreast: int) -> None:
            offsets = [builder.add(first, ir.Constant(_INDEX, c)) for c in range(abreast)]
            starts = [builder.add(ib, builder.mul(c, step)) for c in offsets]

            def terms(p: Any) -> tuple[Entry, list[Entry]]:
                along = builder.mul(p, sb)
                x = e.load(4, builder.add(ia, builder.mul(p, sa)))
                return x, [e.load(7, builder.add(start, along)) for start in starts]

            for c, total in zip(offsets, e.sums(n, terms, abreast), strict=True):
                entry = builder.add(io, c)
                e.store(0, entry, e.blend(keeps, e.load(0, entry), scales, total))

        abreast = ir.Constant(_INDEX, _ABREAST)
        groups = builder.sdiv(count, abreast)
        with cgutils.for_range(builder, groups, intp=_INDEX) as loop:
            some(builder.mul(loop.index, abreast), _ABREAST)
        done = builder.mul(groups, abreast)
        left = builder.sub(count, done)
        for rest in range(1, _ABREAST):
            with builder.if_then(builder.icmp_signed("==", left, ir.Constant(_INDEX, rest))):
                some(done, rest)
        return context.get_dummy_value()

    return signature, code


def _times(typing: Any, out: Any, io: Any, a: Any, ia: Any, b: Any, ib: Any) -> tuple[Any, Callable] | None:
    """out[io] = a[ia] b[ib]."""
    if not _same_kind(out, a, b):
        return None
    i = types.intp
    signature = types.void(out, i, a, i, b, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, _, ia, _, ib = arguments
        e.store(0, io, e.multiply_add(e.load(2, ia), e.load(4, ib), (_ZERO,) * e.parts))
        return context.get_dummy_value()

    return signature, code


def _axpy(
    typing: Any, out: Any, io: Any, keep: Any, scale: Any, a: Any, ia: Any
) -> tuple[Any, Callable] | None:
    """out[io] = keep out[io] + scale a[ia]."""
    if not _same_kind(out, a):
        return None
    i, d = types.intp, types.float64
    signature = types.void(out, i, d, d, a, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, keep, scale, _, ia = arguments
        e.store(0, io, e.blend(e.splat(keep), e.load(0, io), e.splat(scale), e.load(4, ia)))
        return context.get_dummy_value()

    return signature, code


def _copy_entry(typing: Any, out: Any, io: Any, a: Any, ia: Any) -> tuple[Any, Callable] | None:
    """out[io] = a[ia]."""
    if not _same_kind(out, a):
        return None
    i = types.intp
    signature = types.void(out, i, a, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        e.store(0, arguments[1], e.load(2, arguments[3]))
        return context.get_dummy_value()

    return signature, code


def _series(
    typing: Any, out: Any, io: Any, weights: Any, a: Any, ia: Any, sa: Any
) -> tuple[Any, Callable] | None:
    """out[io] = sum_p weights[p] a[ia + p sa], with a tuple of real weights."""
    if not (_same_kind(out, a) and isinstance(weights, types.UniTuple)):
        return None
    i = types.intp
    signature = types.void(out, i, weights, a, i, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, io, weights, _, ia, sa = arguments
        total = (_ZERO,) * e.parts
        for p in range(signature.args[2].count):
            weight = e.splat(builder.extract_value(weights, p))
            entry = builder.add(ia, builder.mul(sa, ir.Constant(_INDEX, p)))
            total = tuple(e.fused(weight, x, y) for x, y in zip(e.load(3, entry), total, strict=True))
        e.store(0, io, total)
        return context.get_dummy_value()

    return signature, code


def _weighted_dot(
    typing: Any, a: Any, ia: Any, b: Any, ib: Any, n: Any, w: Any, iw: Any
) -> tuple[Any, Callable] | None:
    """Sum over lanes of w[iw + lane] sum_p<n a[ia + p] b[ib + p], of real lanes; iw counts doubles."""
    if not (_same_kind(a, b) and a.ndim == 2):
        return None
    i = types.intp
    signature = types.float64(a, i, b, i, i, w, i)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        e = _Emitter(context, builder, signature, arguments)
        _, ia, _, ib, n, _, iw = arguments

        def terms(p: Any) -> tuple[Entry, list[Entry]]:
            return e.load(0, builder.add(ia, p)), [e.load(2, builder.add(ib, p))]

        ((total,),) = e.sums(n, terms, 1)
        weighted = builder.fmul(total, e.load_doubles(5, iw))
        return e.sum_of_lanes(weighted)

    return signature, code


weighted_dot = intrinsic(_weighted_dot)
copy_entry = intrinsic(_copy_entry)
series = intrinsic(_series)
dots = intrinsic(_dots)
times = intrinsic(_times)
axpy = intrinsic(_axpy)


def workspace(entries, like):
    """Give zeros for that many entries, complex or real as the elements of an array are."""
    return np.zeros((entries, 2, LANES) if np.iscomplexobj(like) else (entries, LANES))


@overload(workspace)
def _workspace(entries, like):
    if isinstance(like.dtype, types.Complex):
        return lambda entries, like: np.zeros((entries, 2, LANES))
    return lambda entries, like: np.zeros((entries, LANES))


@jit
def real(a, i):
    """Give the real parts of an entry, a view of shape (LANES,)."""
    if a.ndim == 2:
        return a[i]
    return a[i, 0]


@jit
def dot(out, io, keep, scale, a, ia, sa, b, ib, sb, n):
    """out[io] = keep out[io] + scale sum_p<n a[ia + p sa] b[ib + p sb]."""
    dots(out, io, keep, scale, a, ia, sa, b, ib, sb, n, 0, 1)


@jit
def reciprocal(a, i):
    """Replace an entry by its reciprocal."""
    if a.ndim == 2:
        for x in range(LANES):
            a[i, x] = 1.0 / a[i, x]
    else:
        for x in range(LANES):
            norm = 1.0 / (a[i, 0, x] ** 2 + a[i, 1, x] ** 2)
            a[i, 0, x] *= norm
            a[i, 1, x] *= -norm


@jit
def factor(a, oa, n):
    """Factor a symmetric matrix: lower triangle L, diagonal 1 / D, upper triangle (L D)^T."""
    for i in range(n):
        diagonal = oa + i * n + i
        dots(a, diagonal, 1.0, -1.0, a, oa + i * n, 1, a, oa + i, n, i, 1, n - i)
        reciprocal(a, diagonal)
        for j in range(i + 1, n):
            times(a, oa + j * n + i, a, oa + i * n + j, a, diagonal)


@jit
def forward(f, of, b, ob, n, m):
    """Replace the n x m matrix b by L^-1 b, with A factored in f."""
    for i in range(1, n):
        dots(b, ob + i * m, 1.0, -1.0, f, of + i * n, 1, b, ob, m, i, 1, m)


@jit
def backward(f, of, b, ob, n, m):
    """Replace the n x m matrix b by (D L^T)^-1 b, with A factored in f."""
    for i in range(n - 1, -1, -1):
        row = ob + i * m
        for c in range(m):
            times(b, row + c, b, row + c, f, of + i * n + i)
        dots(b, row, 1.0, -1.0, f, of + (i + 1) * n + i, n, b, row + m, m, n - 1 - i, 1, m)


@jit
def solve(f, of, b, ob, n, m):
    """Replace the n x m matrix b by A^-1 b, with A factored in f."""
    forward(f, of, b, ob, n, m)
    backward(f, of, b, ob, n, m)


@jit
def transposed_product(a, oa, b, ob, scale, out, oo, n):
    """Set out to scale a^T b, which must be symmetric: half of it is computed."""
    for i in range(n):
        dots(out, oo + i * n, 0.0, scale, a, oa + i, n, b, ob, n, n, 1, i + 1)
        for j in range(i):
            copy_entry(out, oo + j * n + i, out, oo + i * n + j)


@jit
def combine(out, oo, keep, scale, a, oa, entries):
    """Set out to keep out + scale a, entry by entry."""
    for i in range(entries):
        axpy(out, oo + i, keep, scale, a, oa + i)


@jit
def copy(out, oo, a, oa, entries):
    """Copy entries."""
    for i in range(entries):
        copy_entry(out, oo + i, a, oa + i)
