"""A checksum of all that a result file says: it changes if one number, word or attribute does.

HDF5 itself notices a file that is too short (the superblock holds the end of the file), but not a changed
byte. The checksum is of the content and not of the bytes, so it can be stored in the file itself and
survives repacking.
"""

import hashlib
from typing import Any

import h5py
import numpy as np

ATTRIBUTE = "content_sha256"

_NETCDF = ("CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST")
"""Written by the netCDF layer, with references whose value depends on where things lie in the file."""


def content_sha256(file: h5py.File) -> str:
    """SHA-256 of all attributes and datasets of an open file, its own attribute apart.

    Raises
    ------
    OSError, RuntimeError, KeyError, ValueError, TypeError
        From h5py, if the file is damaged.
    """
    digest = hashlib.sha256()
    _add_group(digest, file)
    return digest.hexdigest()


def _add_group(digest: Any, group: h5py.Group) -> None:
    _add_attributes(digest, group)
    for name in sorted(group):
        _add(digest, b"name", name.encode())
        item = group[name]
        if isinstance(item, h5py.Group):
            _add_group(digest, item)
            _add(digest, b"end", name.encode())
        else:
            _add_attributes(digest, item)
            text = h5py.check_string_dtype(item.dtype) is not None
            _add_values(digest, item.asstr()[()] if text else item[()])


def _add_attributes(digest: Any, item: h5py.Group | h5py.Dataset) -> None:
    for name in sorted(item.attrs):
        if name not in _NETCDF and not name.startswith("_") and name != ATTRIBUTE:
            _add(digest, b"attribute", name.encode())
            _add_values(digest, item.attrs[name])


def _add_values(digest: Any, values: Any) -> None:
    array = np.asarray(values)
    _add(digest, b"shape", repr(array.shape).encode())
    if array.dtype.kind in "OUS":
        for value in array.ravel():
            _add(digest, b"text", value if isinstance(value, bytes) else str(value).encode())
    else:
        plain = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<"))
        _add(digest, plain.dtype.str.encode(), plain.tobytes())


def _add(digest: Any, kind: bytes, content: bytes) -> None:
    """Add one item with its length, so that no two contents run together to the same bytes."""
    digest.update(b"%s %d " % (kind, len(content)))
    digest.update(content)
