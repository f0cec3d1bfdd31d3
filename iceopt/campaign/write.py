"""Write a campaign as a folder of tables or as one HDF5 file; what is written reads back as equal."""

import gzip
import io
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from iceopt.campaign.hdf5 import campaign_to_hdf5
from iceopt.campaign.model import Campaign
from iceopt.campaign.settings import settings_to_toml
from iceopt.campaign.tables import TABLE_SUFFIXES
from iceopt.errors import DomainError, InputError


def frames_of(campaign: Campaign) -> dict[str, pl.DataFrame]:
    """The tables `modules`, `flashes` and `counts` of a campaign, typed; bins of zero counts have no row."""
    modules, flashes = campaign.modules, campaign.flashes
    names, runs = pl.Series(modules.name, dtype=pl.String), pl.Series(flashes.run, dtype=pl.String)
    module_columns = {
        "module": names,
        "line": pl.Series(modules.line, dtype=pl.String),
        "slot": modules.slot,
        "x_m": modules.position_m[:, 0],
        "y_m": modules.position_m[:, 1],
        "depth_m": modules.position_m[:, 2],
        "relative_efficiency": modules.relative_efficiency,
        "state": np.where(modules.alive, "ok", "dead").tolist(),
    }
    flash_columns = {
        "run": runs,
        "emitter": names.gather(flashes.emitter),
        "photons_per_pulse": flashes.photons_per_pulse,
        "pulses": flashes.pulses,
        "readout_top_m": flashes.readout_top_m,
        "readout_bottom_m": flashes.readout_bottom_m,
    }
    if campaign.settings.single_leds:
        flash_columns["azimuth_deg"] = flashes.azimuth_deg
    pair, bin_ = np.nonzero(campaign.counts)
    count_columns = {
        "run": runs.gather(campaign.pair_run[pair]),
        "module": names.gather(campaign.pair_module[pair]),
        "t_start_ns": campaign.bin_edges_ns[bin_],
        "count": campaign.counts[pair, bin_],
    }
    return {
        "modules": pl.DataFrame(module_columns),
        "flashes": pl.DataFrame(flash_columns),
        "counts": pl.DataFrame(count_columns),
    }


def write_campaign_folder(
    campaign: Campaign, folder: str | Path, suffix: str = ".csv", counts_suffix: str = ".csv.gz"
) -> None:
    """Write a campaign folder, all of it or nothing.

    Parameters
    ----------
    campaign : Campaign
    folder : str or Path
        Must not exist yet, or be empty.
    suffix, counts_suffix : str
        '.csv', '.csv.gz' or '.parquet': the form of `modules` and `flashes`, and that of `counts`.

    Raises
    ------
    InputError
        If the folder holds something already or cannot be written.
    """
    folder = Path(folder)
    for name in (suffix, counts_suffix):
        if name not in TABLE_SUFFIXES:
            raise DomainError(f"a table cannot be written as {name!r}; expected {', '.join(TABLE_SUFFIXES)}")
    frames = frames_of(campaign)
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError(f"{folder}: exists already; give a new folder or an empty one")
        folder.parent.mkdir(parents=True, exist_ok=True)
        partial = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", suffix=".partial", dir=folder.parent))
        try:
            (partial / "campaign.toml").write_text(settings_to_toml(campaign.settings), encoding="utf-8")
            for name, frame in frames.items():
                ending = counts_suffix if name == "counts" else suffix
                (partial / f"{name}{ending}").write_bytes(_ENCODERS[ending](frame))
            partial.chmod(0o755)
            os.replace(partial, folder)
        finally:
            shutil.rmtree(partial, ignore_errors=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {error.strerror or error}") from error


def write_campaign_hdf5(campaign: Campaign, path: str | Path) -> None:
    """Write a campaign as one HDF5 file (layout in `iceopt.campaign.hdf5`), all of it or nothing.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    path = Path(path)
    content = campaign_to_hdf5(campaign, frames_of(campaign))
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            partial.write_bytes(content)
            os.replace(partial, path)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error


def _csv(frame: pl.DataFrame) -> bytes:
    return frame.write_csv().encode()


def _parquet(frame: pl.DataFrame) -> bytes:
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


_ENCODERS: dict[str, Callable[[pl.DataFrame], bytes]] = {
    ".csv": _csv,
    ".csv.gz": lambda frame: gzip.compress(_csv(frame), mtime=0),  # the same tables, the same bytes
    ".parquet": _parquet,
}
