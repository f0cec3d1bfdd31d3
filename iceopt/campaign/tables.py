"""Tables from files: CSV, gzipped CSV or Parquet to columns of text, with the row numbers users see."""

import csv
import gzip
import hashlib
import io
import re
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from iceopt.errors import InputError

TABLE_SUFFIXES = (".csv", ".csv.gz", ".parquet")


@dataclass(frozen=True)
class Table:
    """Columns of text: what a cell means is for the schema to say.

    where : name of the file (and of the table in it), for messages
    first_row : the number of the first record; a CSV's header is row 1, so its first record is row 2
    """

    where: str
    frame: pl.DataFrame
    first_row: int

    def refuse(self, bad: NDArray[np.bool_], column: str, expected: str) -> None:
        """Raise InputError for the first bad row, if there is any."""
        if bad.any():
            row, more = int(bad.argmax()), int(bad.sum()) - 1
            raise InputError(
                f"{self.where}, row {row + self.first_row}, column '{column}': "
                f"found {shown(self.frame[column][row])}; expected {expected}{also(more)}"
            )


def also(more: int) -> str:
    """Tell how many further cells have the same kind of fault."""
    return "" if more == 0 else f" (and {more} more like it)"


def shown(cell: object) -> str:
    """A cell's content, short enough for a sentence."""
    if cell is None:
        return "nothing"
    text = repr(cell)
    return text if len(text) <= 60 else text[:57] + "..."


def read_bytes(path: Path) -> tuple[bytes, str]:
    """A file's content and its SHA-256; raises InputError if it cannot be read."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    return content, hashlib.sha256(content).hexdigest()


def decoded(content: bytes, where: str) -> str:
    """UTF-8 text, without a byte-order mark; raises InputError naming the row of the first bad byte."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{where}, row {row}: byte 0x{content[error.start]:02x} is not UTF-8; save the file as UTF-8 text"
        ) from error


def find_table(folder: Path, name: str) -> Path:
    """The one file of a campaign folder that holds a table; raises InputError if there is none or two."""
    found = [path for suffix in TABLE_SUFFIXES if (path := folder / (name + suffix)).exists()]
    if not found:
        raise InputError(
            f"{folder}: holds no {name}{TABLE_SUFFIXES[0]} (nor {' nor '.join(TABLE_SUFFIXES[1:])}); "
            "a campaign folder has campaign.toml and the tables modules, flashes and counts"
        )
    if len(found) > 1:
        names = " and ".join(path.name for path in found)
        raise InputError(f"{folder}: holds {names}, which would be the same table twice; keep one of them")
    return found[0]


def table_from_file(path: Path, content: bytes) -> Table:
    """Read the content of a CSV, gzipped CSV or Parquet file by its name's ending."""
    if path.name.endswith(".parquet"):
        return _table_from_parquet(content, str(path))
    if path.name.endswith(".gz"):
        content = _unzipped(content, str(path))
    return _table_from_csv(content, str(path))


def _unzipped(content: bytes, where: str) -> bytes:
    try:
        return gzip.decompress(content)
    except EOFError as error:
        raise InputError(f"{where}: the gzip file ends too early (truncated); copy it again") from error
    except (OSError, zlib.error) as error:
        raise InputError(f"{where}: not a sound gzip file ({error}); copy it again") from error


def _table_from_csv(content: bytes, where: str) -> Table:
    text = decoded(content, where).rstrip("\r\n")
    stray = re.search("\0|\r(?!\n)", text)
    if stray:
        row, what = (
            text.count("\n", 0, stray.start()) + 1,
            "NUL byte" if stray[0] == "\0" else "carriage return",
        )
        raise InputError(f"{where}, row {row}: holds a stray {what}; expected plain lines of text")
    if not text:
        raise InputError(f"{where}: is empty; expected a header and at least one row")
    try:
        header = next(csv.reader([text.partition("\n")[0].rstrip("\r")], strict=True))
    except csv.Error as error:
        raise InputError(f"{where}, row 1: the header is not a well-formed CSV line ({error})") from error
    for name in header:
        if header.count(name) > 1 or not name.strip():
            raise InputError(f"{where}, row 1: the header names column {name!r} twice or not at all")
    try:
        frame = pl.read_csv(text.encode(), infer_schema=False)
    except pl.exceptions.PolarsError as error:
        raise InputError(f"{where}{_malformed(text, len(header))}") from error
    if frame.columns != header:
        raise InputError(f"{where}, row 1: the header is not a well-formed CSV line")
    return Table(where, frame, first_row=2)


def _malformed(text: str, columns: int) -> str:
    """Say what is wrong with a CSV text that does not parse."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for row in reader:
            if len(row) > columns:
                return f", row {reader.line_num}: has {len(row)} fields; expected {columns}, as in the header"
    except csv.Error as error:
        return f", row {reader.line_num}: not a well-formed CSV line ({error})"
    return ": not a well-formed CSV table; look for stray quotes"


def _table_from_parquet(content: bytes, where: str) -> Table:
    try:
        frame = pl.read_parquet(io.BytesIO(content))
    except BaseException as error:
        # polars reports some damage by a panic, which is not an Exception
        if isinstance(error, KeyboardInterrupt | SystemExit | MemoryError):
            raise
        raise InputError(f"{where}: not a sound Parquet file; write it again") from error
    return table_from_typed(frame, where)


def table_from_typed(frame: pl.DataFrame, where: str) -> Table:
    """Columns of text from typed ones, so that one schema judges all sources.

    Numbers go through their shortest text that reads back as the same double.
    """
    for name, dtype in frame.schema.items():
        if not (dtype.is_numeric() or dtype in (pl.String, pl.Categorical, pl.Enum)):
            raise InputError(f"{where}, column '{name}': is of type {dtype}; expected numbers or text")
    widened = frame.with_columns(pl.col(pl.Float32).cast(pl.Float64))
    return Table(where, widened.with_columns(pl.all().cast(pl.String)), first_row=1)
