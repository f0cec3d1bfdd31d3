"""Seals, and files without one: what must not reach libhdf5 does not."""

import hashlib

import h5py
import numpy as np
import pytest

from iceopt.hdf5 import BEING_WRITTEN, SEAL_BYTES, Seal, damage_of, read_once, seal_of, sealed

LIBVERS = [("earliest", "latest"), ("v108", "v108"), ("v110", "v110"), ("latest", "latest")]
"""Superblocks of versions 0, 2 and 3."""


@pytest.fixture
def plain(tmp_path):
    """An HDF5 file as others write it."""
    path = tmp_path / "plain.h5"
    with h5py.File(path, "w") as file:
        file["numbers"] = np.arange(5000.0)
        file["group/words"] = ["some", "words"]
        file.create_dataset("rows", data=np.ones((300, 7)), chunks=(10, 7), compression="gzip")
        file.attrs["title"] = "a title"
        file["nothing"] = h5py.Empty("f8")
    return path


@pytest.mark.parametrize("libver", LIBVERS)
def test_a_whole_file_of_others_may_be_opened_and_a_cut_one_may_not(tmp_path, libver):
    path = tmp_path / "plain.h5"
    with h5py.File(path, "w", libver=libver) as file:
        file["numbers"] = np.arange(5000.0)
    assert seal_of(path) is Seal.ABSENT
    assert damage_of(path) == ""
    content = path.read_bytes()
    for place in (12, 60, 1000, len(content) - 1):
        path.write_bytes(content[:place])
        assert "its length is not what it says itself" in damage_of(path)
    path.write_bytes(content + b"more")
    assert "its length is not what it says itself" in damage_of(path)


def test_a_file_behind_a_block_of_its_users_may_be_opened(tmp_path):
    path = tmp_path / "block.h5"
    with h5py.File(path, "w", userblock_size=512) as file:
        file["numbers"] = np.arange(10)
    assert damage_of(path) == ""


def test_what_is_no_hdf5_file_is_left_to_h5py(tmp_path):
    path = tmp_path / "words.h5"
    for content in (b"", b"word", b"many words " * 100):
        path.write_bytes(content)
        assert damage_of(path) == ""


def test_a_seal_is_the_sha256_of_all_before_it(plain):
    content = plain.read_bytes()
    whole = sealed(content)
    assert whole[: len(content)] == content
    assert whole[-32:] == hashlib.sha256(content).digest()
    plain.write_bytes(whole)
    assert seal_of(plain) is Seal.RIGHT
    with h5py.File(plain) as file:
        assert file["numbers"][-1] == 4999.0


def test_reading_once_tells_content_hash_and_damage(plain, monkeypatch):
    content = plain.read_bytes()
    short, edited = content[:20], bytearray(sealed(content))
    edited[1000] ^= 1
    for written in (content, sealed(content), short, bytes(edited), b""):
        plain.write_bytes(written)
        assert read_once(plain) == (written, hashlib.sha256(written).hexdigest(), damage_of(plain))
    assert damage_of(plain) == ""

    plain.write_bytes(sealed(content))
    opened = []
    monkeypatch.setattr("io.open", lambda *a, _open=open, **k: opened.append(a) or _open(*a, **k))
    monkeypatch.setattr("builtins.open", lambda *a, _open=open, **k: opened.append(a) or _open(*a, **k))
    read_once(plain)
    assert len(opened) == 1


@pytest.mark.parametrize("part", ["first", "last", "word", "digest"])
def test_one_bit_anywhere_breaks_it(plain, part):
    whole = bytearray(sealed(plain.read_bytes()))
    place = {"first": 0, "last": -SEAL_BYTES - 1, "word": -SEAL_BYTES, "digest": -1}[part]
    whole[place] ^= 1
    plain.write_bytes(whole)
    assert damage_of(plain)


def test_a_program_that_edits_it_drops_the_seal(plain):
    plain.write_bytes(sealed(plain.read_bytes()))
    with h5py.File(plain, "r+") as file:
        file["numbers"][0] = 7.0
    assert seal_of(plain) is Seal.ABSENT
    assert damage_of(plain) == ""


def test_a_file_that_another_program_writes_is_said_to_be(tmp_path):
    path = tmp_path / "open.h5"
    with h5py.File(path, "w") as file:
        file["numbers"] = np.arange(5000.0)
        assert damage_of(path) == BEING_WRITTEN


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("while True: pass", "HDF5 found no end in it within 2 s"),
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "HDF5 cannot read all of it"),
        ("raise OSError('wrong')", "HDF5 cannot read all of it"),
    ],
)
def test_what_hangs_or_kills_the_process_that_reads_first_is_refused(plain, monkeypatch, script, words):
    path = plain.with_name("walk.py")
    path.write_text(script)
    monkeypatch.setattr("iceopt.hdf5._WALK", path)
    monkeypatch.setattr("iceopt.hdf5._PATIENCE_S", 2.0)
    assert words in damage_of(plain)
