"""An ice from a layer table: CSV with the columns of `iceopt export --what layers`."""

import csv
from pathlib import Path

import numpy as np

from iceopt.errors import DomainError, InputError
from iceopt.ice.layers import Ice

COLUMNS = ("depth_top_m", "depth_bottom_m", "scattering_length_m", "absorption_length_m")
_MEETS_M = 1e-6


def read_layer_table(path: str | Path) -> Ice:
    """Read the medians of a layer table.

    Parameters
    ----------
    path : str or Path
        CSV; lines that begin with # are comments, columns other than `COLUMNS` are passed over.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing, a value is no number, layers do not follow one
        another, or a length is not positive.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a layer table ({error})") from error
    numbered = [(i, line) for i, line in enumerate(text.splitlines(), start=1) if _holds_data(line)]
    if len(numbered) < 2:
        raise InputError(f"{path}: holds no layers; expected a header line and one line a layer")
    rows = list(csv.reader(line for _, line in numbered))
    header = [name.strip() for name in rows[0]]
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        raise InputError(f"{path}: column {missing[0]} is missing; found {', '.join(header)}")
    values = np.array(
        [
            [_number(path, number, name, row, header.index(name)) for name in COLUMNS]
            for (number, _), row in zip(numbered[1:], rows[1:], strict=True)
        ]
    )
    gaps = np.abs(values[1:, 0] - values[:-1, 1]) > _MEETS_M
    if gaps.any():
        i = int(gaps.argmax())
        raise InputError(
            f"{path}: row {numbered[i + 2][0]}, column depth_top_m: found {values[i + 1, 0]:g}; layers must "
            f"follow one another, so expected {values[i, 1]:g}, the bottom of the layer above"
        )
    try:
        return Ice(np.append(values[:, 0], values[-1, 1]), values[:, 2], values[:, 3])
    except DomainError as error:
        raise InputError(f"{path}: {error}") from error


def _holds_data(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _number(path: str | Path, number: int, name: str, row: list[str], column: int) -> float:
    found = row[column].strip() if column < len(row) else ""
    try:
        value = float(found)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise InputError(f"{path}: row {number}, column {name}: found {found!r}; expected a finite number")
    return value
