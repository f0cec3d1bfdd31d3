"""An ice from a layer table: CSV with the columns of `iceopt export --what layers`."""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from iceopt.errors import DomainError, InputError
from iceopt.ice.layers import Ice

Array = NDArray[np.float64]

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
    return _ice(_read(path))


def read_layer_errors(path: str | Path) -> tuple[Ice, Array, float | None]:
    """Read a layer table with its errors.

    The errors are those of the columns `_p16` and `_p84` of `iceopt export`, or symmetric ones in columns
    `scattering_length_sd_m` and `absorption_length_sd_m`.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    ice : Ice
    log_sd : ndarray, shape (2, layer)
        Standard deviations of ln(scattering length) and ln(absorption length).
    wavelength_nm : float or None
        If the table has it.

    Raises
    ------
    InputError
        As of `read_layer_table`, and if there are no errors or they are not positive.
    """
    table = _read(path)
    ice = _ice(table)
    log_sd = np.array([_log_sd(table, name) for name in ("scattering_length", "absorption_length")])
    if "wavelength_nm" not in table.header:
        return ice, log_sd, None
    found = np.unique(table.column("wavelength_nm"))
    if found.size > 1:
        raise InputError(f"{path}: column wavelength_nm holds {found.size} values; expected one")
    return ice, log_sd, float(found[0])


@dataclass(frozen=True)
class _Table:
    """Cells of a layer table as they stand in the file."""

    path: str | Path
    header: list[str]
    rows: list[tuple[int, list[str]]]
    """Line of the file, and its cells."""

    def column(self, name: str) -> Array:
        if name not in self.header:
            raise InputError(f"{self.path}: column {name} is missing; found {', '.join(self.header)}")
        place = self.header.index(name)
        return np.array([_number(self.path, number, name, row, place) for number, row in self.rows])


def _read(path: str | Path) -> _Table:
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a layer table ({error})") from error
    numbered = [(i, line) for i, line in enumerate(text.splitlines(), start=1) if _holds_data(line)]
    if len(numbered) < 2:
        raise InputError(f"{path}: holds no layers; expected a header line and one line a layer")
    header, *rows = csv.reader(line for _, line in numbered)
    lines = [number for number, _ in numbered[1:]]
    return _Table(path, [name.strip() for name in header], list(zip(lines, rows, strict=True)))


def _ice(table: _Table) -> Ice:
    top, bottom, scattering, absorption = (table.column(name) for name in COLUMNS)
    gaps = np.abs(top[1:] - bottom[:-1]) > _MEETS_M
    if gaps.any():
        i = int(gaps.argmax())
        raise InputError(
            f"{table.path}: row {table.rows[i + 1][0]}, column depth_top_m: found {top[i + 1]:g}; layers "
            f"must follow one another, so expected {bottom[i]:g}, the bottom of the layer above"
        )
    try:
        return Ice(np.append(top, bottom[-1]), scattering, absorption)
    except DomainError as error:
        raise InputError(f"{table.path}: {error}") from error


def _log_sd(table: _Table, name: str) -> Array:
    symmetric, quantiles = f"{name}_sd_m", (f"{name}_m_p16", f"{name}_m_p84")
    if symmetric in table.header:
        error = table.column(symmetric) / table.column(f"{name}_m")
    elif set(quantiles) <= set(table.header):
        low, high = (table.column(q) for q in quantiles)
        with np.errstate(divide="ignore", invalid="ignore"):
            error = 0.5 * np.log(high / low)
    else:
        raise InputError(
            f"{table.path}: has no errors of {name}_m; expected column {symmetric}, or "
            f"{' and '.join(quantiles)}"
        )
    bad = ~((error > 0) & np.isfinite(error))
    if bad.any():
        number = table.rows[int(bad.argmax())][0]
        raise InputError(
            f"{table.path}: row {number}: the error of {name}_m is not positive; every layer needs one"
        )
    return error


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
