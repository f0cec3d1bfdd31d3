"""Read a campaign: a folder of tables, or one HDF5 file that holds the same tables."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.spatial import KDTree

from iceopt.campaign.hdf5 import TABLES, read_sound, tables_from_hdf5
from iceopt.campaign.model import Campaign, Flashes, Modules, Settings
from iceopt.campaign.schema import counts_schema, flashes_schema, modules_schema, refuse_bad_cells
from iceopt.campaign.settings import bins_of, settings_from_sections, settings_from_toml
from iceopt.campaign.tables import Table, decoded, find_table, read_bytes, table_from_file
from iceopt.errors import InputError

_SAME_PLACE_M = 0.1
"""Two modules closer than this cannot be two modules: their housings are wider."""


def read_campaign(path: str | Path) -> Campaign:
    """Read and validate a campaign.

    Parameters
    ----------
    path : str or Path
        A campaign folder (`campaign.toml` and the tables `modules`, `flashes`, `counts`, each as `.csv`,
        `.csv.gz` or `.parquet`), or an HDF5 file holding the same tables.

    Returns
    -------
    Campaign
        With one pair for each run and module that was read out in it, in the order of the tables; bins
        without a row in `counts` are zero.

    Raises
    ------
    InputError
        If anything in it is not as the tables must be; names the file, the row and the column. Rows are
        counted as an editor or a spreadsheet shows them (a CSV's header is row 1); in Parquet and HDF5
        the first record is row 1.
    """
    path = Path(path)
    if path.is_dir():
        return _from_folder(path)
    if not path.exists():
        raise InputError(f"{path}: there is no such folder or file; expected a campaign folder or HDF5 file")
    content, digest = read_sound(path)
    sections, tables = tables_from_hdf5(content, str(path))
    return _campaign(settings_from_sections(sections, str(path)), tables, {path.name: digest})


def campaign_sha256(path: str | Path) -> dict[str, str]:
    """Hash of each file that `read_campaign` would read, without reading what they say: `Campaign.sha256`.

    Raises
    ------
    InputError
        If there is no campaign, or one of its tables is missing.
    """
    path = Path(path)
    if path.is_dir():
        files = [_toml(path), *(find_table(path, name) for name in TABLES)]
    elif path.exists():
        files = [path]
    else:
        raise InputError(f"{path}: there is no such folder or file; expected a campaign folder or HDF5 file")
    return {file.name: read_bytes(file)[1] for file in files}


def _toml(folder: Path) -> Path:
    toml = folder / "campaign.toml"
    if not toml.exists():
        raise InputError(f"{folder}: is not a campaign folder; it holds no campaign.toml")
    return toml


def _from_folder(folder: Path) -> Campaign:
    toml = _toml(folder)
    content, digest = read_bytes(toml)
    settings = settings_from_toml(decoded(content, str(toml)), str(toml))
    hashes, tables = {toml.name: digest}, {}
    paths = {name: find_table(folder, name) for name in TABLES}
    for name, path in paths.items():
        content, hashes[path.name] = read_bytes(path)
        tables[name] = table_from_file(path, content)
    return _campaign(settings, tables, hashes)


def _campaign(settings: Settings, tables: dict[str, Table], sha256: dict[str, str]) -> Campaign:
    modules = modules_of(tables["modules"])
    flashes = _flashes(tables["flashes"], modules, settings)
    read_out = _read_out(modules, flashes)
    if not read_out.any():
        raise InputError(f"{tables['flashes'].where}: no run reads out any module; the campaign is empty")
    pair_run, pair_module = np.nonzero(read_out)
    counts = _counts(tables["counts"], settings, modules, flashes, read_out)
    return Campaign(settings, modules, flashes, pair_run, pair_module, counts, sha256)


def modules_of(table: Table) -> Modules:
    """Validate a table of modules; raises InputError for the first bad cell."""
    refuse_bad_cells(table, modules_schema())
    _refuse_repeated(table, "module", "each module once")
    frame = table.frame
    position_m = np.column_stack([_floats(frame[name]) for name in ("x_m", "y_m", "depth_m")])
    close = KDTree(position_m).query_pairs(_SAME_PLACE_M, output_type="ndarray")
    if close.size:
        first, second = sorted(close[close.max(axis=1).argmin()])
        raise InputError(
            f"{table.where}, row {second + table.first_row}, columns 'x_m', 'y_m', 'depth_m': module "
            f"{frame['module'][int(second)]} is in the place of module {frame['module'][int(first)]} (row "
            f"{first + table.first_row}); expected modules at least {_SAME_PLACE_M:g} m apart"
        )
    return Modules(
        name=tuple(frame["module"]),
        line=tuple(frame["line"]),
        slot=_integers(frame["slot"]),
        position_m=position_m,
        relative_efficiency=_floats(frame["relative_efficiency"]),
        alive=(frame["state"] == "ok").to_numpy(),
    )


def _flashes(table: Table, modules: Modules, settings: Settings) -> Flashes:
    if not settings.single_leds and "azimuth_deg" in table.frame.columns:
        raise InputError(
            f"{table.where}, row 1, column 'azimuth_deg': only emitters of pattern 'single' have an azimuth, "
            f"and campaign.toml's [emitter] says '{settings.emitter_pattern}'; drop the column"
        )
    refuse_bad_cells(table, flashes_schema(modules.name, settings.single_leds))
    _refuse_repeated(table, "run", "each run once")
    frame = table.frame
    top_m, bottom_m = _floats(frame["readout_top_m"]), _floats(frame["readout_bottom_m"])
    table.refuse(
        bottom_m < top_m, "readout_bottom_m", "a depth below 'readout_top_m' (depth is positive down)"
    )
    azimuth = frame["azimuth_deg"] if "azimuth_deg" in frame.columns else None
    return Flashes(
        run=tuple(frame["run"]),
        emitter=_indices(frame["emitter"], modules.name),
        photons_per_pulse=_floats(frame["photons_per_pulse"]),
        pulses=_integers(frame["pulses"]),
        readout_top_m=top_m,
        readout_bottom_m=bottom_m,
        azimuth_deg=np.full(frame.height, np.nan) if azimuth is None else _floats(azimuth),
    )


def _read_out(modules: Modules, flashes: Flashes) -> NDArray[np.bool_]:
    """Shape (run, module): live modules in the run's window, the emitter's own apart."""
    depth_m = modules.position_m[:, 2]
    mask: NDArray[np.bool_] = (
        modules.alive
        & (depth_m >= flashes.readout_top_m[:, None])
        & (depth_m <= flashes.readout_bottom_m[:, None])
    )
    mask[np.arange(len(flashes.run)), flashes.emitter] = False
    return mask


def _counts(
    table: Table, settings: Settings, modules: Modules, flashes: Flashes, read_out: NDArray[np.bool_]
) -> NDArray[np.int32]:
    refuse_bad_cells(table, counts_schema(flashes.run, modules.name, settings))
    frame = table.frame
    run, module = _indices(frame["run"], flashes.run), _indices(frame["module"], modules.name)
    table.refuse(~modules.alive[module], "module", "a module in state 'ok', and this one is 'dead'")
    table.refuse(flashes.emitter[run] == module, "module", "another module than the run's own emitter")
    table.refuse(~read_out[run, module], "module", "a module whose depth lies in the run's readout window")

    pair = (np.cumsum(read_out) - 1).reshape(read_out.shape)[run, module]
    start_ns = _floats(frame["t_start_ns"])
    bin_ = np.rint((start_ns - settings.start_ns) / settings.bin_ns).astype(np.int64)
    counts = np.zeros((int(read_out.sum()), bins_of(settings)), dtype=np.int32)
    place = pair * counts.shape[1] + bin_
    _, first = np.unique(place, return_index=True)
    again = np.ones(place.size, dtype=bool)
    again[first] = False
    table.refuse(again, "t_start_ns", "each run, module and bin once, and this bin has a row above")
    counts.ravel()[place] = _integers(frame["count"])
    return counts


def _refuse_repeated(table: Table, column: str, expected: str) -> None:
    again = ~table.frame[column].is_first_distinct().to_numpy()
    table.refuse(again, column, f"{expected}, and this name stands above")


def _floats(cells: pl.Series) -> NDArray[np.float64]:
    return cells.cast(pl.Float64).to_numpy().copy()


def _integers(cells: pl.Series) -> NDArray[np.int64]:
    """Whole numbers; by way of doubles, as '400' and '4e2' are both whole."""
    return cells.cast(pl.Float64).to_numpy().astype(np.int64)


def _indices(cells: pl.Series, names: Sequence[str]) -> NDArray[np.int64]:
    return cells.cast(pl.Enum(names)).to_physical().to_numpy().astype(np.int64)
