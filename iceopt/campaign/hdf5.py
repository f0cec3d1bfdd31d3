"""The HDF5 form of a campaign: the same tables, column by column.

Layout::

    /                     attributes: content = "flasher campaign", layout = 1
    /campaign, /optics, /emitter, /receiver, /readout
                          attributes: the keys of that table of campaign.toml
    /modules, /flashes, /counts
                          one dataset of shape (row,) a column, text as UTF-8
"""

import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import polars as pl
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign
from iceopt.campaign.settings import SECTIONS, settings_to_sections
from iceopt.campaign.tables import Table, table_from_typed
from iceopt.errors import InputError
from iceopt.hdf5 import read_once, sealed

CONTENT, LAYOUT = "flasher campaign", 1
TABLES = ("modules", "flashes", "counts")

_UNSOUND = "{where}: not a sound HDF5 file, nor a campaign folder; write it again or give the folder"


def read_sound(path: Path) -> tuple[bytes, str]:
    """Read a file that libhdf5 may be given: its content and SHA-256.

    Raises
    ------
    InputError
        If it cannot be read, is damaged or being written.
    """
    try:
        content, sha256, damage = read_once(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    if damage:
        raise InputError(f"{_UNSOUND.format(where=path)} (it {damage})")
    return content, sha256


def tables_from_hdf5(content: bytes, where: str) -> tuple[dict[str, Any], dict[str, Table]]:
    """Read the settings, nested as in campaign.toml, and the tables of an HDF5 file.

    Raises
    ------
    InputError
        If it is not an HDF5 file with this layout, or is damaged.
    """
    try:
        with h5py.File(io.BytesIO(content), "r") as file:
            if file.attrs.get("content") != CONTENT or file.attrs.get("layout") != LAYOUT:
                raise InputError(
                    f"{where}: is an HDF5 file, but no campaign: expected the attributes content = "
                    f"'{CONTENT}' and layout = {LAYOUT}"
                )
            missing = [name for name in (*SECTIONS, *TABLES) if name not in file]
            if missing:
                raise InputError(f"{where}: group /{missing[0]} is missing")
            sections = {name: _attributes(file[name]) for name in SECTIONS}
            frames = {name: _frame(file[name], f"{where}, table /{name}") for name in TABLES}
    except (OSError, RuntimeError, KeyError, ValueError, TypeError, AttributeError) as error:
        raise InputError(_UNSOUND.format(where=where)) from error
    return sections, {
        name: table_from_typed(frame, f"{where}, table /{name}") for name, frame in frames.items()
    }


def _attributes(group: h5py.Group) -> dict[str, Any]:
    values = {
        key: value.item() if isinstance(value, np.generic) else value for key, value in group.attrs.items()
    }
    return {key: value.decode() if isinstance(value, bytes) else value for key, value in values.items()}


def _frame(group: h5py.Group, where: str) -> pl.DataFrame:
    columns = {}
    for name, dataset in group.items():
        if not isinstance(dataset, h5py.Dataset) or dataset.ndim != 1:
            raise InputError(f"{where}, column '{name}': is not a dataset of shape (row,)")
        if h5py.check_string_dtype(dataset.dtype) is not None:
            columns[name] = pl.Series(name, dataset.asstr()[()].tolist(), dtype=pl.String)
        elif dataset.dtype.kind in "iuf":
            columns[name] = pl.Series(name, dataset[()])
        else:
            raise InputError(f"{where}, column '{name}': holds {dataset.dtype}; expected numbers or text")
    rows = max((len(column) for column in columns.values()), default=0)
    for name, column in columns.items():
        if len(column) != rows:
            raise InputError(f"{where}, column '{name}': has {len(column)} rows; another column has {rows}")
    return pl.DataFrame(columns)


def campaign_to_hdf5(campaign: Campaign, frames: dict[str, pl.DataFrame]) -> bytes:
    """The HDF5 file of a campaign, sealed, given its tables as typed columns."""
    buffer = io.BytesIO()
    # The newest layout carries checksums of the metadata, and fletcher32 those of the columns: they stay when
    # another program copies the file and drops its seal.
    with h5py.File(buffer, "w", libver="latest") as file:
        file.attrs.update(content=CONTENT, layout=LAYOUT)
        for section, content in settings_to_sections(campaign.settings).items():
            group = file.create_group(section)
            for key, value in content.items():
                group.attrs[key] = _fixed_text([value])[0] if isinstance(value, str) else value
        for name, frame in frames.items():
            group = file.create_group(name)
            for column in frame.iter_columns():
                data = _fixed_text(column) if column.dtype == pl.String else column.to_numpy()
                group.create_dataset(
                    column.name, data=data, compression="gzip", shuffle=True, fletcher32=True
                )
    return sealed(buffer.getvalue())


def _fixed_text(texts: Iterable[str]) -> NDArray[np.bytes_]:
    """UTF-8 of fixed length: HDF5 keeps text of variable length where no checksum covers it."""
    encoded = [text.encode() for text in texts]
    return np.array(encoded, dtype=h5py.string_dtype("utf-8", max([1, *map(len, encoded)])))
