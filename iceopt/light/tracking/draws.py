"""What chance decides of a photon's next collisions, drawn ahead of them.

One collision's random words wait for each other, ten rounds long; those of many need not, and become vector
instructions. The numbers are those of `iceopt.light.tracking.philox` for each collision, bit by bit.
"""

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from iceopt.light.tracking.philox import HALF, KEY_STEPS, LOW, MULTIPLIERS, TO_UNIT, Word
from iceopt.light.tracking.walk import circle, from_table

Floats = NDArray[np.float64]

AHEAD = 16
"""Collisions drawn at once: a photon that ends leaves some of them unused."""
_BITS_OF_2_52, _2_52 = Word(0x4330000000000000), 2.0**52


class Draws(NamedTuple):
    """Of the next collisions, one entry each, but for the room that they are drawn in."""

    words: NDArray[np.uint64]
    """Four random words of each collision, the first ones of all, then the second ones, and so on."""
    share: Floats
    """The words as numbers in (0, 1)."""
    optical_depth: Floats
    """Mean free paths to the collision."""
    cosine: Floats
    """Of the scattering angle there."""
    across_x: Floats
    across_y: Floats
    """Towards which azimuth."""


@njit(cache=True)
def room_for_draws() -> Draws:
    """Arrays for `draw_ahead`."""
    return Draws(
        np.empty(4 * AHEAD, np.uint64),
        np.empty(4 * AHEAD),
        np.empty(AHEAD),
        np.empty(AHEAD),
        np.empty(AHEAD),
        np.empty(AHEAD),
    )


@njit(cache=True)
def draw_ahead(
    draws: Draws, step: int, c1: Word, c2: Word, c3: Word, k0: Word, k1: Word, phase: Floats
) -> None:
    """Fill the draws of collisions `step` and after, of the photon with the counter c1, c2, c3.

    Each loop does one thing to all, so that it becomes vector code. Processors without AVX-512 have no
    instruction that makes numbers of long words: they are the low bits of numbers from 2^52 on.
    """
    words, share = draws.words, draws.share
    for b in range(AHEAD):
        words[b], words[AHEAD + b] = Word(step + b), c1
        words[2 * AHEAD + b], words[3 * AHEAD + b] = c2, c3
    for _ in range(10):
        for b in range(AHEAD):
            p0, p1 = MULTIPLIERS[0] * words[b], MULTIPLIERS[1] * words[2 * AHEAD + b]
            words[b] = (p1 >> HALF) ^ words[AHEAD + b] ^ k0
            words[2 * AHEAD + b] = (p0 >> HALF) ^ words[3 * AHEAD + b] ^ k1
            words[AHEAD + b] = p1 & LOW
            words[3 * AHEAD + b] = p0 & LOW
        k0, k1 = (k0 + KEY_STEPS[0]) & LOW, (k1 + KEY_STEPS[1]) & LOW
    for i in range(words.size):
        words[i] |= _BITS_OF_2_52
    numbers = words.view(np.float64)
    for i in range(words.size):
        share[i] = (numbers[i] - _2_52 + 0.5) * TO_UNIT
    for b in range(AHEAD):
        draws.optical_depth[b] = -math.log(share[b])
    for b in range(AHEAD):
        draws.cosine[b] = from_table(phase, share[AHEAD + b])
    for b in range(AHEAD):
        at = 2 * AHEAD + b
        draws.across_x[b], draws.across_y[b] = circle(share[at], words[at])
