"""Files that are whole or absent, and names that one process holds at a time."""

import errno
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from iceopt.errors import InputError

_PATIENCE_S = 2.0
"""A look whether a name is held takes the lock for an instant; whoever comes then waits this long."""


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under a temporary name beside it, sync it and rename it: a reader never sees a part.

    Raises
    ------
    OSError
        If the disk is full or the folder cannot be written; what was at the path before is still there.
    """
    temporary = path.with_name(path.name + ".part")
    try:
        with open(temporary, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


class NameHeld(InputError):
    """Another process is writing the file."""


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold the name of a file that is to be written, so that no other process writes it meanwhile.

    The lock (flock on `NAME.lock`) belongs to the process: the system drops it when the process dies, however
    it dies, so nothing has to judge by a clock whether a holder still lives.

    Raises
    ------
    NameHeld
        If another process holds it.
    """
    descriptor = _locked(lock_of(path), _PATIENCE_S)
    if descriptor is None:
        raise NameHeld(
            f"{path}: another fit is writing this result now; wait for it, or give another name with --output"
        )
    try:
        yield
    finally:
        lock_of(path).unlink(missing_ok=True)
        os.close(descriptor)


def is_held(path: Path) -> bool:
    """Whether some process holds the name of a file."""
    lock = lock_of(path)
    if not lock.exists():
        return False
    try:
        descriptor = os.open(lock, os.O_RDWR)
    except FileNotFoundError:
        return False
    try:
        return not _taken(descriptor)
    finally:
        os.close(descriptor)


def lock_of(path: Path) -> Path:
    """The lock file of a name."""
    return path.with_name(path.name + ".lock")


def _locked(lock: Path, patience_s: float) -> int | None:
    """Open and lock a lock file; None if it stays locked by another."""
    end = time.monotonic() + patience_s
    while True:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
        if _taken(descriptor):
            if _is_at(descriptor, lock):
                return descriptor
            os.close(descriptor)  # its holder removed it between our opening and locking: take the new one
            continue
        os.close(descriptor)
        if time.monotonic() > end:
            return None
        time.sleep(0.05)


def _taken(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
            return False
        raise
    return True


def _is_at(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), os.stat(path))
    except FileNotFoundError:
        return False
