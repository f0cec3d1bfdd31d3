"""What the cells of each table must hold, as pandera schemas over columns of text."""

from collections.abc import Iterable

import pandera.polars as pa
import polars as pl
from pandera.errors import SchemaErrors
from pandera.polars import PolarsData

from iceopt.campaign.model import Settings
from iceopt.campaign.settings import bin_tolerance
from iceopt.campaign.tables import Table, also, shown
from iceopt.errors import InputError

LARGEST_COUNT = 2**31 - 1

_NAME = r"^[^\s\pC]([^\pC]*[^\s\pC])?$"


def _cells(test: pl.Expr, expected: str) -> pa.Check:
    """A check of `pl.col("cell")`; empty cells are refused by the column itself."""

    def passes(data: PolarsData) -> pl.LazyFrame:
        cells = data.lazyframe.select(pl.col(data.key).alias("cell"))
        return cells.select(pl.col("cell").is_null() | test.fill_null(value=False))

    return pa.Check(passes, error=expected)


def _column(test: pl.Expr, expected: str) -> pa.Column:
    return pa.Column(pl.String, _cells(test, expected))


_number = pl.col("cell").cast(pl.Float64, strict=False)


def _numbers(low: float, high: float, expected: str, *, whole: bool = False) -> pa.Column:
    """Finite numbers in [low, high]."""
    test = _number.is_finite() & (_number >= low) & (_number <= high)
    return _column(test & (_number == _number.round()) if whole else test, expected)


def _above_zero(what: str) -> pa.Column:
    return _column(_number.is_finite() & (_number > 0), f"{what} above 0")


def _names(what: str) -> pa.Column:
    return _column(pl.col("cell").str.contains(_NAME), f"the name of {what}, without blanks around it")


def _one_of(words: Iterable[str], expected: str) -> pa.Column:
    return _column(pl.col("cell").is_in(list(words)), expected)


_DEPTH = (0.0, 1e5, "a depth in metres below the surface, positive down")
_PLACE = (-1e6, 1e6, "a place in metres on the local grid")


def modules_schema() -> pa.DataFrameSchema:
    """Schema of the table of modules."""
    return pa.DataFrameSchema(
        {
            "module": _names("a module"),
            "line": _names("a line"),
            "slot": _numbers(0, LARGEST_COUNT, "a whole number", whole=True),
            "x_m": _numbers(*_PLACE),
            "y_m": _numbers(*_PLACE),
            "depth_m": _numbers(*_DEPTH),
            "relative_efficiency": _above_zero("a number"),
            "state": _one_of(("ok", "dead"), "'ok' or 'dead'"),
        }
    )


def flashes_schema(modules: Iterable[str], single_leds: bool) -> pa.DataFrameSchema:
    """Schema of the table of flasher runs, given the modules and whether LEDs flash one by one."""
    columns = {
        "run": _names("a run"),
        "emitter": _one_of(modules, "a module of the modules table"),
        "photons_per_pulse": _above_zero("a number of photons"),
        "pulses": _numbers(1, LARGEST_COUNT, "a whole number of pulses, 1 or more", whole=True),
        "readout_top_m": _numbers(*_DEPTH),
        "readout_bottom_m": _numbers(*_DEPTH),
    }
    if single_leds:
        columns["azimuth_deg"] = _numbers(-360, 360, "an azimuth in degrees from +x towards +y")
    return pa.DataFrameSchema(columns)


def counts_schema(runs: Iterable[str], modules: Iterable[str], settings: Settings) -> pa.DataFrameSchema:
    """Schema of the table of counts, given the runs, the modules and the time grid."""
    s = settings
    steps = (_number - s.start_ns) / s.bin_ns
    on_grid = ((steps - steps.round()).abs() * s.bin_ns <= bin_tolerance(s)) & _number.is_finite()
    inside = (_number >= s.start_ns - bin_tolerance(s)) & (_number <= s.stop_ns - s.bin_ns + bin_tolerance(s))
    grid = (
        f"the start of a bin: {s.start_ns:g}, {s.start_ns + s.bin_ns:g}, ... {s.stop_ns - s.bin_ns:g} ns, "
        "as campaign.toml's [readout] says"
    )
    whole = f"a whole number of photoelectrons from 0 to {LARGEST_COUNT}"
    return pa.DataFrameSchema(
        {
            "run": _one_of(runs, "a run of the flashes table"),
            "module": _one_of(modules, "a module of the modules table"),
            "t_start_ns": _column(on_grid & inside, grid),
            "count": _numbers(0, LARGEST_COUNT, whole, whole=True),
        }
    )


def refuse_bad_cells(table: Table, schema: pa.DataFrameSchema) -> None:
    """Check a table's columns, then its cells.

    Raises
    ------
    InputError
        For a column that is missing or unknown, an empty table, or the first bad cell in reading order.
    """
    _refuse_bad_columns(table, list(schema.columns))
    if table.frame.height == 0:
        raise InputError(f"{table.where}: holds no rows below its header; expected at least one")
    try:
        schema.validate(table.frame, lazy=True)
    except SchemaErrors as error:
        cases = error.failure_cases.sort("index", maintain_order=True)
        row, column, expected = cases.row(0, named=True)["index"], cases["column"][0], cases["check"][0]
        if expected == "not_nullable":
            expected = "a value in every column"
        raise InputError(
            f"{table.where}, row {row + table.first_row}, column '{column}': "
            f"found {shown(table.frame[column][row])}; expected {expected}{also(cases.height - 1)}"
        ) from error


def _refuse_bad_columns(table: Table, expected: list[str]) -> None:
    found = table.frame.columns
    unknown = [name for name in found if name not in expected]
    missing = [name for name in expected if name not in found]
    for name in unknown:
        same = [other for other in missing if other.rpartition("_")[0] == name.rpartition("_")[0] != ""]
        if same:
            raise InputError(
                f"{table.where}, row 1, column '{name}': expected '{same[0]}'; convert the unit and rename it"
            )
    if missing:
        raise InputError(
            f"{table.where}, row 1, column '{missing[0]}': is missing; expected {', '.join(expected)}"
        )
    if unknown:
        raise InputError(
            f"{table.where}, row 1, column '{unknown[0]}': is not known; expected only {', '.join(expected)}"
        )
