"""HDF5 files that are looked at before libhdf5 is: one changed byte can make it loop for ever, or crash.

A file of iceopt's own ends with a seal: a word and the SHA-256 of all bytes before it. It lies behind the end
that HDF5 knows of, so every reader ignores it, and one that edits the file drops it. A file without a seal is
old, or others have written or edited it; all of it is first read by a process that may hang or die.
"""

import fcntl
import hashlib
import os
import struct
import subprocess
import sys
from enum import Enum, auto
from pathlib import Path

_WORD = b"\niceopt sha256:\n\n"
SEAL_BYTES = len(_WORD) + hashlib.sha256().digest_size
_BLOCK_BYTES = 2**20
_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_WALK = Path(__file__).with_name("walk.py")
_NOT_OPENED = 3
BEING_WRITTEN = "is being written by another program"
_PATIENCE_S, _SLOWEST_BYTES_PER_S = 120.0, 1e6
"""A process starts in a second, and reads some 100 MB in one: these are for a busy node and a slow disk."""


class Seal(Enum):
    """What the end of a file says about the rest of it."""

    RIGHT = auto()
    WRONG = auto()
    ABSENT = auto()


def sealed(content: bytes) -> bytes:
    """Give the bytes of an HDF5 file with a seal at their end."""
    return content + _WORD + hashlib.sha256(content).digest()


def seal_of(path: Path) -> Seal:
    """Look whether a file ends with a seal, and whether its bytes are those that were sealed.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        left = max(0, os.fstat(file.fileno()).st_size - SEAL_BYTES)
        file.seek(left)
        if not _is_seal(end := file.read(SEAL_BYTES)):
            return Seal.ABSENT
        file.seek(0)
        while left > 0 and (block := file.read(min(left, _BLOCK_BYTES))):
            digest.update(block)
            left -= len(block)
    return _judged(end, digest.digest())


def damage_of(path: Path) -> str:
    """Say in words why an HDF5 file must not be opened; empty if it may be.

    It may still be no HDF5 file at all: h5py says so at once, and better.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    return _damage_by(seal_of(path), path)


def read_once(path: Path) -> tuple[bytes, str, str]:
    """Read an HDF5 file into memory, its bytes and their hash once.

    Returns
    -------
    content : bytes
    sha256 : str
        Of all of it.
    damage : str
        As of `damage_of`.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    content = path.read_bytes()
    view = memoryview(content)
    body = view[: max(0, len(view) - SEAL_BYTES)]
    end = bytes(view[len(body) :])
    digest = hashlib.sha256(body)
    seal = _judged(end, digest.digest()) if _is_seal(end) else Seal.ABSENT
    digest.update(end)
    return content, digest.hexdigest(), _damage_by(seal, path)


def _is_seal(end: bytes) -> bool:
    return len(end) == SEAL_BYTES and end.startswith(_WORD)


def _judged(end: bytes, digest: bytes) -> Seal:
    return Seal.RIGHT if end[len(_WORD) :] == digest else Seal.WRONG


def _damage_by(seal: Seal, path: Path) -> str:
    if seal is Seal.RIGHT:
        return ""
    if seal is Seal.WRONG:
        damage = "was damaged or changed after it was written"
    elif not _is_whole(path):
        damage = "is not a whole HDF5 file: its length is not what it says itself"
    else:
        return _damage_on_the_way(path)
    return BEING_WRITTEN if _is_locked(path) else damage


def _is_whole(path: Path) -> bool:
    """Whether a file has the length that its superblock states, as far as there is one at its beginning.

    HDF5 File Format Specification Version 3.0 (The HDF Group, 2016), II.A: the end of file address is the
    third address of versions 0 and 1, and of versions 2 and 3.
    """
    with open(path, "rb") as file:
        head, size = file.read(64), os.fstat(file.fileno()).st_size
    if head[:8] != _SIGNATURE or len(head) < 64:
        return not _SIGNATURE.startswith(head[:8]) or not head
    version = head[8]
    first, bytes_at = {0: (24, 13), 1: (28, 13), 2: (12, 9), 3: (12, 9)}.get(version, (0, 0))
    if not first or head[bytes_at] != 8:  # HDF5 itself says what it makes of that
        return True
    return bool(struct.unpack_from("<3Q", head, first)[2] == size)


def _damage_on_the_way(path: Path) -> str:
    patience_s = _PATIENCE_S + path.stat().st_size / _SLOWEST_BYTES_PER_S
    command = [sys.executable, "-P", str(_WALK), str(path)]
    try:
        done = subprocess.run(command, capture_output=True, check=False, timeout=patience_s)
    except subprocess.TimeoutExpired:
        return f"is damaged: HDF5 found no end in it within {patience_s:.0f} s"
    return "" if done.returncode in (0, _NOT_OPENED) else "is damaged: HDF5 cannot read all of it"


def _is_locked(path: Path) -> bool:
    """Whether some program has locked a file to write it, as HDF5 does."""
    with open(path, "rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        except OSError:  # a file system without locks
            return False
    return False
