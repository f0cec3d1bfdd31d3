"""Read all of an HDF5 file and do nothing with it: `python walk.py FILE`, a process that may hang or die.

Exit codes: 0 all was read, 1 some of it cannot be, 3 it does not open.
"""

import sys

import h5py

_PIECE_BYTES = 2**24
"""Values that are held at once."""


def walk(file: h5py.File) -> None:
    """Visit every object, read every attribute and every value."""
    dict(file.attrs)
    file.visititems(_look)


def _look(name: str, item: h5py.Group | h5py.Dataset) -> None:
    dict(item.attrs)
    if not isinstance(item, h5py.Dataset):
        return
    if not item.shape:
        item[()]
        return
    row_bytes = item.dtype.itemsize * max(item.size, 1) // max(item.shape[0], 1)
    rows = max(1, _PIECE_BYTES // max(row_bytes, 1))
    for start in range(0, item.shape[0], rows):
        item[start : start + rows]


if __name__ == "__main__":
    try:
        opened = h5py.File(sys.argv[1])
    except OSError:
        sys.exit(3)
    with opened:
        walk(opened)
