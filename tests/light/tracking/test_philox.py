"""Random words against published ones."""

import numpy as np
import pytest

from iceopt.light.tracking.philox import Word, philox4x32, split, uniform


@pytest.mark.parametrize(
    ("counter", "key", "words"),
    [
        # Known answers of the authors of Salmon, Moraes, Dror, Shaw, Proc. SC11, article 16 (2011), in their
        # Random123 library; from memory, and the first confirmed by another library's Philox (randomgen).
        ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
        ((2**32 - 1,) * 4, (2**32 - 1,) * 2, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
        (
            (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
            (0xA4093822, 0x299F31D0),
            (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
        ),
        # Words 0 to 3 and 4 to 7 of randomgen 2.3.0, Philox(key=0, counter=0, number=4, width=32), which
        # counts up before it draws.
        ((1, 0, 0, 0), (0, 0), (0xF8E4CCA4, 0x5CB200DB, 0xB1A574EB, 0x097EFF67)),
        ((2, 0, 0, 0), (0, 0), (0x04FAA329, 0x51C732A6, 0x241513AD, 0x459135E4)),
    ],
)
def test_known_answers(counter: tuple[int, ...], key: tuple[int, ...], words: tuple[int, ...]) -> None:
    assert tuple(int(w) for w in philox4x32(*map(Word, counter + key))) == words


def test_uniform_numbers_never_reach_the_ends() -> None:
    assert 0 < uniform(Word(0)) < 2**-32
    assert 1 - 2**-32 < uniform(Word(2**32 - 1)) < 1


def test_split_puts_a_number_together_again() -> None:
    low, high = split(12_345_678_901_234)
    assert int(low) + 2**32 * int(high) == 12_345_678_901_234


def test_streams_of_neighbouring_photons_are_not_alike() -> None:
    zero = Word(0)
    words = np.array(
        [
            philox4x32(Word(step), zero, Word(photon), zero, zero, zero)
            for photon in range(64)
            for step in range(64)
        ]
    ).reshape(64, 256)
    correlation = np.corrcoef(words.astype(float))
    off = correlation[~np.eye(64, dtype=bool)]
    # 2016 independent coefficients of 256 points: sd 1/16, the largest below 5 sd.
    assert abs(off).max() < 5 / 16
    assert off.std() == pytest.approx(1 / 16, rel=0.05)
