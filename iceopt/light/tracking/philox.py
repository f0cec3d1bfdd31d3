"""Counter-based random numbers: every photon has its own stream, whatever thread tracks it.

Philox4x32-10 of Salmon, Moraes, Dror, Shaw, Proc. SC11, article 16 (2011): four random words are a pure
function of a key (the seed) and a counter (photon, emitter, collision). The words are kept in 64-bit
integers, of which the upper half is zero, so that the product of two of them does not overflow.
"""

import numpy as np
from numba import njit

Word = np.uint64
LOW = Word(0xFFFFFFFF)
HALF = Word(32)
MULTIPLIERS = Word(0xD2511F53), Word(0xCD9E8D57)
KEY_STEPS = Word(0x9E3779B9), Word(0xBB67AE85)
TO_UNIT = 2.0**-32


@njit(cache=True)
def philox4x32(c0: Word, c1: Word, c2: Word, c3: Word, k0: Word, k1: Word) -> tuple[Word, Word, Word, Word]:
    """Four random 32-bit words of the counter c0..c3 under the key k0, k1."""
    for _ in range(10):
        p0 = MULTIPLIERS[0] * c0
        p1 = MULTIPLIERS[1] * c2
        c0 = (p1 >> HALF) ^ c1 ^ k0
        c2 = (p0 >> HALF) ^ c3 ^ k1
        c1 = p1 & LOW
        c3 = p0 & LOW
        k0 = (k0 + KEY_STEPS[0]) & LOW
        k1 = (k1 + KEY_STEPS[1]) & LOW
    return c0, c1, c2, c3


@njit(cache=True)
def uniform(word: Word) -> float:
    """A number in the open interval (0, 1) from a 32-bit word."""
    return (np.float64(np.int64(word)) + 0.5) * TO_UNIT


@njit(cache=True)
def split(number: int) -> tuple[Word, Word]:
    """Low and high 32 bits of a whole number."""
    n = Word(number)
    return n & LOW, n >> HALF
