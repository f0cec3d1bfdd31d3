"""Tables for others, as CSV with commented lines on top that say units and verdict."""

import csv
import io
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from iceopt.result.read import Result

_QUANTILES = {"": 0.5, "_p2.5": 0.025, "_p16": 0.16, "_p84": 0.84, "_p97.5": 0.975}

Rows = Iterable[Sequence[object]]


def layer_table(result: Result) -> tuple[list[str], Rows]:
    """Medians and quantiles of both lengths, one row a layer: header and rows."""
    header = ["wavelength_nm", "depth_top_m", "depth_bottom_m"]
    columns = [
        np.full(result.shape("constant_data", "layer_top"), float(result.attribute("wavelength_nm"))),
        result.values("constant_data", "layer_top"),
        result.values("constant_data", "layer_bottom"),
    ]
    for name in ("scattering_length", "absorption_length"):
        header += [f"{name}_m{suffix}" for suffix in _QUANTILES]
        columns += list(result.quantiles(name, list(_QUANTILES.values())))
    return header, zip(*columns, strict=True)


def module_table(result: Result) -> tuple[list[str], Rows]:
    """Efficiencies and clock offsets, one row a module; empty cells where a module did not enter."""
    fitted = {m: i for i, m in enumerate(result.values("posterior", "module"))}
    efficiency, offset = result.draws("efficiency"), result.draws("time_offset")
    rows = []
    names, states = (result.values("constant_data", n) for n in ("site_module", "module_state"))
    for name, state in zip(names, states, strict=True):
        cells: list[object] = [""] * 4
        if name in fitted:
            e, t = efficiency[:, fitted[name]], offset[:, fitted[name]]
            cells = [e.mean(), e.std(ddof=1), t.mean(), t.std(ddof=1)]
        rows.append([name, *cells, state])
    header = [
        "module",
        "relative_efficiency",
        "relative_efficiency_sd",
        "time_offset_ns",
        "time_offset_sd_ns",
    ]
    return [*header, "state"], rows


def run_table(result: Result) -> tuple[list[str], Rows]:
    """Brightnesses, one row a run; empty cells where a run did not enter."""
    fitted = {r: i for i, r in enumerate(result.values("posterior", "run"))}
    brightness = result.draws("brightness")
    rows = []
    names, states = (result.values("constant_data", n) for n in ("campaign_run", "run_state"))
    for name, state in zip(names, states, strict=True):
        cells: list[object] = [""] * 2
        if name in fitted:
            b = brightness[:, fitted[name]]
            cells = [b.mean(), b.std(ddof=1)]
        rows.append([name, *cells, state])
    return ["run", "brightness", "brightness_sd", "state"], rows


TABLES: dict[str, Callable[[Result], tuple[list[str], Rows]]] = {
    "layers": layer_table,
    "modules": module_table,
    "runs": run_table,
}

_NOTES = {
    "layers": "lengths in m: median and 2.5, 16, 84, 97.5 % quantiles; depth in m, positive down",
    "modules": "relative_efficiency: mean and sd, those of all fitted modules average 1; time_offset in ns: "
    "what the clock reads too late",
    "runs": "brightness: mean and sd, relative to photons_per_pulse of the flash table",
}


def export_csv(result: Result, what: str, path: str | Path) -> None:
    """Write one table.

    Parameters
    ----------
    result : Result
    what : 'layers', 'modules' or 'runs'
    path : str or Path
    """
    header, rows = TABLES[what](result)
    text = io.StringIO()
    site, season = result.attribute("site"), result.attribute("season")
    for line in (f"{site} {season}: {what}", _NOTES[what], f"light model: {result.attribute('light_model')}"):
        text.write(f"# {line}\n")
    text.write(f"# {result.verdict}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_cell(value) for value in row] for row in rows)
    path = Path(path)
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(text.getvalue(), encoding="utf-8")
    os.replace(temporary, path)


def _cell(value: object) -> object:
    return f"{value:.6g}" if isinstance(value, float) else value
