"""The layers of a scenario: rows in it, or a CSV file beside it."""

import csv
import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from iceopt.errors import InputError
from iceopt.ice.layers import Ice

COLUMNS = ("depth_top_m", "depth_bottom_m", "scattering_length_m", "absorption_length_m")


def ice_from_rows(rows: Sequence[Sequence[float]], where: str) -> Ice:
    """Layers from rows of top, bottom, scattering length and absorption length (m), in any order.

    Raises
    ------
    InputError
        If layers overlap, leave a gap, are not thicker than 0, or have a length that is not positive.
    """
    if not rows:
        raise InputError(f"{where}: holds no layers; give one or more")
    for number, row in enumerate(rows, start=1):
        top, bottom, *lengths = row
        if not all(math.isfinite(value) for value in row):
            raise InputError(f"{where}, layer {number}: holds a number that is not finite")
        if bottom <= top:
            raise InputError(
                f"{where}, layer {number}: runs from {top:g} m to {bottom:g} m; expected the bottom below "
                "the top (depth is positive down)"
            )
        for name, value in zip(COLUMNS[2:], lengths, strict=True):
            if value <= 0:
                raise InputError(f"{where}, layer {number}: {name} is {value:g}; expected a length above 0 m")
    order = sorted(range(len(rows)), key=lambda i: rows[i][0])
    for upper, lower in pairwise(order):
        end, begin = rows[upper][1], rows[lower][0]
        if begin != end:
            what = "overlap; let one end" if begin < end else "leave a gap; let one end"
            raise InputError(
                f"{where}: layer {upper + 1} ends at {end:g} m and layer {lower + 1} begins at {begin:g} m; "
                f"they {what} where the next begins"
            )
    table = np.array([rows[i] for i in order], dtype=float)
    return Ice(np.append(table[:, 0], table[-1, 1]), table[:, 2], table[:, 3])


def ice_from_csv(path: Path) -> Ice:
    """Layers from a CSV file with the columns `COLUMNS`; raises InputError for the first bad cell."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            header, records = reader.fieldnames or [], list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: cannot be read as a CSV table: {error}") from error
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        raise InputError(f"{path}, row 1: column '{missing[0]}' is missing; expected {', '.join(COLUMNS)}")
    rows = []
    for number, record in enumerate(records, start=2):
        try:
            rows.append([float(record[name]) for name in COLUMNS])
        except (TypeError, ValueError) as error:
            raise InputError(f"{path}, row {number}: holds a cell that is not a number ({error})") from error
    return ice_from_rows(rows, str(path))
